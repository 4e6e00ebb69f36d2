"""Moving single pieces between lines of one consumable while each move gains more than it costs.

Both re-balancing and short-dated stock ask the same question: givers lose ever
more with each piece they part with, takers gain ever less with each piece they
get, and the next piece moves from the cheapest giver to the keenest taker while
that pays. Pairing the sorted losses with the sorted gains is optimal for one
cost per piece, because both sides are monotone.
"""

from dataclasses import dataclass

import numpy as np

from restock.forecasting.demand import tail


@dataclass(frozen=True)
class Moves:
    """Proposed moves: `pieces[i]` go from line `source[i]` to line `destination[i]`.

    gain: (n,) expected benefit of the whole move, in the unit of the weights,
    after the cost of handling. Nothing is created or lost: what leaves the
    sources arrives at the destinations.
    """

    source: np.ndarray
    destination: np.ndarray
    pieces: np.ndarray
    gain: np.ndarray


def rebalance(
    pmf: np.ndarray,
    on_hand: np.ndarray,
    group: np.ndarray,
    *,
    weight: np.ndarray | float = 1.0,
    floor: np.ndarray | int = 0,
    capacity: np.ndarray | None = None,
    cost_per_piece: float = 0.0,
    cost_per_walk: float = 0.0,
) -> Moves:
    """Move pieces between carts where they cut the weighted expected shortfall by more than they cost.

    pmf: (L, N) demand until the next top-up; on_hand: (L,); group: (L,) which
    consumable; weight: what one missing piece matters; floor, capacity: (L,)
    pieces a line keeps at least, and holds at most. A move whose whole gain does
    not exceed cost_per_walk is not proposed.

    A piece moves from a to b while w_b P(D_b > x_b) - w_a P(D_a >= x_a) > cost_per_piece.
    """
    on_hand, group = np.asarray(on_hand), np.asarray(group)
    lines = len(on_hand)
    weight = np.broadcast_to(np.asarray(weight, float), lines)
    beyond = tail(pmf)
    most = pmf.shape[1] - 1
    spare = np.maximum(on_hand - np.broadcast_to(floor, lines), 0)
    space = np.maximum(most - on_hand, 0)
    if capacity is not None:
        space = np.minimum(space, np.maximum(np.asarray(capacity) - on_hand, 0))
    space = np.minimum(space, np.bincount(group, weights=spare)[group].astype(int))

    giver, given = row_per_piece(spare)
    taker, taken = row_per_piece(space)
    loss = weight[giver] * _read(beyond, giver, on_hand[giver] - given - 1)
    gain = weight[taker] * _read(beyond, taker, on_hand[taker] + taken)
    return pair_up(giver, loss, taker, gain, group, cost_per_piece, cost_per_walk)


def take_back(
    pmf: np.ndarray,
    on_hand: np.ndarray,
    value_elsewhere: np.ndarray | float,
    *,
    weight: np.ndarray | float = 1.0,
    floor: np.ndarray | int = 0,
    cost_per_piece: float = 0.0,
) -> np.ndarray:
    """Pieces (L,) worth carrying back from each cart to the storeroom.

    pmf: (L, N) demand on the cart over the days it would otherwise wait;
    value_elsewhere: (L,) what one piece is worth in the storeroom, in the unit
    of `weight` (what one missing piece matters). A piece goes back while
    value_elsewhere - w P(D >= x) exceeds cost_per_piece, never below the floor.
    """
    on_hand = np.asarray(on_hand)
    lines = len(on_hand)
    weight = np.broadcast_to(np.asarray(weight, float), lines)
    worth = np.broadcast_to(np.asarray(value_elsewhere, float), lines) - cost_per_piece
    spare = np.maximum(on_hand - np.broadcast_to(floor, lines), 0)
    giver, given = row_per_piece(spare)
    loss = weight[giver] * _read(tail(pmf), giver, on_hand[giver] - given - 1)
    return np.bincount(giver[worth[giver] > loss], minlength=lines)


def pair_up(giver, loss, taker, gain, group, cost_per_piece: float, cost_per_walk: float) -> Moves:
    """Pair the cheapest pieces to give with the keenest places to take, within each group.

    giver, loss: (n,) one row per piece that could leave a line, and what its
    leaving costs, rising along a line; taker, gain: (m,) one row per piece that
    could arrive, and what it brings, falling along a line; group: (L,).
    Ties go to the line that stands first.
    """
    n_groups = int(group.max(initial=-1)) + 1
    out = np.lexsort((np.arange(giver.size), loss, group[giver]))
    into = np.lexsort((np.arange(taker.size), -gain, group[taker]))
    n_out = np.bincount(group[giver], minlength=n_groups)
    n_into = np.bincount(group[taker], minlength=n_groups)
    pairs = np.minimum(n_out, n_into)
    which = np.repeat(np.arange(n_groups), pairs)
    rank = np.arange(which.size) - np.repeat(np.cumsum(pairs) - pairs, pairs)
    out = out[(np.cumsum(n_out) - n_out)[which] + rank]
    into = into[(np.cumsum(n_into) - n_into)[which] + rank]
    net = gain[into] - loss[out] - cost_per_piece
    worth = net > 1e-12
    lines = max(len(group), 1)
    walk, index = np.unique(giver[out[worth]] * lines + taker[into[worth]], return_inverse=True)
    pieces = np.bincount(index, minlength=len(walk))
    total = np.bincount(index, weights=net[worth], minlength=len(walk))
    kept = total > cost_per_walk
    return Moves(walk[kept] // lines, walk[kept] % lines, pieces[kept], total[kept] - cost_per_walk)


def row_per_piece(count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """One row per piece: its line, and how many pieces of that line stand before it."""
    line = np.repeat(np.arange(len(count)), count)
    return line, np.arange(line.size) - np.repeat(np.cumsum(count) - count, count)


def _read(curve: np.ndarray, line: np.ndarray, x: np.ndarray) -> np.ndarray:
    """A falling curve (L, N) at whole x: one before its start, zero at its end and after."""
    return np.where(x < 0, 1.0, curve[line, np.clip(x, 0, curve.shape[1] - 1)])
