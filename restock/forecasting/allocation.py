"""Sharing out pieces that are scarce: which lines get them.

With independent lines, the expected shortfall of a line falls by
w P(D > x) when it gets one more piece on top of x. That gain never rises with
x, whatever the distribution, so giving each piece where it gains most is
optimal for the sum (Gross 1956; Fox 1966; Federgruen & Groenevelt 1986). The
same pieces also minimise the largest weighted chance of running short, because
w P(D > x) is that chance.

Where this does not hold (unequal packs, sizes that may stand in for each other,
rooms that need all or nothing) `integer_allocation.py` solves a small integer
program instead.

Substitution is never automatic and nobody's floor is filled here: what a line
may receive is an input.
"""

from dataclasses import dataclass

import numpy as np

from restock.forecasting.demand import expected_shortfall, tail

TIE = 1e-12
"""Gains closer than this count as equal, so that rounding never decides who gets a piece."""


@dataclass(frozen=True)
class Allocation:
    """Who gets how many pieces, and the gains that decided it.

    given: (L,) pieces. left: (groups,) pieces that stay in store.
    shortfall_before, shortfall_after: (L,) expected pieces missing, unweighted.
    last_gain: (L,) weighted gain of the last piece given (nan where none was);
    next_gain: (L,) weighted gain of the first piece wanted but not given (zero
    where the line got all it wanted).
    """

    given: np.ndarray
    left: np.ndarray
    shortfall_before: np.ndarray
    shortfall_after: np.ndarray
    last_gain: np.ndarray
    next_gain: np.ndarray


def allocate(
    pmf: np.ndarray,
    have: np.ndarray,
    want: np.ndarray,
    group: np.ndarray,
    stock: np.ndarray,
    weight: np.ndarray | float = 1.0,
) -> Allocation:
    """Give each consumable's stock where it cuts the weighted expected shortfall most.

    pmf: (L, N) demand of each line; have: (L,) pieces on hand (below zero where
    the record owes pieces); want: (L,) most pieces the line may receive, never
    below zero; group: (L,) which consumable it is; stock: (groups,) pieces to
    share out, never below zero; weight: (L,) or scalar, what one missing piece
    matters, above zero.

    All consumables are solved at once. Equal gains go to the line that has been
    given fewest pieces, then to the line that stands first. Pieces that no
    demand is likely to need are shared out too, in the same order, for a line
    asked for them.
    """
    have, want, group, stock = _whole(have=have, want=want, group=group, stock=stock)
    weight = _positive(weight, len(have))
    line, unit = _wanted_pieces(want, stock[group])
    beyond = tail(pmf)
    gain = weight[line] * _chance_beyond(beyond, line, have[line] + unit)
    given = _take_best(gain, line, unit, group, stock, len(have))
    return _explained(pmf, have, weight, group, stock, given, beyond, want)


def allocate_so_that_none_runs_short(
    pmf: np.ndarray, have: np.ndarray, want: np.ndarray, group: np.ndarray, stock: np.ndarray
) -> Allocation:
    """Give each consumable's stock so that the chance that no line of it runs short is largest.

    Shapes as in `allocate`. Greedy on log F is optimal where log F is concave in
    the pieces, as it is for every log-concave pmf. Raises ValueError where it is
    not: use `integer_allocation.best_levels` there.

    Source: a log-concave pmf has a log-concave cdf (Bagnoli & Bergstrom 2005, from memory).
    """
    have, want, group, stock = _whole(have=have, want=want, group=group, stock=stock)
    line, unit = _wanted_pieces(want, stock[group])
    beyond = tail(pmf)
    enough = [1.0 - _chance_beyond(beyond, line, have[line] + unit + step) for step in (0, 1)]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.log(enough[1]) - np.log(enough[0])
    gain[enough[0] <= TIE] = np.inf  # a line that surely runs short makes the product zero
    same_line = line[1:] == line[:-1]
    with np.errstate(invalid="ignore"):
        rises = same_line & (gain[1:] > gain[:-1] + 1e-9)
    if rises.any():
        raise ValueError("log F is not concave on some line, so piece by piece may miss the best split.")
    given = _take_best(gain, line, unit, group, stock, len(have))
    return _explained(pmf, have, np.ones(len(have)), group, stock, given, beyond, want)


def _wanted_pieces(want: np.ndarray, in_store: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """One candidate per piece: its line, and how many pieces the line got before it."""
    most = np.minimum(want, in_store)
    line = np.repeat(np.arange(len(want)), most)
    unit = np.arange(line.size) - np.repeat(np.cumsum(most) - most, most)
    return line, unit


def _chance_beyond(beyond: np.ndarray, line: np.ndarray, x: np.ndarray) -> np.ndarray:
    """P(D > x) for whole x on some lines, read off the tails (L, N)."""
    chance = beyond[line, np.clip(x, 0, beyond.shape[1] - 1)]
    return np.where(x < 0, 1.0, chance)


def _take_best(gain, line, unit, group, stock, n_lines) -> np.ndarray:
    """How many of the `stock` best pieces of its group each line gets."""
    n_groups = len(stock)
    scarce = np.bincount(group[line], minlength=n_groups) > stock
    rival = scarce[group[line]]
    given = np.bincount(line[~rival], minlength=n_lines)
    gain, line, unit = gain[rival], line[rival], unit[rival]
    order = np.lexsort((line, unit, -np.round(gain / TIE), group[line]))
    group_in_order = group[line][order]
    size = np.bincount(group_in_order, minlength=n_groups)
    rank = np.arange(order.size) - np.repeat(np.cumsum(size) - size, size)
    chosen = order[rank < stock[group_in_order]]
    return given + np.bincount(line[chosen], minlength=n_lines)


def _explained(pmf, have, weight, group, stock, given, beyond, want) -> Allocation:
    lines = np.arange(len(have))
    last = weight * _chance_beyond(beyond, lines, have + given - 1)
    following = weight * _chance_beyond(beyond, lines, have + given)
    spent = np.bincount(group, weights=given, minlength=len(stock)).astype(int)
    return Allocation(
        given=given,
        left=stock - spent,
        shortfall_before=expected_shortfall(pmf, have),
        shortfall_after=expected_shortfall(pmf, have + given),
        last_gain=np.where(given > 0, last, np.nan),
        next_gain=np.where(given < want, following, 0.0),
    )


def _whole(**arrays) -> list[np.ndarray]:
    checked = []
    for name, value in arrays.items():
        value = np.asarray(value)
        if value.size == 0:
            value = value.astype(int)
        if value.dtype.kind not in "iu":
            raise ValueError(f"{name} must be whole numbers.")
        if name in ("want", "stock", "group") and value.size and value.min() < 0:
            raise ValueError(f"{name} must not be below zero.")
        checked.append(value.astype(np.int64))
    if "group" in arrays and checked[2].size and checked[2].max() >= len(checked[3]):
        raise ValueError("group names a consumable that stock does not list.")
    return checked


def _positive(weight, n_lines: int) -> np.ndarray:
    weight = np.broadcast_to(np.asarray(weight, float), n_lines)
    if weight.size and not weight.min() > 0.0:
        raise ValueError("weight must lie above zero.")
    return weight
