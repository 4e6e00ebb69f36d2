"""Signing in slowly where somebody guesses, and quickly where a person comes back."""

from datetime import timedelta

import pytest
from django.contrib.auth import get_user
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from restock.cases.case_log import Opened, log_case, undo_log
from restock.models import QuickSignIn
from restock.models.quick_sign_in import MOST_WRONG_PINS
from restock.setting_up import quick_sign_in
from restock.web import workstations
from tests.factories import CaseFactory, ConsumableFactory, UserFactory

from .test_pages import words

PASSWORD, PIN, BADGE = "correct horse", "4711", "BADGE-000123"


def sign_in(client, name, password=PASSWORD, address="10.0.0.1", **more):
    told = {"username": name, "password": password, **more}
    return client.post(reverse("sign-in"), told, REMOTE_ADDR=address)


@pytest.fixture
def colleague(department):
    user = UserFactory(username="colleague", groups=["technician"])
    quick_sign_in.set_codes(user, pin=PIN, badge=BADGE)
    return user


@pytest.fixture
def workstation(department, clinician, colleague):
    """A device on which the colleague and then the clinician have signed in fully today."""
    device = Client()
    sign_in(device, "colleague", shared="on")
    device.post(reverse("sign-out"))
    sign_in(device, "clinician", shared="on")
    return device


def come_back(device, code, person=None):
    return device.post(reverse("come-back"), {"code": code, "person": person.pk if person else ""})


class TestThrottledSignIn:
    def test_sixth_try_waits_even_with_the_right_password_and_says_so(self, client, clinician):
        for _ in range(5):
            sign_in(client, "clinician", "wrong")
        answer = sign_in(client, "clinician")

        assert answer.status_code == 429
        assert "15 minutes" in words(answer)
        assert not get_user(client).is_authenticated

    def test_colleague_at_the_same_workstation_still_signs_in(self, client, clinician, technician):
        for _ in range(6):
            sign_in(client, "clinician", "wrong")

        assert sign_in(client, "technician").status_code == 302

    def test_person_still_signs_in_elsewhere(self, client, clinician):
        for _ in range(6):
            sign_in(client, "clinician", "wrong")

        assert sign_in(Client(), "clinician", address="10.0.0.2").status_code == 302

    def test_behind_a_proxy_the_address_is_what_the_proxy_says(self, rf, settings):
        request = rf.get("/", REMOTE_ADDR="10.0.0.9", HTTP_X_FORWARDED_FOR="1.1.1.1, 10.0.0.7")
        assert workstations.client_address(request) == "10.0.0.9"
        settings.BEHIND_TLS_PROXY = True
        assert workstations.client_address(request) == "10.0.0.7"


class TestSharedWorkstation:
    def test_its_session_is_short_and_another_device_s_is_not(self, workstation, clinician, settings):
        own = Client()
        sign_in(own, "clinician")

        assert workstation.session.get_expiry_age() <= settings.SHARED_SESSION_MINUTES * 60
        assert own.session.get_expiry_age() > 24 * 3600

    def test_its_session_lives_on_while_it_is_used(self, workstation, plan):
        session = workstation.session
        session[workstations.SEEN] -= 60
        session.save()
        workstation.get(reverse("tonight"))

        assert timezone.now().timestamp() - workstation.session[workstations.SEEN] < 30

    def test_pin_changes_the_person(self, workstation, colleague):
        assert come_back(workstation, PIN, colleague).url == reverse("home")
        assert get_user(workstation) == colleague
        assert workstations.SHARED in workstation.session

    def test_badge_needs_no_name(self, workstation, colleague):
        come_back(workstation, BADGE)

        assert get_user(workstation) == colleague

    def test_wrong_pin_opens_nothing(self, workstation, colleague, clinician):
        answer = come_back(workstation, "0815", colleague)

        assert "opens nothing here" in words(answer)
        assert get_user(workstation) == clinician

    def test_after_five_wrong_pins_only_the_password_helps(self, workstation, colleague):
        for _ in range(MOST_WRONG_PINS):
            come_back(workstation, "0815", colleague)
        for code in (PIN, BADGE):
            assert come_back(workstation, code, colleague).status_code == 400

        workstation.post(reverse("sign-out"))
        sign_in(workstation, "colleague", shared="on")
        assert come_back(workstation, PIN, colleague).status_code == 302

    def test_badges_cannot_be_tried_without_end(self, workstation, colleague):
        for number in range(5):
            come_back(workstation, f"BADGE-{number:06}")

        assert "Too many codes" in words(come_back(workstation, BADGE))

    def test_pin_is_worth_nothing_on_another_device(self, workstation, colleague):
        answer = come_back(Client(), PIN, colleague)

        assert "Nobody has signed in fully on this device today" in words(answer)

    def test_pin_is_worth_nothing_on_another_day(self, workstation, colleague, monkeypatch):
        tomorrow = timezone.now() + timedelta(days=1)
        monkeypatch.setattr(workstations.timezone, "now", lambda: tomorrow)

        assert "Nobody has signed in fully" in words(workstation.get(reverse("come-back")))

    def test_changed_password_ends_it(self, workstation, colleague):
        colleague.set_password("another horse")
        colleague.save()

        assert "colleague" not in words(workstation.get(reverse("come-back")))

    def test_device_of_one_person_keeps_no_list(self, department, colleague):
        own = Client()
        sign_in(own, "colleague")

        assert workstations.COOKIE not in own.cookies


