"""Judging the forecast on the department's own past."""

import csv
import random
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.core.management import call_command

from inventory.models import Basis
from restock.backtesting.accuracy import judge
from restock.backtesting.backtest import FORECAST, PAR, backtest
from restock.backtesting.gate import calibrations, keep
from restock.backtesting.judging import findings, levels_of, tenths_of
from restock.learning.forecast import read_frame
from restock.learning.replay import read_log, replay
from restock.learning.tallies import bring_forward, read_tallies
from restock.learning.widening import planned_levels
from restock.models import Calibration, Judgement, Policy, UsageRecord
from restock.plans.planning import draft_plan
from tests.factories import (
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    SizeRunFactory,
    StockingLineFactory,
)

FIRST = date(2026, 1, 5)
DAYS = 24


@pytest.fixture
def past(department, cart, room):
    """Twenty-four days of two to four cases each, two case types, lines of every sort on one cart."""
    rng = random.Random(3)
    run = SizeRunFactory()
    sizes = [ConsumableFactory(size_run=run, size_position=n, category="tubes") for n in range(2)]
    syringe = ConsumableFactory(category="syringes")
    tape = ConsumableFactory(category="tape", basis=Basis.PER_ROOM_DAY)
    for line in [*sizes, syringe, tape]:
        StockingLineFactory(place=cart, consumable=line, par=4)
    types = [CaseTypeFactory(), CaseTypeFactory()]
    for n in range(DAYS):
        day = FIRST + timedelta(days=n)
        for order in range(1, rng.randint(3, 5)):
            case_type = rng.choice(types)
            case = CaseFactory(
                date=day, room=room, order=order, case_type=case_type, status="done", logged_at=night(day)
            )
            used = {rng.choice(sizes): 1, syringe: rng.choice([2, 2, 3]) + types.index(case_type)}
            if order == 1:
                used[tape] = 1
            for consumable, pieces in used.items():
                UsageRecord.objects.create(department=department, case=case, consumable=consumable, used=pieces)
    return department


def night(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 20, tzinfo=UTC)


def evenings(department, first, last):
    policy, _ = Policy.objects.get_or_create(department=department)
    frame, log = read_frame(department), read_log(department, last)
    return list(replay(department, frame, log, first=first, last=last, half_life_days=policy.half_life_days))


def test_a_replayed_evening_knows_what_the_tallies_held_on_that_night(past):
    last = FIRST + timedelta(days=DAYS - 1)
    bring_forward(department=past, at=night(last))
    stored = read_tallies(past, last + timedelta(days=1))
    CaseFactory(date=last + timedelta(days=1), room=past.rooms.get(), case_type=past.case_types.first())

    [evening] = evenings(past, last + timedelta(days=1), last + timedelta(days=1))

    def flat(tallies):
        of = {stratum: (slot, tallies.rooms.get(stratum)) for stratum, slot in tallies.slots.items()}
        of |= {stratum: (None, room) for stratum, room in tallies.rooms.items()}
        quantities = {
            (line, of[stratum], pieces): weight
            for line, rows in tallies.quantities.items()
            for stratum, pieces, weight in rows
        }
        return {of[stratum]: n for stratum, n in tallies.cases.items()} | quantities | tallies.splits

    assert flat(evening.known.tallies) == pytest.approx(flat(stored))


def test_what_comes_later_does_not_change_an_earlier_evening(past):
    day = FIRST + timedelta(days=15)
    [before] = evenings(past, day, day)
    case = past.cases.filter(date__gt=day).first()
    UsageRecord.objects.create(department=past, case=case, consumable=past.consumables.first(), used=20)

    [after] = evenings(past, day, day)

    assert after.known == before.known


def test_an_evenings_list_holds_cancelled_bookings_and_no_added_case(past):
    day = FIRST + timedelta(days=15)
    first, second, *rest = past.cases.filter(date=day).order_by("order")
    past.cases.filter(pk=first.pk).update(status="cancelled", logged_at=None)
    past.cases.filter(pk=second.pk).update(status="added", added_on_the_day=True)

    [evening] = evenings(past, day, day)

    assert len(evening.known.slots) == 1 + len(rest)


def test_what_was_used_is_read_at_the_cart_it_came_from(past):
    day = FIRST + timedelta(days=10)
    records = UsageRecord.objects.filter(case__date=day)

    judged = backtest(past, first=day, last=day)

    [evening] = judged.evenings
    assert evening.actual.sum() == sum(record.used for record in records)
    assert evening.short.tolist() == (evening.actual > 4).tolist()


