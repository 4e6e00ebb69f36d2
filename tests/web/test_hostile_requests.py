"""Whatever stands in an address or a form, the answer says something: no page and no form fails.

The addresses come from the URL configuration and from the links of the pages, the parameters from what the code asks
a query string for, the fields from the forms that the pages show.
"""

import re
from itertools import product

import pytest
from django.db import transaction
from django.http import QueryDict
from django.urls import Resolver404, resolve, reverse
from django.utils import timezone

from inventory import orders, recalls
from restock.stock_life.counting import start_place_count
from tests.factories import UserFactory

from .page_forms import forms_of
from .routes import address_of, every_route

HOSTILE = {
    "negative": "-1",
    "exponent": "1e9",
    "beyond 64 bits": "9" * 30,
    "beyond what int reads": "9" * 5000,  # its own limit is 4,300 digits
    "first day": "0001-01-01",
    "last day": "9999-12-31",
    "NUL": "a\0b",
    "long": "x" * 10_000,
    "not a number": "nan",
}
NUMBERS = ("beyond 64 bits", "beyond what int reads")
ENDS_THE_SESSION = {"sign-out", "password", "come-back", "sign-in"}
TAKES_LONG = {"plan-evening", "work-out-pars", "work-out-orders", "work-out-accuracy", "work-out-cover"}
NUMBER = re.compile(r"\d+")


class Undone(Exception):
    """Takes back what a request wrote."""


@pytest.fixture
def asked_for(monkeypatch):
    """The names that the code asked query strings for. Clear it before a request."""
    names = set()
    for method in ("get", "getlist", "__contains__", "__getitem__"):
        plain = getattr(QueryDict, method)

        def recording(self, name, *args, plain=plain, **kwargs):
            names.add(name)
            return plain(self, name, *args, **kwargs)

        monkeypatch.setattr(QueryDict, method, recording)
    return names


@pytest.fixture
def failure(client):
    """`failure("post", address, fields)`: how it failed; nothing where it was answered below 500. Nothing is kept."""

    def send(method, address, fields):
        failed = ""
        try:
            with transaction.atomic():
                try:
                    status = getattr(client, method)(address, fields).status_code
                    failed = str(status) if status >= 500 else ""
                except Exception as problem:  # whatever it is, it would have been a page that says sorry
                    failed = f"{type(problem).__name__}: {str(problem)[:80]}"
                raise Undone
        except Undone:
            return failed

    return send


@pytest.fixture
def pages(evening, client, department, storeroom, cart, supervisor):
    """Route -> (an address, its page) in a department where most pages have something to show, for who may do all."""
    line, now = evening(1), timezone.now()
    client.force_login(UserFactory(groups=["clinician", "technician", "supervisor"]))
    recalls.open_recall(consumable=line.consumable, by=supervisor, at=now, notice="N1", lot_numbers=["L1"])
    start_place_count(department=department, place=cart, by=supervisor, at=now)
    wanted = [orders.Wanted(line.consumable, 1, 10)]
    orders.start_order(storeroom=storeroom, number="R-1", lines=wanted, by=supervisor, at=now)
    routes = ((name, arguments) for name, _, arguments in every_route() if not name.startswith("admin:"))
    to_see = [address_of(name, arguments, line) for name, arguments in routes]
    seen = {}
    while to_see:
        address = to_see.pop(0)
        name = route_of(address)
        if name in seen or not name or name in ENDS_THE_SESSION:
            continue
        answer = client.get(address, headers={"accept": "application/json" if name == "log-token" else "text/html"})
        if answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
            continue
        seen[name] = address, answer.text
        to_see += re.findall(r'href="(/[^"#?]*)', answer.text)
    return seen


def route_of(address):
    """The route's name, and which of its pages; "" where it is none of ours."""
    try:
        match = resolve(address)
    except Resolver404:
        return ""
    return "" if match.namespace else " ".join((match.view_name, match.kwargs.get("slug", ""))).strip()


def test_no_parameter_makes_a_page_fail(pages, client, failure, asked_for):
    failed = []
    for name, (address, _) in pages.items():
        asked_for.clear()
        client.get(address)
        parameters = {*asked_for, "page", "per_page", "sort"}
        for what, value in HOSTILE.items():
            if problem := failure("get", address, dict.fromkeys(parameters, value)):
                failed.append((name, what, problem))

    assert len(pages) > 50
    assert not failed


def test_no_field_makes_a_form_fail(pages, client, failure):
    forms = {}
    for address, page in pages.values():
        for form in forms_of(page):
            action = (form.action or address).partition("?")[0]
            kind = (route_of(action), *sorted({NUMBER.sub("", name) for name in form.fields}))
            if form.method == "post" and kind[0] not in TAKES_LONG | ENDS_THE_SESSION:
                forms[kind] = form, form.action or address
    failed = []
    for kind, (form, address) in forms.items():
        one_of_each = {NUMBER.sub("", name): name for name in form.fields if name != "csrfmiddlewaretoken"}
        for what, value in HOSTILE.items():  # in all fields at once, of which a form says all that is wrong
            if problem := failure("post", address, dict.fromkeys(form.fields, value)):
                failed.append((kind[0], what, problem))
        for name, what in product(one_of_each.values(), NUMBERS):  # and where nothing else is wrong
            if problem := failure("post", address, form.fields | {name: HOSTILE[what]}):
                failed.append((kind[0], name, what, problem))

    assert len(forms) > 60
    assert not failed
    assert client.get(reverse("account")).status_code == 200, "somebody who is signed out tries nothing"
