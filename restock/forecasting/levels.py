"""How many pieces a cart line should hold: tomorrow's target, the standing par, and what a policy would have done.

A service level alpha is the chance that a line does not run short before the
next top-up. The floor is policy (emergency items) and is never optimised away;
the capacity is what the drawer holds, and wins over everything.
"""

from dataclasses import dataclass

import numpy as np

from restock.forecasting.demand import expected_shortfall, left_over, p_short, quantile


@dataclass(frozen=True)
class Level:
    """A stock level per line and what bounds it.

    pieces: (L,). needed: (L,) what the service level alone asks for.
    raised_to_floor, cut_to_capacity: (L,) bool. p_short: (L,) chance of running
    short with `pieces` (averaged over the days for a par).
    """

    pieces: np.ndarray
    needed: np.ndarray
    raised_to_floor: np.ndarray
    cut_to_capacity: np.ndarray
    p_short: np.ndarray


@dataclass(frozen=True)
class Newsvendor:
    """pieces: (L,) cheapest stock; cost: (L,) its expected cost; ratio: (L,) critical ratio p / (p + h)."""

    pieces: np.ndarray
    cost: np.ndarray
    ratio: np.ndarray


@dataclass(frozen=True)
class PolicyRun:
    """What a policy would have done on past days.

    evening: (T, L) pieces after top-up; added, taken_back: (T, L) pieces carried
    to and from the line; short: (T, L) pieces that were missing.
    """

    evening: np.ndarray
    added: np.ndarray
    taken_back: np.ndarray
    short: np.ndarray

    @property
    def mean_on_hand(self) -> np.ndarray:
        return self.evening.mean(axis=0)

    @property
    def days_short(self) -> np.ndarray:
        return (self.short > 0).sum(axis=0)


def service_target(
    pmf: np.ndarray,
    alpha: np.ndarray | float,
    *,
    floor: np.ndarray | int = 0,
    capacity: np.ndarray | None = None,
) -> Level:
    """Tomorrow's target: the alpha-quantile, at least the floor, at most the capacity.

    pmf: (L, N); alpha: scalar or (L,); floor, capacity: scalar or (L,) pieces. Pass
    the larger of floor and par as the floor for the "greater of both" policy.
    """
    return _bounded(pmf, quantile(pmf, alpha), floor, capacity)


def par_advice(
    pmf_by_day: np.ndarray,
    alpha: np.ndarray | float,
    *,
    floor: np.ndarray | int = 0,
    capacity: np.ndarray | None = None,
) -> Level:
    """The smallest fixed par whose mean chance of running short over a schedule horizon is at most 1 - alpha.

    pmf_by_day: (T, L, N), demand of each day. The distributions are averaged,
    not their quantiles: a par is exceeded on a few heavy days, not on the mean day.
    """
    average = np.asarray(pmf_by_day).mean(axis=0)
    return _bounded(average, quantile(average, alpha), floor, capacity)


def _bounded(pmf, needed, floor, capacity) -> Level:
    floor = np.broadcast_to(floor, needed.shape)
    pieces = np.maximum(needed, floor)
    raised = pieces > needed
    cut = np.zeros(needed.shape, bool)
    if capacity is not None:
        capacity = np.broadcast_to(capacity, needed.shape)
        cut = pieces > capacity
        pieces = np.minimum(pieces, capacity)
    return Level(pieces, needed, raised & ~cut, cut, p_short(pmf, pieces))


def top_up(level: np.ndarray, on_hand: np.ndarray) -> np.ndarray:
    """Pieces to bring, max(0, level - on hand): a record below zero is made good in full."""
    return np.maximum(np.asarray(level) - np.asarray(on_hand), 0)


def newsvendor(pmf: np.ndarray, shortage_cost: np.ndarray | float, left_cost: np.ndarray | float) -> Newsvendor:
    """Stock that minimises shortage_cost E(D - s)+ + left_cost E(s - D)+ : the smallest s with F(s) >= p/(p+h).

    Source: Snyder & Shen, Fundamentals of Supply Chain Theory, 2nd ed. 2019, chapter 4.
    """
    p, h = np.asarray(shortage_cost, float), np.asarray(left_cost, float)
    if not ((p > 0).all() and (h > 0).all()):
        raise ValueError("Both costs lie above zero.")
    ratio = np.broadcast_to(p / (p + h), len(pmf))
    pieces = quantile(pmf, ratio)
    return Newsvendor(pieces, p * expected_shortfall(pmf, pieces) + h * left_over(pmf, pieces), ratio)


def run_policy(
    target: np.ndarray,
    used: np.ndarray,
    *,
    start: np.ndarray | None = None,
    take_back_above: np.ndarray | None = None,
) -> PolicyRun:
    """Run a policy over past days: each evening up to the target, next day the use that really came.

    target: (T, L) or (L,) level each evening; used: (T, L) pieces asked for on
    the following day; start: (L,) pieces before the first evening (the first
    target by default); take_back_above: (T, L) or (L,), pieces above this level
    are carried back each evening (none by default). Use beyond the stock is
    short and fetched, not carried over.
    """
    used = np.asarray(used)
    target = np.broadcast_to(target, used.shape)
    limit = None if take_back_above is None else np.maximum(np.broadcast_to(take_back_above, used.shape), target)
    on_hand = target[0] if start is None else np.asarray(start)
    evening, added, taken_back, short = (np.zeros(used.shape, int) for _ in range(4))
    for day in range(len(used)):
        added[day] = np.maximum(target[day] - on_hand, 0)
        if limit is not None:
            taken_back[day] = np.maximum(on_hand - limit[day], 0)
        evening[day] = on_hand + added[day] - taken_back[day]
        short[day] = np.maximum(used[day] - evening[day], 0)
        on_hand = np.maximum(evening[day] - used[day], 0)
    return PolicyRun(evening, added, taken_back, short)
