from datetime import date, timedelta

import pytest

from inventory import ledger
from inventory.bundles import make_up
from inventory.models import BundlePiece
from restock.cases.case_log import Opened, log_case
from restock.stock_life.tracing import Rest, rests, trace
from tests.conftest import NOON
from tests.factories import (
    BinFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    LotFactory,
    StockingLineFactory,
)


@pytest.fixture
def case(room):
    return CaseFactory(room=room, date=NOON.date(), order=2, case_type=CaseTypeFactory(name="Hernia"))


@pytest.fixture
def lot(tube):
    return LotFactory(consumable=tube, number="24A0100", expires_on=date(2026, 9, 1))


@pytest.fixture
def brought(cart, storeroom, tube, technician):
    """`brought(lot, 3)`: ten received in the storeroom, three of them carried to drawer D2 of the cart."""
    StockingLineFactory(place=cart, consumable=tube, bin=BinFactory(place=cart, code="D2"))

    def brought(lot, pieces):
        told = {"consumable": tube, "lot": lot, "by": technician}
        ledger.receive(place=storeroom, quantity=10, at=NOON - timedelta(days=2), key=f"in-{lot}", **told)
        ledger.move(
            source=storeroom, destination=cart, quantity=pieces, at=NOON - timedelta(days=1), key=f"out-{lot}", **told
        )

    return brought


def test_lot_is_traced_from_the_door_to_the_case_and_the_bin_in_one_query(
    brought, lot, case, tube, cart, storeroom, clinician, django_assert_num_queries
):
    brought(lot, 3)
    log_case(case=case, lines=[Opened(tube, used=1, opened_unused=1)], by=clinician, at=NOON, key="log")

    with django_assert_num_queries(1):
        steps = trace(lot)
        left = rests(steps)

    assert [(s.kind, s.pieces, s.source, s.destination, s.destination_bin) for s in steps] == [
        ("receive", 10, "supplier", "Main storeroom", None),
        ("move", 3, "Main storeroom", "Cart 1", "D2"),
        ("use", 2, "Cart 1", "used", None),
    ]
    used = steps[-1]
    assert (used.case_day, used.room, used.case_order, used.case_type) == (case.date, "OR-1", 2, "Hernia")
    assert (used.opened_unused, used.source_bin, used.by) == (1, "D2", "clinician")
    line = "Tracheal tube, cuffed, 7.0 mm"
    assert left == [
        Rest(storeroom.pk, "Main storeroom", None, "24A0100", line, 7),
        Rest(cart.pk, "Cart 1", "D2", "24A0100", line, 1),
    ]


def test_second_lot_of_one_use_leads_to_the_case_as_well(brought, lot, case, tube, clinician):
    later = LotFactory(consumable=tube, number="24A0200", expires_on=date(2027, 9, 1))
    brought(lot, 1)
    brought(later, 2)
    log_case(case=case, lines=[Opened(tube, used=2)], by=clinician, at=NOON, key="log")

    (used,) = [step for step in trace(later) if step.kind == "use"]

    assert (used.pieces, used.case_id, used.case_order) == (1, case.pk, 2)


def test_pieces_in_a_bundle_are_followed_to_the_case_that_opened_it(
    brought, lot, case, tube, cart, clinician, technician, django_assert_num_queries
):
    bundle = ConsumableFactory(name="Airway bundle")
    BundlePiece.objects.create(bundle=bundle, piece=tube)
    StockingLineFactory(place=cart, consumable=bundle)
    brought(lot, 2)
    made = make_up(place=cart, bundle=bundle, bundles=2, by=technician, at=NOON - timedelta(hours=1), key="made")
    log_case(case=case, lines=[Opened(bundle, used=1)], by=clinician, at=NOON, key="log")

    with django_assert_num_queries(1):
        steps = trace(lot)

    (used,) = [step for step in steps if step.kind == "use"]
    assert (used.line, used.lot_number, used.case_id) == ("Airway bundle", made.lot.number, case.pk)
    assert [(one.line, one.place, one.pieces) for one in rests(steps) if one.place == "Cart 1"] == [
        ("Airway bundle", "Cart 1", 1)
    ]


def test_movement_taken_back_stands_no_more(brought, lot, tube, technician):
    brought(lot, 3)
    move = lot.movements.get(kind="move")
    ledger.reverse(movement=move, by=technician, at=NOON, key="back", reason="wrong cart")

    steps = trace(lot)

    assert [(step.kind, step.stands) for step in steps] == [("receive", True), ("move", False), ("reverse", False)]
    assert [(one.place, one.pieces) for one in rests(steps)] == [("Main storeroom", 10)]
