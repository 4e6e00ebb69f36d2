"""Who may do what. The routes come from the URL configuration, so a new one cannot be forgotten."""

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import include, path, reverse

from inventory.departments import open_department
from restock.web.access import ANYBODY, ROLES, SIGNED_IN, rule_for
from tests.factories import UserFactory

from .routes import address_of, every_route

POSTED = {"plan-evening", "sign-out"}


def try_route(client, name, arguments, line):
    """The answer to a request for the route: "open", "refused", "asked to sign in", or "failed"."""
    if name == "admin:None":  # the admin's own catch-all has no name; its address is anything unknown below /admin/
        return try_address(client, "/admin/nothing-here")
    return try_address(client, address_of(name, arguments, line), post=name in POSTED)


def try_address(client, address, post=False):
    answer = client.post(address) if post else client.get(address)
    if answer.status_code == 302 and answer.url.startswith(reverse("sign-in") + "?next="):
        return "asked to sign in"
    if answer.status_code >= 500:
        return "failed"
    return "refused" if answer.status_code == 403 else "open"


def test_every_route_has_a_rule():
    without = [name for name, _, _ in every_route() if not rule_for(name)]

    assert not without, "add them to restock.web.access.RULES"


@pytest.mark.parametrize("standing", [*sorted(ROLES), "no role", "nobody"])
def test_every_route_lets_in_whom_its_rule_names(client, evening, standing):
    line = evening(1)
    user = {"no role": UserFactory, "nobody": lambda: None}.get(standing, lambda: UserFactory(groups=[standing]))()
    holds = {ANYBODY} if user is None else {ANYBODY, SIGNED_IN, standing}

    refused = "asked to sign in" if user is None else "refused"
    client.raise_request_exception = False  # one page that fails hides no other

    wrong = {}
    for name, _, arguments in every_route():
        if user is not None:
            client.force_login(user)
        answer = try_route(client, name, arguments, line)
        if answer != ("open" if rule_for(name) & holds else refused):
            wrong[name] = answer

    assert not wrong


def test_route_without_a_rule_is_closed_even_to_a_superuser(client, settings, department):
    settings.ROOT_URLCONF = type(
        "urls", (), {"urlpatterns": [path("new/", lambda r: HttpResponse(), name="new"), path("", include(BASE))]}
    )
    client.force_login(UserFactory(is_superuser=True, is_staff=True))

    assert client.get("/new/").status_code == 403


BASE = "restock.web.urls"


def test_form_sent_after_the_session_ended_says_so_and_leads_back_to_its_page(client, department):
    answer = client.post(reverse("take-carts"), headers={"referer": "http://testserver/evening/?kind=or"}, follow=True)

    assert answer.redirect_chain == [(f"{reverse('sign-in')}?next=/evening/%3Fkind%3Dor", 302)]
    assert "You were signed out: what you sent was not kept." in answer.text


def test_form_of_a_page_from_before_another_sign_in_is_refused_in_words(technician, department):
    client = Client(enforce_csrf_checks=True)
    client.force_login(technician)

    answer = client.post(reverse("take-carts"))

    assert answer.status_code == 403
    assert "This was not saved" in answer.text


@pytest.mark.parametrize("name", ["plan-evening", "pick-list"])
def test_clinician_reads_but_does_not_restock(client, evening, clinician, name):
    line = evening(1)
    client.force_login(clinician)

    assert client.get(reverse("tonight")).status_code == 200
    arguments = ("plan_id",) if name == "pick-list" else ()
    assert try_route(client, name, arguments, line) == "refused"
    assert reverse(name, kwargs={"plan_id": line.plan_id} if arguments else None) not in client.get("/").text


def test_only_the_administrator_of_the_whole_site_comes_near_the_admin_site(client, department):
    client.force_login(UserFactory(groups=["supervisor"], is_staff=True))
    assert client.get("/admin/").status_code == 403
    client.force_login(UserFactory(is_superuser=True, is_staff=True, membership=None))
    assert client.get("/admin/").status_code == 200


def test_account_without_a_role_is_told_what_is_missing(client, department):
    client.force_login(UserFactory())

    answer = client.get("/")

    assert answer.status_code == 403
    assert "no role yet" in answer.text
    assert "Sign out" in answer.text


@pytest.fixture
def other_department(department):
    return open_department(code="other", name="Another department")


def test_everyone_sees_the_department_that_they_belong_to(client, plan, add_line, other_department):
    add_line(name="Bougie")
    client.force_login(UserFactory(groups=["technician"]))
    assert "Bougie" in client.get("/").text

    client.force_login(UserFactory(groups=["technician"], membership__department=other_department))
    answer = client.get("/")
    assert "Bougie" not in answer.text
    assert "Another department" in answer.text


def test_who_belongs_to_no_department_gets_nothing(client, plan):
    client.force_login(UserFactory(groups=["supervisor"], is_superuser=True, membership=None))

    answer = client.get("/")

    assert answer.status_code == 403
    assert "belongs to no department" in answer.text
