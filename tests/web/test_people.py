"""People and roles without the admin site, and one's own password."""

import pytest
from django.contrib.auth import get_user_model
from django.test import Client
from django.urls import reverse

from restock.models import SetupChange
from tests.factories import UserFactory

from .test_pages import words
from .test_query_counts import queries

PASSWORD = "correct horse battery"


@pytest.fixture
def desk(client, department, supervisor):
    client.force_login(supervisor)
    return client


def roles(user):
    return set(get_user_model().objects.get(pk=user.pk).groups.values_list("name", flat=True))


def test_new_person_signs_in_with_the_first_password_and_has_the_role(desk, supervisor):
    told = {"username": "night.shift", "roles": ["technician"], "password": PASSWORD}
    desk.post(reverse("add-person"), told)

    user = get_user_model().objects.get(username="night.shift")
    assert user.check_password(PASSWORD)
    assert roles(user) == {"technician"}
    kept = SetupChange.objects.get(page="people")
    assert (kept.title, kept.by, kept.after["roles"]) == ("night.shift", supervisor, "technician")


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"password": "12345678"}, "too common"),
        ({"username": "supervisor"}, "already exists"),
        ({"roles": []}, "Choose at least one"),
    ],
)
def test_person_that_cannot_be_is_refused_at_the_field(desk, supervisor, told, said):
    answer = desk.post(reverse("add-person"), {"username": "new", "roles": ["technician"], "password": PASSWORD} | told)

    assert answer.status_code == 400
    assert said in words(answer)
    assert get_user_model().objects.filter(username="new").count() == 0


def test_roles_are_switched_and_the_history_says_by_whom(desk, clinician):
    desk.post(reverse("person", args=[clinician.pk]), {"roles": ["technician", "supervisor"], "is_active": "on"})

    assert roles(clinician) == {"technician", "supervisor"}
    said = words(desk.get(reverse("person", args=[clinician.pk])))
    assert "What changed here supervisor," in said
    assert "Roles: clinician to technician, supervisor" in said


def test_who_left_signs_in_no_more_and_is_still_named(desk, clinician):
    device = Client()
    device.force_login(clinician)

    desk.post(reverse("person", args=[clinician.pk]), {"roles": ["clinician"]})

    assert device.get(reverse("log")).status_code == 302
    assert "clinician clinician" in words(desk.get(reverse("people")))


def test_last_supervisor_stays_supervisor(desk, supervisor):
    answer = desk.post(reverse("person", args=[supervisor.pk]), {"roles": ["technician"], "is_active": "on"})

    assert "Somebody has to stay supervisor" in words(answer)
    assert roles(supervisor) == {"supervisor"}


def test_lost_password_is_set_anew_and_kept_without_what_it_is(desk, clinician):
    desk.post(reverse("give-password", args=[clinician.pk]), {"password": PASSWORD})

    clinician.refresh_from_db()
    assert clinician.check_password(PASSWORD)
    kept = SetupChange.objects.get(page="people")
    assert PASSWORD not in str(kept.after)
    assert "set by a supervisor" in words(desk.get(reverse("person", args=[clinician.pk])))


def test_administrator_of_the_site_is_not_a_supervisor_s_to_change(desk):
    admin = UserFactory(username="admin", is_superuser=True)

    desk.post(reverse("give-password", args=[admin.pk]), {"password": PASSWORD})
    desk.post(reverse("person", args=[admin.pk]), {"roles": ["clinician"]})

    admin.refresh_from_db()
    assert admin.is_active
    assert not admin.check_password(PASSWORD)


def test_people_of_another_department_do_not_exist_here(desk, other_department):
    stranger = UserFactory(username="stranger", groups=["technician"], membership__department=other_department)
    desk.force_login(UserFactory(groups=["supervisor"]))

    assert "stranger" not in words(desk.get(reverse("people")))
    assert desk.get(reverse("person", args=[stranger.pk])).status_code == 404


@pytest.fixture
def other_department(department):
    from inventory.departments import open_department

    return open_department(code="other", name="Another")


def test_sixty_people_take_no_more_queries_than_one(desk, clinician):
    queries(desk, reverse("people"))
    of_one = queries(desk, reverse("people"))
    for _ in range(59):
        UserFactory(groups=["technician"])

    assert len(queries(desk, reverse("people"))) == len(of_one)


def test_own_password_is_changed_by_who_knows_the_old_one(client, department, clinician):
    clinician.set_password(PASSWORD)
    clinician.save()
    client.force_login(clinician)
    new = {"new_password1": "a longer horse", "new_password2": "a longer horse"}

    wrong = client.post(reverse("password"), {"old_password": "guess", **new})
    right = client.post(reverse("password"), {"old_password": PASSWORD, **new}, follow=True)

    assert wrong.status_code == 400
    assert "Your password is changed" in words(right)
    clinician.refresh_from_db()
    assert clinician.check_password("a longer horse")
