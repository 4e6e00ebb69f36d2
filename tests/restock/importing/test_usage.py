from datetime import UTC, date, datetime, time

import pytest

from inventory import ledger
from inventory.importing.problems import SheetRefused
from inventory.models import Movement
from restock.models import Case, UsageRecord
from restock.schedule.privacy import booking_hash
from tests.factories import CaseFactory, ConsumableFactory, LotFactory, StockingLineFactory

WEDNESDAY = date(2026, 3, 4)
THURSDAY_NOON = datetime(2026, 3, 5, 12, tzinfo=UTC)
SHEET = """date,room,order,booking,code,used,opened_unused
2026-03-04,OR-1,1,,ETT-7.0,1,1
2026-03-04,OR-1,,,ETT-7.0,2,
,,,B-77,ETT-7.0,3,
"""


@pytest.fixture
def cases(department, cart, room, tube):
    """Two slots of Wednesday in the cart's room, the second with a booking; the cart keeps tubes."""
    StockingLineFactory(place=cart, consumable=tube, par=5)
    first = CaseFactory(date=WEDNESDAY, room=room, order=1, starts_at=time(9))
    second = CaseFactory(date=WEDNESDAY, room=room, order=2, booking_hash=booking_hash(department, "b-77"))
    return first, second


@pytest.fixture
def counted(cases, cart, tube, technician):
    """Ten tubes counted on the cart on Wednesday at six in the morning."""
    at = datetime(2026, 3, 4, 6, tzinfo=UTC)
    ledger.count(place=cart, consumable=tube, counted=10, by=technician, at=at, key="counted")


def recorded():
    return sorted(
        (case_id is not None, used, unused)
        for case_id, used, unused in UsageRecord.objects.values_list("case_id", "used", "opened_unused")
    )


def test_use_is_recorded_for_its_case_and_taken_from_the_cart(load, cases, counted, cart, tube):
    load("usage", SHEET, at=THURSDAY_NOON)

    assert recorded() == [(False, 2, 0), (True, 1, 1), (True, 3, 0)]
    assert cart.on_hand(tube) == 10 - 2 - 2 - 3
    assert UsageRecord.objects.get(case=cases[0]).movement.at == datetime(2026, 3, 4, 9, tzinfo=UTC)
    assert set(Case.objects.values_list("status", "logged_at")) == {("done", THURSDAY_NOON)}


def test_same_usage_again_changes_nothing(load, counted, cart, tube):
    load("usage", SHEET, at=THURSDAY_NOON)

    assert not load("usage", SHEET, at=THURSDAY_NOON).changed
    assert cart.on_hand(tube) == 3


def test_use_from_before_the_last_count_moves_no_stock(load, counted, cart, tube, technician):
    evening = datetime(2026, 3, 4, 19, tzinfo=UTC)
    ledger.count(place=cart, consumable=tube, counted=4, by=technician, at=evening, key="evening")

    outcome = load("usage", SHEET, at=THURSDAY_NOON)

    assert cart.on_hand(tube) == 4
    assert len(recorded()) == 3
    assert "older than the last count of the line or of a line never counted there: 3 uses of 3." in outcome.notes[0]


def test_use_takes_the_lot_that_expires_first(load, cases, cart, tube, technician):
    early = LotFactory(consumable=tube, expires_on=date(2026, 5, 1))
    late = LotFactory(consumable=tube, expires_on=date(2027, 5, 1))
    at = datetime(2026, 3, 4, 6, tzinfo=UTC)
    for lot in (late, early):
        ledger.receive(place=cart, consumable=tube, quantity=4, lot=lot, by=technician, at=at, key=lot.number)

    load("usage", SHEET, at=THURSDAY_NOON)

    assert dict(cart.holdings.filter(lot__isnull=False).values_list("lot__number", "quantity")) == {
        early.number: 0,
        late.number: 1,
    }
    assert ledger.differences() == []


@pytest.mark.parametrize(("used", "unused"), [(4, 0), (1, 0), (0, 0), (0, 2)])
def test_changed_figure_becomes_a_correction_in_records_and_ledger(load, cases, counted, cart, tube, used, unused):
    load("usage", SHEET, at=THURSDAY_NOON)

    load(
        "usage",
        f"date,room,order,code,used,opened_unused\n2026-03-04,OR-1,1,ETT-7.0,{used},{unused}\n",
        at=THURSDAY_NOON,
    )

    records = UsageRecord.objects.filter(case=cases[0]).values_list("used", "opened_unused")
    assert (sum(r[0] for r in records), sum(r[1] for r in records)) == (used, unused)
    assert cart.on_hand(tube) == 10 - used - unused - 2 - 3
    assert ledger.differences() == []


