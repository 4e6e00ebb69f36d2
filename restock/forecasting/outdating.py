"""Pieces that will pass their date unused, and where they would be used in time.

Stock leaves first-expiring-first-out, and every place is a queue of its own.
Deliveries that come later expire later and stand behind, so they do not change
what happens to the lots that are there now.

Sources: Nahmias 1982 and 2011 (perishable stock); the recursion is elementary.
"""

from dataclasses import dataclass

import numpy as np

from restock.forecasting.convolution import plus
from restock.forecasting.transfers import Moves, pair_up, row_per_piece


@dataclass(frozen=True)
class Outdates:
    """expected: (B, lots) pieces that expire unused; p_any: (B, lots) chance that any does."""

    expected: np.ndarray
    p_any: np.ndarray


def expected_outdates(lots: np.ndarray, demand_between: np.ndarray) -> Outdates:
    """Expected waste of every lot at many places at once.

    lots: (B, n) pieces per lot, the lot that expires first standing first (zero
    where a place has fewer lots). demand_between: (n, B, N), demand of each
    place from the previous lot's expiry (from today for the first) to this
    lot's; independent between the intervals.

    The pieces stand in one queue in order of expiry. Only the position that the
    queue has reached, by use or by expiry, matters: demand moves it on, and an
    expiry moves it at least to the end of the expired lot.
    """
    lots = np.asarray(lots)
    if lots.ndim != 2 or demand_between.shape[:2] != (lots.shape[1], lots.shape[0]):
        raise ValueError("Wanted: lots (B, n) and demand_between (n, B, N).")
    if lots.size and lots.min() < 0:
        raise ValueError("A lot never holds less than nothing.")
    end = np.cumsum(lots, axis=1)
    places, n_lots = lots.shape
    all_pieces = int(end[:, -1].max(initial=0)) if n_lots else 0
    position = np.zeros((places, all_pieces + 1))
    position[:, 0] = 1.0
    at = np.arange(all_pieces + 1)
    expected, p_any = np.empty(lots.shape), np.empty(lots.shape)
    for lot in range(n_lots):
        moved = plus(position, demand_between[lot])
        position = moved[:, : all_pieces + 1].copy()
        position[:, -1] += moved[:, all_pieces + 1 :].sum(axis=1)
        wasted = np.maximum(end[:, lot, None] - at, 0)
        expected[:, lot] = (position * wasted).sum(axis=1)
        p_any[:, lot] = (position * (wasted > 0)).sum(axis=1)
        expired = np.where(wasted > 0, position, 0.0)
        position = position - expired
        position[np.arange(places), end[:, lot]] += expired.sum(axis=1)
    return Outdates(expected, p_any)


def moves_before_expiry(
    pmf: np.ndarray,
    short_dated: np.ndarray,
    group: np.ndarray,
    *,
    movable: np.ndarray | None = None,
    space: np.ndarray | None = None,
    value: np.ndarray | float = 1.0,
    cost_per_piece: float = 0.0,
    cost_per_walk: float = 0.0,
) -> Moves:
    """Move short-dated pieces to places that will use them in time.

    pmf: (L, N) demand of each place from now to the expiry date in question;
    short_dated: (L,) pieces there that expire no later than that date; group:
    (L,) which consumable and date; movable: (L,) how many of them may leave (all
    by default); space: (L,) how many a place may take, for instance the
    longer-dated pieces it can give in exchange (no bound by default); value:
    (L,) or scalar, what one saved piece is worth.

    The last of q pieces in a queue is wasted with probability F(q - 1). Moving
    it from a to b saves F_a(q_a - 1) - F_b(q_b) of a piece. Proposals only: a
    swap leaves each place with as many pieces as before, a plain move does not.
    """
    short_dated, group = np.asarray(short_dated), np.asarray(group)
    lines = len(short_dated)
    value = np.broadcast_to(np.asarray(value, float), lines)
    movable = short_dated if movable is None else np.minimum(movable, short_dated)
    offered = np.bincount(group, weights=movable)[group].astype(int)
    space = offered if space is None else np.minimum(space, offered)
    cdf = np.cumsum(pmf, axis=1)

    giver, given = row_per_piece(movable)
    taker, taken = row_per_piece(space)
    saved = value[giver] * _wasted(cdf, giver, short_dated[giver] - given - 1)
    risked = value[taker] * _wasted(cdf, taker, short_dated[taker] + taken)
    return pair_up(giver, -saved, taker, -risked, group, cost_per_piece, cost_per_walk)


def _wasted(cdf: np.ndarray, line: np.ndarray, q: np.ndarray) -> np.ndarray:
    return cdf[line, np.minimum(q, cdf.shape[1] - 1)]
