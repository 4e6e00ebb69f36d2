"""Which par each cart line should have: the smallest that lasts often enough on days like those of late.

The horizon is the department's last operating days: each day's list as it stood the evening before, forecast with all
that is known today. What the advised par would have changed is counted on the pieces really used on those days, which
are also among those learned from; restock.advising.policies compares on days that were not.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from inventory.models import Basis, Department, StockingLine
from restock.forecasting import demand
from restock.forecasting.levels import PolicyRun, par_advice, run_policy
from restock.learning.forecast import read_frame
from restock.learning.replay import read_log, used_on
from restock.learning.tallies import read_tallies
from restock.learning.widening import planned_levels
from restock.sentences import Sentence

from .past import (
    DAYS,
    average_demand,
    capacities_of,
    last_operating_days,
    least_pars,
    lists_as_known,
    pars_of,
    policy_of,
    service_levels,
)
from .reasons import why_par


@dataclass(frozen=True)
class ParAdvice:
    """Arrays are (L,), in the order of `lines`; pieces, and chances from 0 to 1.

    days: the operating days of the horizon, oldest first. advised: the par. needed: what the service level alone asks
    for, whatever is kept anyway and whatever the bin holds. p_short_now, p_short_advised: chance of running short on a
    day of the horizon, starting it at par. now, then: what par as it is, and as advised, would have done over those
    days with the pieces really used, filled up every evening. reasons: a sentence each.
    """

    lines: tuple[StockingLine, ...]
    days: tuple[date, ...]
    service_level: np.ndarray
    par: np.ndarray
    needed: np.ndarray
    advised: np.ndarray
    p_short_now: np.ndarray
    p_short_advised: np.ndarray
    now: PolicyRun
    then: PolicyRun
    reasons: tuple[Sentence, ...]

    @property
    def more_on_hand(self) -> np.ndarray:
        """Pieces more (or, below zero, fewer) on the cart of an evening, on average: (L,)."""
        return self.then.mean_on_hand - self.now.mean_on_hand


def advise_pars(department: Department, *, today: date, days: int = DAYS) -> ParAdvice:
    """Advise a par for every cart line, from the stored tallies (restock.learning.tallies).

    A line whose kind failed its gate is covered at a higher level, as in the plan (restock.learning.widening).

    today: the horizon is the last `days` operating days before it. Raises ValueError where there is none.
    """
    policy, frame = policy_of(department), read_frame(department)
    horizon = last_operating_days(department, before=today, days=days)
    if not horizon:
        raise ValueError("A schedule horizon needs at least one day with a list and a log.")
    log = read_log(department, horizon[-1], first=horizon[0])
    lists = lists_as_known(department, log, horizon, tallies=read_tallies(department, today), on=today)
    average = average_demand(frame, lists)
    lines, level, least = frame.lines, service_levels(frame.lines, policy), least_pars(frame.lines)
    planned = planned_levels(department, [line.consumable.category for line in lines], level)
    advice = par_advice(average[None], planned, floor=least, capacity=capacities_of(lines))
    par = pars_of(lines)
    p_short_now = demand.p_short(average, par)
    used = np.array([used_on(log, frame, day) for day in horizon])
    return ParAdvice(
        lines=lines,
        days=tuple(horizon),
        service_level=level,
        par=par,
        needed=advice.needed,
        advised=advice.pieces,
        p_short_now=p_short_now,
        p_short_advised=advice.p_short,
        now=run_policy(par, used),
        then=run_policy(advice.pieces, used),
        reasons=tuple(
            why_par(
                par=line.par,
                advised=int(advice.pieces[n]),
                needed=int(advice.needed[n]),
                least=int(least[n]),
                emergency=line.consumable.basis == Basis.EMERGENCY,
                floor=line.floor,
                capacity=line.capacity,
                service_level=float(level[n]),
                p_short_now=float(p_short_now[n]),
            )
            for n, line in enumerate(lines)
        ),
    )