def test_figure_changed_and_changed_back_ends_where_it_began(load, counted, cart, tube):
    other = SHEET.replace("ETT-7.0,1,1", "ETT-7.0,5,0")
    for sheet in (SHEET, other, SHEET, other, SHEET):
        load("usage", sheet, at=THURSDAY_NOON)

    assert cart.on_hand(tube) == 3
    assert ledger.differences() == []


def test_corrections_of_many_lines_lock_them_in_the_order_of_the_ledger(load, counted, cart, tube, technician):
    later = ConsumableFactory(code="LATER")
    StockingLineFactory(place=cart, consumable=later)
    at = datetime(2026, 3, 4, 6, tzinfo=UTC)
    ledger.count(place=cart, consumable=later, counted=5, by=technician, at=at, key="later")
    sheet = "date,room,order,code,used\n2026-03-04,OR-1,1,LATER,{0}\n2026-03-04,OR-1,1,ETT-7.0,{0}\n"
    for used in (1, 2):
        load("usage", sheet.format(used), at=THURSDAY_NOON)

    reversed_lines = Movement.objects.filter(kind="reverse").order_by("pk").values_list("consumable", flat=True)
    assert list(reversed_lines) == [tube.pk, later.pk]


def test_correction_of_history_moves_no_stock(load, cases, cart, tube):
    load("usage", SHEET, at=THURSDAY_NOON)

    load("usage", SHEET.replace("ETT-7.0,1,1", "ETT-7.0,1,0"), at=THURSDAY_NOON)

    assert (True, 0, -1) in recorded()
    assert not Movement.objects.exists()


def test_case_on_no_list_is_refused_and_can_be_kept_for_the_room(load, counted, cart, tube):
    sheet = "date,room,order,code,used\n2026-03-04,OR-1,7,ETT-7.0,1\n2026-03-04,OR-1,8,ETT-7.0,1\n"
    with pytest.raises(SheetRefused) as refused:
        load("usage", sheet, at=THURSDAY_NOON)
    assert "row 2, column “order”: found “7”" in str(refused.value)
    assert "row 3, column “order”: found “8”" in str(refused.value)
    assert "--keep-unmatched" in str(refused.value)

    outcome = load("usage", sheet, at=THURSDAY_NOON, keep_unmatched=True)

    assert recorded() == [(False, 2, 0)]
    assert cart.on_hand(tube) == 8
    assert outcome.notes[0] == "Of no case on a list, so kept as use of their room and day: 2 rows."


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("OR-1,1,,ETT-7.5", "found “ETT-7.5”"),
        ("OR-1,1,,Quistgaard", "found a value that is not shown"),
        ("OR-1,1,,JQ1958", "found a value that is not shown"),
        ("OR-1,7,,ETT-7.0", "column “order”: found “7”"),
        ("OR-1,67,,ETT-7.0", "column “order”: found a value that is not shown"),
        ("OR-1,7,BK-1,ETT-7.0", "column “booking”: found a value that is not shown"),
    ],
)
def test_plain_code_or_order_is_shown_and_nothing_that_may_be_personal(load, counted, row, message):
    with pytest.raises(SheetRefused, match=message):
        load("usage", f"date,room,order,booking,code,used\n2026-03-04,{row},1\n", at=THURSDAY_NOON)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("2026-03-04,OR-1,1,ETT-70,1,", "column “code”"),
        ("2026-03-04,OR-9,1,ETT-7.0,1,", "column “room”"),
        ("2026-03-04,OR-1,1,ETT-7.0,-1,", "column “used”"),
        ("2026-03-04,OR-1,1,ETT-7.0,0.5,", "expected a whole number from 0"),
        ("2026-03-06,OR-1,1,ETT-7.0,1,", "expected a day that has come"),
        ("2026-02-30,OR-1,1,ETT-7.0,1,", "expected a day that exists in the calendar"),
        (",OR-1,1,ETT-7.0,1,", "expected a date and a room, with the order of the case, or a booking"),
        ("2026-03-04,OR-1,1,ETT-7.0,1,\n2026-03-04,OR-1,1,ETT-7.0,1,", "row 3, column “code”"),
    ],
)
def test_fault_in_the_usage_is_named_and_nothing_is_written(load, counted, row, message):
    with pytest.raises(SheetRefused) as refused:
        load("usage", f"date,room,order,code,used,opened_unused\n{row}\n", at=THURSDAY_NOON)

    assert message in str(refused.value)
    assert not UsageRecord.objects.exists()
    assert not Case.objects.filter(logged_at__isnull=False).exists()
