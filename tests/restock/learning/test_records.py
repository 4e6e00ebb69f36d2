"""The sums by which lines are ranked for counting are those of the whole ledger, however they were brought forward."""

from dataclasses import astuple
from datetime import UTC, datetime, timedelta

import pytest

from inventory import ledger
from restock.learning.records import RATE_DAYS, bring_records_forward, read_line_records
from restock.models import RecordTallies, RecordTally
from tests.factories import ConsumableFactory

NOW = datetime(2026, 3, 4, 12, tzinfo=UTC)


@pytest.fixture
def quarter(cart, storeroom, tube, technician):
    """`quarter(first, last)`: some days of deliveries, moves, uses and counts of two lines, by days before NOW."""
    other = ConsumableFactory()

    def play(first, last):
        for days in range(first, last - 1, -1):
            at = NOW - timedelta(days=days, hours=1)
            for consumable in (tube, other):
                key = f"{consumable.pk} {days}"
                about = {"consumable": consumable, "by": technician, "at": at}
                ledger.receive(place=storeroom, quantity=5, key=f"in {key}", **about)
                ledger.move(source=storeroom, destination=cart, quantity=3, key=f"move {key}", **about)
                ledger.use(place=cart, quantity=1 + days % 3, key=f"use {key}", **about)
                if days % 4 == 0:
                    ledger.count(place=cart, counted=days % 7, key=f"count {key}", **about)

    return play


def sums(department, at=NOW):
    return {key: astuple(line) for key, line in read_line_records(department, at=at).lines.items()}


def same(some, others):
    return some.keys() == others.keys() and all(some[key] == pytest.approx(others[key], abs=1e-9) for key in some)


def test_stored_sums_and_what_came_since_are_the_sums_of_the_whole_ledger(department, quarter):
    quarter(40, 21)
    bring_records_forward(department=department, at=NOW - timedelta(days=21))
    quarter(20, 9)
    bring_records_forward(department=department, at=NOW - timedelta(days=9))
    quarter(8, 0)
    brought = sums(department)
    RecordTallies.objects.all().delete()

    assert len(brought) == 4
    assert same(brought, sums(department))


def test_what_is_stored_is_not_read_from_the_ledger_again(department, quarter, django_assert_num_queries):
    quarter(12, 0)
    bring_records_forward(department=department, at=NOW)
    RecordTally.objects.update(moved=77.0)

    with django_assert_num_queries(5):
        read = sums(department)

    assert {moved for moved, *_ in read.values()} == {77.0}


def test_a_movement_that_turns_up_behind_the_last_one_read_is_not_missed(department, quarter):
    quarter(12, 0)
    tallies = bring_records_forward(department=department, at=NOW)
    RecordTallies.objects.filter(pk=tallies.pk).update(movements=tallies.movements - 1)
    RecordTally.objects.update(moved=0)

    bring_records_forward(department=department, at=NOW)

    brought = sums(department)
    RecordTallies.objects.all().delete()
    assert same(brought, sums(department))


def test_a_line_that_moves_steadily_moves_as_much_as_the_last_days_show(department, cart, storeroom, tube, technician):
    """Two pieces a day for longer than anything counts: 2 a day, to what falls between noon and noon."""
    for days in range(300):
        ledger.receive(
            place=storeroom, consumable=tube, quantity=2, by=technician, at=NOW - timedelta(days=days), key=f"{days}"
        )

    line = read_line_records(department, at=NOW + timedelta(hours=12)).lines[storeroom.pk, tube.pk]

    assert line.moved_per_day == pytest.approx(2, rel=0.001)
    assert line.moved == pytest.approx(2 * RATE_DAYS, rel=0.001)