class TestOwnAccount:
    @pytest.fixture
    def own(self, client, clinician, department):
        client.force_login(clinician)
        return client

    def test_pin_is_set_with_the_password_and_kept_hashed(self, own, clinician):
        assert "not your password" in words(own.post(reverse("account"), {"pin": PIN, "password": "wrong"}))
        assert not QuickSignIn.objects.exists()

        own.post(reverse("account"), {"pin": PIN, "badge": BADGE, "password": PASSWORD})
        kept = QuickSignIn.objects.get(user=clinician)
        assert PIN not in kept.pin_hash
        assert BADGE not in kept.badge_hash

    @pytest.mark.parametrize("pin", ["123", "123456789", "0000", "1234", "9876", "12a4", "１２３９"])
    def test_pin_that_anybody_tries_first_is_refused_at_its_field(self, own, pin):
        answer = own.post(reverse("account"), {"pin": pin, "password": PASSWORD})

        assert "pin" in answer.context["form"].errors

    def test_badge_of_somebody_else_is_refused_at_its_field(self, own, colleague):
        answer = own.post(reverse("account"), {"badge": BADGE, "password": PASSWORD})

        assert "belongs to somebody else" in str(answer.context["form"].errors["badge"])

    def test_both_can_be_taken_away(self, own, clinician):
        quick_sign_in.set_codes(clinician, pin=PIN)
        own.post(reverse("account"), {"neither": "on", "password": PASSWORD})

        assert not QuickSignIn.objects.exists()


@pytest.mark.parametrize(
    ("values", "constraint"),
    [
        ({}, "quick_sign_in_has_a_pin_or_a_badge"),
        ({"pin_hash": "x", "wrong_in_a_row": MOST_WRONG_PINS + 1}, "wrong_pins_are_counted_to_the_limit"),
    ],
)
def test_quick_sign_in_holds_to_its_rules(clinician, values, constraint):
    with pytest.raises(IntegrityError, match=constraint), transaction.atomic():
        QuickSignIn.objects.create(user=clinician, **values)


def test_badge_is_one_person_s(clinician, technician):
    quick_sign_in.set_codes(clinician, badge=BADGE)

    with pytest.raises(ValidationError, match="belongs to somebody else"):
        quick_sign_in.set_codes(technician, badge=BADGE)


def test_months_log_is_ones_own_and_leaves_out_what_was_taken_back(
    client, department, room, today, clinician, colleague
):
    line = ConsumableFactory()
    for order, (by, used, unused) in enumerate([(clinician, 2, 1), (clinician, 4, 0), (colleague, 7, 7)], start=1):
        entry = log_case(
            case=CaseFactory(room=room, date=today, order=order), lines=[Opened(line, used, unused)], by=by,
            at=timezone.now(), key=f"log {order}",
        )  # fmt: skip
        if used == 4:
            undo_log(log=entry, by=by, at=timezone.now(), key="back")
    client.force_login(clinician)

    said = words(client.get(reverse("account")))

    assert "Cases logged 1 Pieces opened 3 Of these not used 1" in said
