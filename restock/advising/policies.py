"""Ways of setting the evening's target, run side by side over the department's own past days.

Every evening's forecast knows only what lay before it: it is learned anew at the start of each week of the comparison,
from the log up to then. The advised par rests on the operating days before the comparison begins. Every policy is
filled up to its target every evening, whatever the storerooms held at the time, and starts at its first target. No kind
of line is widened (restock.learning.widening): that would know how these very days went.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np

from inventory.models import Department
from restock.forecasting.levels import PolicyRun, par_advice, run_policy
from restock.learning.forecast import Frame, kinds_of_case, read_frame
from restock.learning.replay import Evening, Log, read_log, replay
from restock.models import Policy

from .past import (
    DAYS,
    average_demand,
    believe,
    capacities_of,
    least_pars,
    lists_as_known,
    operating_days,
    pars_of,
    policy_of,
    service_levels,
    tomorrow_target,
)

LEARNED_EVERY = 7  # operating days for which one night's learning is used
PAR = "par as it is"
ADVISED_PAR = "advised par"
TOMORROW_ONLY = "tomorrow's need only"
GREATER_OF_BOTH = "the greater of par and tomorrow's need"


@dataclass(frozen=True)
class PolicyFigures:
    """What one policy would have done over the days compared. Pieces are summed over all cart lines.

    on_carts: pieces on carts of an evening after the round, on average. line_days_short: line and day pairs that ran
    short, of `line_days`. pieces_short: pieces missing over all days. carried, taken_back: pieces per evening.
    """

    name: str
    takes_back: bool
    on_carts: float
    line_days_short: int
    line_days: int
    pieces_short: int
    carried: float
    taken_back: float


@dataclass(frozen=True)
class PolicyComparison:
    """days: those compared. advised_from: those that the advised par rests on, all before the first of `days`."""

    days: tuple[date, ...]
    advised_from: tuple[date, ...]
    figures: tuple[PolicyFigures, ...]


def compare_policies(
    department: Department, *, today: date, days: int = DAYS, progress: Callable[[date], None] = lambda day: None
) -> PolicyComparison:
    """Compare on the last `days` operating days before `today`.

    Without operating days before those, there is no advised par to compare. Raises ValueError where there is no
    operating day at all.
    """
    policy, frame = policy_of(department), read_frame(department)
    log = read_log(department, today)
    compared = operating_days(log, before=today, days=days)
    if not compared:
        raise ValueError("No day before today has both a list and a logged case.")
    evenings = [
        evening
        for evening in replay(
            department, frame, log, first=compared[0], last=compared[-1], half_life_days=policy.half_life_days
        )
        if evening.known.day in set(compared)
    ]
    before = operating_days(log, before=compared[0], days=days)
    targets = _tomorrow_targets(frame, evenings, policy, progress)
    targets |= {PAR: pars_of(frame.lines)}
    if before:
        targets |= {ADVISED_PAR: _advised(department, frame, log, before, evenings[0], policy)}
    used = np.array([evening.used for evening in evenings])
    figures = []
    for name in (PAR, ADVISED_PAR, TOMORROW_ONLY, GREATER_OF_BOTH):
        if name in targets:
            figures.append(_figures(name, False, run_policy(targets[name], used)))
            if targets[name].ndim == 2:  # a fixed target is never exceeded, so there is nothing to take back
                figures.append(_figures(name, True, run_policy(targets[name], used, take_back_above=targets[name])))
    return PolicyComparison(tuple(compared), tuple(before), tuple(figures))


def _tomorrow_targets(frame: Frame, evenings: list[Evening], policy: Policy, progress) -> dict[str, np.ndarray]:
    """Targets (T, L) of the policies that know the evening's list."""
    alone, with_par = [], []
    for start in range(0, len(evenings), LEARNED_EVERY):
        week = evenings[start : start + LEARNED_EVERY]
        kinds = list(dict.fromkeys(kind for evening in week for kind in kinds_of_case(evening.known)))
        beliefs = believe(frame, week[0].known.tallies, kinds)
        for evening in week:
            pmf = beliefs.demand(evening.known)
            alone.append(tomorrow_target(pmf, frame.lines, policy, with_par=False))
            with_par.append(tomorrow_target(pmf, frame.lines, policy, with_par=True))
            progress(evening.known.day)
    return {TOMORROW_ONLY: np.array(alone), GREATER_OF_BOTH: np.array(with_par)}


def _advised(department: Department, frame: Frame, log: Log, before: list[date], first: Evening, policy: Policy):
    lists = lists_as_known(department, log, before, tallies=first.known.tallies, on=first.known.day)
    average = average_demand(frame, lists)
    return par_advice(
        average[None],
        service_levels(frame.lines, policy),
        floor=least_pars(frame.lines),
        capacity=capacities_of(frame.lines),
    ).pieces


def _figures(name: str, takes_back: bool, run: PolicyRun) -> PolicyFigures:
    evenings = len(run.evening)
    return PolicyFigures(
        name=name,
        takes_back=takes_back,
        on_carts=float(run.evening.sum() / evenings),
        line_days_short=int((run.short > 0).sum()),
        line_days=run.short.size,
        pieces_short=int(run.short.sum()),
        carried=float(run.added.sum() / evenings),
        taken_back=float(run.taken_back.sum() / evenings),
    )
