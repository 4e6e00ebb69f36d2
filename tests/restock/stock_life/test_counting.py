"""From doubtful records to counted ones, and from counts to a forecast that knows what the log misses."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from inventory import ledger
from inventory.count_rounds import ToCount, finish_round, open_round, stage
from inventory.models import CountTask
from restock.cases.setups import Setups
from restock.forecasting import demand
from restock.learning.fitting import refit
from restock.learning.tallies import bring_forward, read_tallies
from restock.learning.usage import learn_usage
from restock.models import SetupStandard, UsageRecord
from restock.stock_life.count_report import count_report, result_of
from restock.stock_life.counting import (
    days_count,
    doubts,
    save_count,
    seconds_per_line,
    start_days_count,
    start_place_count,
    still_lines,
)
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    LotFactory,
    StockingLineFactory,
)

from ..pick_lists import make_line, make_pick, make_plan

FIRST_DAY = date(2026, 1, 5)
NOW = datetime(2026, 3, 4, 12, tzinfo=UTC)


@pytest.fixture
def stocked(cart, technician):
    """`stocked(pieces, days_ago=1)`: a line of the cart with so many pieces, received and counted so long ago."""

    def stock(pieces, *, days_ago=1, place=cart, **line):
        consumable = ConsumableFactory(**line)
        StockingLineFactory(place=place, consumable=consumable, par=10)
        at = NOW - timedelta(days=days_ago)
        ledger.count(
            place=place, consumable=consumable, counted=pieces, by=technician, at=at, key=f"open {consumable.pk}"
        )
        return consumable

    return stock


def ranked(department):
    found = doubts(department, at=NOW)
    return [one.line.consumable for one in found.read(np.argsort(-found.ranking.score, kind="stable"))]


def test_lines_are_ranked_by_doubt_and_what_a_wrong_record_costs(department, cart, stocked, technician):
    fresh, old, vital = stocked(5), stocked(5, days_ago=50), stocked(5, days_ago=50, criticality="never_out")
    busy, impossible = stocked(90, days_ago=50), stocked(1)
    for consumable, pieces in ((busy, 80), (impossible, 2)):
        at = NOW - timedelta(hours=2)
        ledger.use(place=cart, consumable=consumable, quantity=pieces, by=technician, at=at, key=f"use {consumable.pk}")

    assert ranked(department) == [impossible, busy, vital, old, fresh]


def test_a_line_whose_counts_were_off_before_is_doubted_more_than_one_whose_counts_agreed(
    department, stocked, cart, technician
):
    right, wrong = stocked(50, days_ago=20), stocked(50, days_ago=20)
    for consumable, off in ((right, 0), (wrong, 8)):
        at = NOW - timedelta(days=10)
        key = f"use {consumable.pk}"
        ledger.use(place=cart, consumable=consumable, quantity=20, by=technician, at=at, key=key)
        at = NOW - timedelta(days=5)
        key = f"count {consumable.pk}"
        ledger.count(place=cart, consumable=consumable, counted=30 - off, by=technician, at=at, key=key)

    assert ranked(department) == [wrong, right]


def test_only_lines_that_neither_moved_nor_were_counted_for_sixty_days_stand_still(cart, stocked, technician):
    stocked(5, days_ago=59)
    still, moved, none_there = stocked(5, days_ago=61), stocked(5, days_ago=61), stocked(0, days_ago=61)
    at = NOW - timedelta(days=3)
    ledger.use(place=cart, consumable=moved, quantity=1, by=technician, at=at, key="use")

    assert still_lines(cart, at=NOW) == {still.pk}
    assert none_there.pk not in still_lines(cart, at=NOW)


def test_a_line_takes_as_long_as_people_took_between_two_counts(department, stocked, technician):
    lines = [stocked(5) for _ in range(25)]
    assert seconds_per_line(department) is None
    assert not days_count(department, at=NOW).is_learned

    round = start_days_count(department=department, by=technician, at=NOW)
    tasks = list(round.tasks.select_related("round__department", "place", "consumable"))
    for line in lines[len(tasks) :]:
        CountTask.objects.create(round=round, place=tasks[0].place, consumable=line, position=99, why="asked")
    at = NOW
    for number, task in enumerate(round.tasks.select_related("round__department", "place", "consumable")):
        at += timedelta(minutes=40 if number == 12 else 0, seconds=20)  # one break
        save_count(task=task, counted=5, seen="open", by=technician, at=at)

    assert seconds_per_line(department) == 20
    assert days_count(department, at=NOW + timedelta(days=9)).is_learned


def test_pieces_on_a_trolley_for_tomorrow_are_not_missed_in_the_drawer(department, cart, storeroom, tube, technician):
    """Five in the drawer; four were taken from the shelf for it and still travel."""
    StockingLineFactory(place=cart, consumable=tube, par=10)
    ledger.receive(place=storeroom, consumable=tube, quantity=9, by=technician, at=NOW - timedelta(days=1), key="in")
    ledger.count(place=cart, consumable=tube, counted=5, by=technician, at=NOW - timedelta(days=1), key="open")
    plan = make_plan(department, made_at=NOW, for_date=date(2026, 3, 5), by=technician)
    pick = make_pick(make_line(plan, cart, tube), storeroom, quantity=4)
    moved = ledger.move(
        source=storeroom, destination=cart, consumable=tube, quantity=4, by=technician, at=NOW, key="pick"
    )
    pick.picked, pick.confirmed_at, pick.confirmed_by, pick.movement = 4, NOW, technician, moved
    pick.save()
    round = start_place_count(department=department, place=cart, by=technician, at=NOW)

    task = save_count(task=round.tasks.get(), counted=5, seen="open", by=technician, at=NOW + timedelta(minutes=1))

    assert (task.expected, task.count.counted - task.count.expected, cart.on_hand(tube)) == (5, 0, 9)


def test_the_report_adds_up_by_line_and_place(department, cart, stocked, technician):
    other = CartFactory(code="CART-2", name="Cart 2")
    tube = stocked(10, price_per_piece=2)
    StockingLineFactory(place=other, consumable=tube, par=10)
    ledger.count(place=other, consumable=tube, counted=6, by=technician, at=NOW - timedelta(days=1), key="other")
    lines = [ToCount(cart.pk, tube.pk, "age"), ToCount(other.pk, tube.pk, "age")]
    round = open_round(department=department, lines=lines, for_date=NOW.date(), by=technician, at=NOW)
    for task, counted in zip(
        round.tasks.select_related("round__department", "place", "consumable"), (8, 7), strict=True
    ):
        save_count(task=task, counted=counted, seen="open", by=technician, at=NOW)

    report = count_report(department, at=NOW)

    [line] = report.lines
    assert (report.counts, report.agreed, line.fewer, line.more, line.value) == (2, 0, 2, 1, 2)
    assert [(one.what.name, one.off) for one in report.places] == [("Cart 1", 2), ("Cart 2", 1)]
    assert report.causes == ((None, 2, 3),)


def test_the_report_does_not_take_a_line_for_agreed_whose_lots_differ(department, storeroom, stocked, technician):
    tube = stocked(0, place=storeroom)
    lots = [LotFactory(consumable=tube, number=number) for number in ("L1", "L2")]
    for lot in lots:
        ledger.receive(place=storeroom, consumable=tube, lot=lot, quantity=55, by=technician, at=NOW, key=lot.number)
    round = open_round(
        department=department, lines=[ToCount(storeroom.pk, tube.pk, "age")], for_date=NOW.date(), by=technician, at=NOW
    )
    task = round.tasks.select_related("round__department", "place", "consumable").get()
    save_count(task=task, counted={lots[0].pk: 53, lots[1].pk: 57}, seen="open", by=technician, at=NOW)

    report = count_report(department, at=NOW)

    [line] = report.lines
    assert len(result_of(round).differ) == 1
    assert (report.counts, report.agreed, line.fewer, line.more) == (1, 0, 2, 2)
    assert report.causes == ((None, 1, 4),)


def test_counts_through_rounds_find_that_three_of_ten_pieces_are_not_logged_and_the_forecast_rises(
    department, cart, storeroom, room, tube, technician
):
    """Invented: 40 days of six cases that use two to four each; every piece is logged with probability 0.7."""
    rng = np.random.default_rng(7)
    StockingLineFactory(place=cart, consumable=tube, par=60)
    case_type = CaseTypeFactory()
    SetupStandard.objects.create(case_type=case_type, consumable=tube, quantity=3)
    opening = datetime(2026, 1, 5, 5, tzinfo=UTC)
    ledger.receive(place=storeroom, consumable=tube, quantity=5000, by=technician, at=opening, key="in")
    lying = 60

    def restock_and_count(day, at, *, do_count):
        nonlocal lying
        if lying < 60:
            ledger.move(
                source=storeroom, destination=cart, consumable=tube, quantity=60 - lying, by=technician, at=at,
                key=f"fill {day}",
            )  # fmt: skip
            lying = 60
        if do_count:
            round = start_place_count(department=department, place=cart, by=technician, at=at)
            task = round.tasks.select_related("round__department", "place", "consumable").get()
            task = save_count(task=task, counted=lying, seen="open", by=technician, at=at + timedelta(minutes=1))
            if stage(task) == "again":
                again = round.tasks.select_related("round__department", "place", "consumable").get()
                save_count(task=again, counted=lying, seen="again", by=technician, at=at + timedelta(minutes=2))
            finish_round(round=round, at=at + timedelta(minutes=3))

    restock_and_count("opening", opening, do_count=True)
    truly_used = 0
    for n in range(40):
        day = FIRST_DAY + timedelta(days=n)
        for order in range(1, 7):
            used = int(rng.integers(2, 5))
            logged = int(rng.binomial(used, 0.7))
            at = datetime(day.year, day.month, day.day, 7 + order, tzinfo=UTC)
            case = CaseFactory(date=day, room=room, order=order, case_type=case_type, status="done", logged_at=at)
            if logged:
                moved = ledger.use(
                    place=cart, consumable=tube, quantity=logged, by=technician, at=at, key=f"use {day} {order}"
                )
                UsageRecord.objects.create(
                    department=department, case=case, consumable=tube, used=logged, movement=moved
                )
            lying -= used
            truly_used += used
        evening = datetime(day.year, day.month, day.day, 19, tzinfo=UTC)
        restock_and_count(day, evening, do_count=n % 5 == 4)

    at = datetime(2026, 2, 14, 6, tzinfo=UTC)
    bring_forward(department=department, at=at)
    fit = refit(department=department, at=at)

    rate = fit.capture_rates.get()
    assert (rate.spans, rate.gone) == (8, truly_used)
    assert rate.low < 0.7 < rate.high
    assert rate.high - rate.low < 0.1
    setups, tallies = Setups(department), read_tallies(department, at.date())
    means = []
    for fitted in (replace(tallies.fitted, captured={}), tallies.fitted):
        usage = learn_usage(setups, replace(tallies, fitted=fitted), [])
        [slot] = tallies.slots.values()
        means.append(float(demand.mean(usage.consumable_pmfs(slot, [tube.pk]))[0]))
    assert means[0] == pytest.approx(3 * 0.7, abs=0.2)
    assert means[1] == pytest.approx(3, abs=0.25)
