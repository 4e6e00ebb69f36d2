"""The refit: what is found by searching through the log, kept so that no plan has to search again.

Three things: how much each source counts for in each line; which consumables have a day effect, judged by evenings of
the past that are forecast as if they were still to come; and how completely each line is logged, by counts.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np
from django.db import transaction

from inventory.models import Department

from ..cases.setups import Line
from ..forecasting.day_effect import SIGMAS, fit_day_effect
from ..forecasting.usage import METHOD
from ..models import CaptureRate, DayEffect, Fit, Learning, LineWeights, policy_of
from .capturing import gone_between_counts
from .fits import NOTHING_FITTED, WEIGHT_FIELDS, Captured, Fitted
from .forecast import Board, Frame, kinds_of_case, read_frame
from .replay import Log, read_log, replay
from .room_days import RoomDays
from .tallies import bring_forward, read_tallies
from .usage import learn_usage

REMEMBERED_EVENINGS = 20
FEWEST_EVENINGS = 10  # with fewer no day effect is looked for
FEWEST_PIECES = 20  # of a consumable on those evenings: less cannot tell a day's doing from chance
FIRST_LOOK = np.array([0.0, 0.06, 0.13])  # only what is likelier at one of these than at 0 is looked at closely
REFIT_DAYS = 7


@dataclass(frozen=True)
class DayEffects:
    """sigma of each consumable that has a day effect, and the evenings that it was found on."""

    sigma: dict[int, float]
    days: tuple[date, ...]


def learn(
    *, department: Department, at: datetime, rebuild: bool = False, refit_now: bool = False
) -> tuple[Learning, Fit]:
    """Bring the tallies forward. Refit where asked to, or where the newest fit is a week old or by another method."""
    learning = bring_forward(department=department, at=at, rebuild=rebuild)
    newest = Fit.objects.filter(department=department, method=METHOD, fitted_at__gt=at - timedelta(days=REFIT_DAYS))
    fit = None if refit_now else newest.first()
    return learning, fit or refit(department=department, at=at)


def refit(*, department: Department, at: datetime, with_day_effects: bool = True) -> Fit:
    """Search anew, from the stored tallies, the log and the counts, and replace the department's fit.

    with_day_effects: False leaves the search for these, which takes longest, to the next refit.
    """
    today = department.local_date(at)
    frame = read_frame(department)
    captured = gone_between_counts(department, at=at)
    tallies = replace(read_tallies(department, today), fitted=Fitted(captured=captured))
    weights = learn_usage(frame.setups, tallies, ()).weights
    effects = DayEffects({}, ())
    if with_day_effects:
        effects = find_day_effects(department, frame, read_log(department, today), before=today + timedelta(days=1))
    return _keep(department, at, weights, effects, captured)


def find_day_effects(department: Department, frame: Frame, log: Log, *, before: date) -> DayEffects:
    """From the last days before `before` that had a list and a log, each forecast from what lay before it.

    The weights are chosen on the first of these evenings and kept for the others. They are too few to be worth a search
    on each.
    """
    days = sorted(day for day, cases in log.cases.items() if cases and log.booked.get(day) and day < before)
    days = tuple(days[-REMEMBERED_EVENINGS:])
    if len(days) < FEWEST_EVENINGS:
        return DayEffects({}, ())
    board = Board(frame)
    used = {day: _used_by_cases(frame, log, day) for day in days}
    pieces = [sum(use[room].get(pk, 0) for use in used.values() for room in use) for pk in board.consumables]
    columns = np.flatnonzero(np.array(pieces) >= FEWEST_PIECES)
    policy = policy_of(department)
    evenings = replay(department, frame, log, first=days[0], last=days[-1], half_life_days=policy.half_life_days)
    remembered, fitted = [], NOTHING_FITTED
    for evening in evenings:
        if evening.known.day in used:
            known, kinds = evening.known, kinds_of_case(evening.known)
            usage = learn_usage(frame.setups, replace(known.tallies, fitted=fitted), kinds)
            fitted = fitted if fitted.weights else Fitted(weights=usage.weights)
            pmfs = {kind: usage.consumable_pmfs(kind, board.consumables) for kind in kinds}
            remembered.append((known, pmfs))

    def probabilities(columns: np.ndarray, sigmas: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Of what was used on each remembered room-day, at each sigma: (S, R); and the column that each is of."""
        found, of_column = [], []
        for known, pmfs in remembered:
            room_days = RoomDays(known.slots, known.add_ons, known.cancellation, pmfs, columns)
            use = [used[known.day].get(room, {}) for room in room_days.rooms]
            observed = np.array([of_room.get(board.consumables[n], 0) for of_room in use for n in columns], dtype=int)
            found.append([room_days.probability(np.full(len(columns), sigma), observed) for sigma in sigmas])
            of_column.append(np.tile(np.arange(len(columns)), len(room_days.rooms)))
        return np.concatenate(found, axis=1), np.concatenate(of_column)

    sigma = np.zeros(len(columns))
    for sigmas in (FIRST_LOOK, SIGMAS):
        if columns.size:
            sigma = fit_day_effect(*probabilities(columns, sigmas), len(columns), sigmas)
            columns, sigma = columns[sigma > 0], sigma[sigma > 0]
    return DayEffects({board.consumables[n]: float(s) for n, s in zip(columns, sigma, strict=True)}, days)


def _used_by_cases(frame: Frame, log: Log, day: date) -> dict[int, dict[int, int]]:
    """Pieces of each consumable that the cases of each room used; not what goes by room and day."""
    used: dict[int, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for pk, case in log.cases[day].items():
        for consumable, pieces in log.used[pk].items():
            if not frame.setups.goes_by_room(case.case_type_id, consumable):
                used[case.room_id][consumable] += pieces
    return used


@transaction.atomic
def _keep(
    department: Department,
    at: datetime,
    weights: dict[tuple[bool, Line], tuple[float, ...]],
    effects: DayEffects,
    captured: dict[int, Captured],
) -> Fit:
    Fit.objects.filter(department=department).delete()
    learning = Learning.objects.get(department=department)
    fit = Fit.objects.create(
        department=department,
        method=METHOD,
        fitted_at=at,
        records=learning.records,
        evenings=len(effects.days),
        first_day=min(effects.days, default=None),
        last_day=max(effects.days, default=None),
    )
    LineWeights.objects.bulk_create(
        LineWeights(
            fit=fit,
            by_room=by_room,
            **{"size_run_id" if what == "run" else "consumable_id": pk},
            **dict(zip(WEIGHT_FIELDS, values, strict=True)),
        )
        for (by_room, (what, pk)), values in weights.items()
    )
    DayEffect.objects.bulk_create(
        DayEffect(fit=fit, consumable_id=pk, sigma=sigma) for pk, sigma in effects.sigma.items()
    )
    CaptureRate.objects.bulk_create(
        CaptureRate(
            fit=fit,
            consumable_id=pk,
            spans=found.spans,
            gone=max(found.gone, 0),
            logged=max(found.logged, 0),
            mean=found.rate.mean,
            low=found.rate.low,
            high=found.rate.high,
        )
        for pk, found in captured.items()
    )
    return fit
