"""Sharing out scarce pieces where giving them one by one goes wrong: small integer programs.

Three cases: cartons of unequal size, sizes that may stand in for each other, and
goals that single pieces do not add up to (several consumables that one room
needs together, or a chance that is not concave in the pieces). Each is solved
exactly by HiGHS through SciPy, for one consumable, size run or set of rooms at a
time; a department's programs have tens to hundreds of variables.

HiGHS stops within a relative gap of 1e-9 here, so of two splits that are equally
good to nine digits either may come back; the same inputs give the same answer.
"""

from dataclasses import dataclass

import numpy as np

from restock.forecasting.demand import expected_shortfall, tail


@dataclass(frozen=True)
class SourceAllocation:
    """packs: (E,) packs sent along each way; given: (L,) pieces per line; left: (S,) pieces in store.

    shortfall_after: (L,) expected pieces missing afterwards.
    """

    packs: np.ndarray
    given: np.ndarray
    left: np.ndarray
    shortfall_after: np.ndarray


def allocate_packs(
    pmf: np.ndarray,
    have: np.ndarray,
    way_line: np.ndarray,
    way_source: np.ndarray,
    stock: np.ndarray,
    *,
    pieces_per_pack: np.ndarray | int = 1,
    most: np.ndarray | None = None,
    weight: np.ndarray | float = 1.0,
    penalty: np.ndarray | float = 0.0,
) -> SourceAllocation:
    """Send whole packs along permitted ways so that the weighted expected shortfall is smallest.

    pmf: (L, N), have: (L,) as in `allocate`. A way e leads from the stock of
    source way_source[e] to line way_line[e]: the size itself or, where the
    department permits it, a neighbouring size. Nothing goes where there is no
    way. stock: (S,) pieces; pieces_per_pack: (E,); most: (L,) pieces a line can
    take in; penalty: (E,) cost per piece sent, in the unit of `weight`: what
    makes a substitute second best.

    The value of a line's pieces is concave, so it enters as its marginal gains.
    """
    have, stock = np.asarray(have), np.asarray(stock)
    way_line, way_source = np.asarray(way_line), np.asarray(way_source)
    n_lines, n_ways = len(have), len(way_line)
    size = np.broadcast_to(pieces_per_pack, n_ways)
    weight = np.broadcast_to(np.asarray(weight, float), n_lines)
    reachable = np.bincount(way_line, weights=(stock[way_source] // size) * size, minlength=n_lines).astype(int)
    useful = np.minimum(reachable, np.maximum(pmf.shape[1] - 1 - have, 0))
    unit_line = np.repeat(np.arange(n_lines), useful)
    unit = np.arange(unit_line.size) - np.repeat(np.cumsum(useful) - useful, useful)
    beyond, x = tail(pmf), have[unit_line] + unit
    gain = weight[unit_line] * np.where(x < 0, 1.0, beyond[unit_line, np.clip(x, 0, pmf.shape[1] - 1)])

    ways, units = np.arange(n_ways), n_ways + np.arange(unit_line.size)
    n_variables = n_ways + unit_line.size
    covered = np.zeros((n_lines, n_variables))  # pieces counted as useful, minus pieces that arrive: at most 0
    covered[unit_line, units] = 1.0
    covered[way_line, ways] = -size
    drawn = np.zeros((len(stock), n_variables))
    drawn[way_source, ways] = size
    rows, limits = [covered, drawn], [np.zeros(n_lines), stock]
    if most is not None:
        arriving = np.zeros((n_lines, n_variables))
        arriving[way_line, ways] = size
        rows.append(arriving)
        limits.append(np.broadcast_to(most, n_lines))
    cost = np.concatenate([np.broadcast_to(np.asarray(penalty, float), n_ways) * size, -gain])
    upper = np.concatenate([stock[way_source] // size, np.ones(unit_line.size)])
    whole = np.concatenate([np.ones(n_ways), np.zeros(unit_line.size)])
    packs = _solve(cost, np.concatenate(rows), np.concatenate(limits), upper, whole)[:n_ways]

    given = np.bincount(way_line, weights=packs * size, minlength=n_lines).astype(int)
    sent = np.bincount(way_source, weights=packs * size, minlength=len(stock)).astype(int)
    return SourceAllocation(packs, given, stock - sent, expected_shortfall(pmf, have + given))


def best_levels(value: np.ndarray, stock: int, pieces: np.ndarray | None = None) -> np.ndarray:
    """Choose one level per line so that the sum of values is largest, whatever their shape.

    value: (L, Y), worth of level y on line l, for instance F(have + y) or its
    logarithm; -inf for a level that is not allowed. pieces: (L, Y) pieces that
    the level takes from the `stock` they share (y by default). Returns (L,) levels.
    """
    value = np.asarray(value, float)
    n_lines, n_levels = value.shape
    pieces = np.broadcast_to(np.arange(n_levels) if pieces is None else pieces, value.shape)
    allowed = np.isfinite(value)
    if not allowed.any(axis=1).all():
        raise ValueError("Some line has no level that is allowed.")
    one_each = np.kron(np.eye(n_lines), np.ones(n_levels))
    matrix = np.concatenate([one_each, pieces.reshape(1, -1)])
    limits, least = np.append(np.ones(n_lines), stock), np.append(np.ones(n_lines), -np.inf)
    cost = -np.where(allowed, value, 0.0).ravel()
    chosen = _solve(cost, matrix, limits, allowed.ravel().astype(float), np.ones(cost.size), least)
    return chosen.reshape(value.shape).argmax(axis=1)


def cover_most_rooms(
    pmf: np.ndarray,
    have: np.ndarray,
    want: np.ndarray,
    room: np.ndarray,
    group: np.ndarray,
    stock: np.ndarray,
    weight: np.ndarray | float = 1.0,
) -> np.ndarray:
    """Choose rooms to supply in full, because half a room's needs start no case.

    pmf: (L, N); have, want: (L,) pieces; room: (L,) room of each line, 0..R-1;
    group: (L,) consumable; stock: (groups,); weight: (R,) or scalar. A room that
    is supplied gets all that its lines want. What counts is the rise in the
    chance that none of its lines runs short, taking its lines as independent.

    Returns (L,) pieces given. Share out what is left with `allocation.allocate`.
    """
    have, want, room, group = (np.asarray(x) for x in (have, want, room, group))
    n_rooms = int(room.max(initial=-1)) + 1
    beyond = tail(pmf)

    def chance(pieces):
        at = np.clip(pieces, 0, pmf.shape[1] - 1)
        enough = np.where(pieces < 0, 0.0, 1.0 - beyond[np.arange(len(have)), at])
        product = np.ones(n_rooms)
        np.multiply.at(product, room, enough)
        return product

    gain = np.broadcast_to(np.asarray(weight, float), n_rooms) * (chance(have + want) - chance(have))
    needs = np.zeros((len(stock), n_rooms))
    np.add.at(needs, (group, room), want)
    chosen = _solve(-gain, needs, np.asarray(stock, float), np.ones(n_rooms), np.ones(n_rooms))
    return np.where(chosen[room] > 0, want, 0)


def _solve(cost, matrix, limits, upper, whole, least=-np.inf) -> np.ndarray:
    """Minimise cost @ x with least <= matrix @ x <= limits, 0 <= x <= upper; whole-numbered where asked."""
    if not cost.size:
        return np.zeros(0, int)
    from scipy.optimize import Bounds, LinearConstraint, milp

    answer = milp(
        cost,
        integrality=whole,
        bounds=Bounds(np.zeros(cost.size), upper),
        constraints=LinearConstraint(matrix, least, limits),
        options={"mip_rel_gap": 1e-9},
    )
    if answer.x is None:
        raise ArithmeticError(f"The integer program found no answer: {answer.message}")
    return np.where(whole > 0, np.round(answer.x), answer.x).astype(int)