def test_a_backtest_scores_forecast_and_rules_on_the_same_rows(past):
    judged = backtest(past, first=FIRST + timedelta(days=12), last=FIRST + timedelta(days=DAYS - 1))

    everything, *kinds = judged.calibration(np.random.default_rng(1))
    ratios = judged.against(np.random.default_rng(1))

    assert everything.rows == 12 * 4 == sum(kind.rows for kind in kinds)
    assert {kind.kind for kind in kinds} == {"tubes", "syringes", "tape"}
    assert ratios[PAR].keys() == {"pinball 0.9", "pinball 0.95", "pinball 0.99"}
    assert FORECAST not in ratios


def test_a_kind_that_runs_short_too_often_fails_its_gate_and_is_widened(past, cart, room):
    """The log of the last days is made to use far more syringes than any day before could foretell."""
    surge = FIRST + timedelta(days=DAYS - 8)
    syringe = past.consumables.get(category="syringes")
    for case in past.cases.filter(date__gte=surge):
        UsageRecord.objects.create(department=past, case=case, consumable=syringe, used=6)
    judged = backtest(past, first=surge, last=FIRST + timedelta(days=DAYS - 1))

    keep(past, calibrations(past, judged, at=night(FIRST), rng=np.random.default_rng(1)))

    assert not Calibration.objects.get(kind="syringes").passed
    assert Calibration.objects.get(kind="tape").passed
    level, untouched = planned_levels(past, ["syringes", "tape"], np.array([0.95, 0.95]))
    assert level > 0.95
    assert untouched == 0.95
    draft = draft_plan(past, FIRST + timedelta(days=DAYS), policy=past.policy)
    of = {line.consumable.category: wide for line, wide in zip(draft.forecast.frame.lines, draft.widened, strict=True)}
    assert (of["syringes"], of["tape"]) == (True, False)


def test_the_command_prints_the_judgement_and_writes_a_row_for_each_line_and_day(past, tmp_path, capsys):
    path = tmp_path / "rows.csv"
    first, last = FIRST + timedelta(days=18), FIRST + timedelta(days=20)

    call_command("backtest", "--from", str(first), "--to", str(last), "--csv", str(path))

    rows = list(csv.DictReader(path.read_text().splitlines()))
    assert len(rows) == 3 * 4
    assert list(rows[0])[:8] == ["date", "place", "code", "actual", "q50", "q90", "q95", "q99"]
    for row in rows:
        assert float(row["pit_low"]) <= float(row["pit_high"])
        assert int(row["q50"]) <= int(row["q90"]) <= int(row["q95"]) <= int(row["q99"])
    assert "past cases resampled" in capsys.readouterr().out
    judgement = Judgement.objects.get(department=past)
    assert (judgement.evenings, judgement.lines) == (3, 4)
    actual, q95 = (np.array([int(row[name]) for row in rows]) for name in ("actual", "q95"))
    assert [seen.level for seen in levels_of(judgement)] == [0.9, 0.95, 0.99]
    assert levels_of(judgement)[1].covered == pytest.approx((actual <= q95).mean(), abs=1e-5)
    assert judgement.rules.get(rule="past cases resampled", score="CRPS").ratio > 0


@pytest.mark.django_db(transaction=True)
def test_others_can_write_while_the_forecast_is_judged(past, leaves_others_free):
    for arithmetic in ("by_day", "pit_share_below", "calibration_error"):
        leaves_others_free(f"restock.forecasting.scoring.{arithmetic}")
    leaves_others_free("restock.backtesting.judging.drifting")
    days = {"first": FIRST + timedelta(days=20), "last": FIRST + timedelta(days=21)}

    found = judge(past, **days, at=night(FIRST))

    assert Judgement.objects.get(department=past).rules.exists()
    assert Calibration.objects.filter(department=past).count() == len(found.calibrations) == 3


def test_tenths_of_the_judgement_are_the_mean_of_those_of_its_kinds(past):
    """Each row counts once, so the whole is the mean of the kinds, weighted by their rows (no source needed)."""
    judged = backtest(past, first=FIRST + timedelta(days=12), last=FIRST + timedelta(days=DAYS - 1))
    rng = np.random.default_rng(1)
    kinds = calibrations(past, judged, at=night(FIRST), rng=rng)

    tenths = tenths_of(findings(past, judged, at=night(FIRST), against={}, rng=rng).judgement)

    assert sum(tenth.share for tenth in tenths) == pytest.approx(1.0, abs=1e-4)
    steps = np.average([[0.0, *kind.pit] for kind in kinds], axis=0, weights=[kind.rows for kind in kinds])[::20]
    assert [tenth.share for tenth in tenths] == pytest.approx(np.diff(steps), abs=1e-4)
    assert all(tenth.low <= tenth.share <= tenth.high for tenth in tenths)
