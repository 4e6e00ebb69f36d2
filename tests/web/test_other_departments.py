"""What belongs to another department does not exist: no address shows it, and none takes anything for it."""

from datetime import timedelta
from itertools import product

import pytest
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from inventory import bundles, ledger, orders, recalls
from inventory.departments import open_department
from inventory.models import BundlePiece, Receipt
from restock.models import AdvisedPar, Case, CaseLog, ParAdviceRun, ShortageAction, Substitution
from restock.plans import claiming
from restock.stock_life.counting import start_place_count
from restock.web.setup_pages import PAGES
from tests.factories import BinFactory, ConsumableFactory, LotFactory, UserFactory

from .routes import every_route

EVERY_ROLE = ["clinician", "technician", "supervisor"]
NO_SUCH_THING = {404, 405}  # or nothing that is asked for in this way at all
NOT_OF_A_DEPARTMENT = {"kind", "slug", "item", "guidance", "added_key"}


class Undone(Exception):
    """Takes back what a request wrote."""


@pytest.fixture
def ask(client, settings):
    """`ask("post", address, fields)`: the status of the answer. Nothing is kept of what it did."""
    # It leads on from every address that only takes forms, whatever that names.
    settings.MIDDLEWARE = [name for name in settings.MIDDLEWARE if not name.endswith("PageAboveMiddleware")]

    def send(method, address, fields):
        try:
            with transaction.atomic():
                status = getattr(client, method)(address, fields).status_code
                raise Undone
        except Undone:
            return status

    return send


@pytest.fixture
def keys(evening, department, cart, storeroom, supervisor, today):
    """One of everything that an address can name: argument -> keys."""
    line, now, by = evening(1), timezone.now(), supervisor
    consumable, stocking = line.consumable, cart.stocking_lines.first()
    claim = claiming.take(line.plan, [cart.pk], by=by, at=now)[0][0]
    act = ShortageAction.objects.create(
        place=cart, consumable=consumable, for_date=line.plan.for_date, kind="accepted", note="enough", by=by, at=now,
        key="accepted",
    )  # fmt: skip
    run = ParAdviceRun.objects.create(
        department=department, made_at=now, first_day=today, last_day=today, days=1, lines=1
    )
    advised = AdvisedPar.objects.create(
        run=run, stocking_line=stocking, par=5, advised=9, service_level=0.95, p_short_now=0.3, p_short_advised=0.04,
        days_short_now=6, days_short_advised=1, on_hand_now=5, on_hand_advised=9, reason="Par 5 covers only 70.",
    )  # fmt: skip
    card = Substitution.objects.create(
        department=department, wanted=consumable, stand_in=ConsumableFactory(), differences="another maker",
        until=today + timedelta(days=9), proposed_at=now, proposed_by=by,
    )  # fmt: skip
    lot = LotFactory(consumable=consumable, number="L1")
    received = ledger.receive(
        place=storeroom, consumable=consumable, lot=lot, quantity=3, by=by, at=now, key="with a lot"
    )
    recall = recalls.open_recall(consumable=consumable, by=by, at=now, notice="N1", lot_numbers=["L1"])
    count = start_place_count(department=department, place=cart, by=by, at=now)
    wanted = [orders.Wanted(consumable, 1, 10)]
    order = orders.start_order(storeroom=storeroom, number="R-1", lines=wanted, by=by, at=now)
    bundle = ConsumableFactory(name="Set")
    BundlePiece.objects.create(bundle=bundle, piece=consumable)
    made = bundles.make_up(place=cart, bundle=bundle, bundles=1, by=by, at=now, key="made up")
    BinFactory(place=cart)
    return {
        "plan_id": [line.plan_id],
        "place_id": [cart.pk, storeroom.pk],
        "line_id": [line.pk],
        "room_id": [cart.room_id],
        "case_id": [Case.objects.first().pk],
        "consumable_id": [consumable.pk],
        "log_id": [CaseLog.objects.first().pk],
        "claim_id": [claim.pk],
        "action_id": [act.pk],
        "advised_id": [advised.pk],
        "card_id": [card.pk],
        "recall_id": [recall.pk],
        "recall_place_id": [recall.places.first().pk],
        "lot_id": [lot.pk, made.lot_id],
        "assembly_id": [made.pk],
        "round_id": [count.pk],
        "task_id": [count.tasks.first().pk],
        "order_id": [order.pk],
        "order_line_id": [order.lines.first().pk],
        "receipt_id": [Receipt.objects.create(movement=received).pk],
        "stocking_line_id": [stocking.pk, storeroom.stocking_lines.create(consumable=consumable, par=9).pk],
        "person_id": [by.pk],
        "guidance": ["difficult-airway"],
    }


def addresses(keys):
    """(route, address) of every route that names something of a department."""
    for name, _, arguments in every_route():
        if name.startswith("admin:") or not set(arguments) - NOT_OF_A_DEPARTMENT or "row_id" in arguments:
            continue
        for values in product(*(keys[argument] for argument in arguments)):
            yield name, reverse(name, kwargs=dict(zip(arguments, values, strict=True)))


def fields(keys):
    """What a form may name beside its address."""
    return {"consumable": keys["consumable_id"][0], "recall_place": keys["recall_place_id"][0]}


def rows_of_the_set_up(department):
    for slug, page in PAGES.items():
        row = page.rows(department).first()
        for name in ("setup-row", "setup-remove") if row else ():
            yield f"{name} {slug}", reverse(name, args=[slug, row.pk])


def test_nothing_of_another_department_exists(client, ask, keys, department):
    other = open_department(code="other", name="Another department")
    client.force_login(UserFactory(groups=EVERY_ROLE, membership__department=other))

    asked = [*addresses(keys), *rows_of_the_set_up(department)]
    leaks = [
        f"{method} {name}: {status}"
        for name, address in asked
        for method in ("get", "post")
        if (status := ask(method, address, fields(keys))) not in NO_SUCH_THING
    ]

    assert not leaks


def test_what_was_asked_for_exists_for_the_department_s_own_people(client, ask, keys, department):
    client.force_login(UserFactory(groups=EVERY_ROLE))

    asked = [*addresses(keys), *rows_of_the_set_up(department)]
    found = {
        name
        for name, address in asked
        if {ask(method, address, fields(keys)) for method in ("get", "post")} - NO_SUCH_THING
    }

    assert {name for name, _ in asked} - found == set()
