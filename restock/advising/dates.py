"""Pieces that are likely to go out of date where they lie, and swaps that get them used in time.

A cart's pieces are used by its own cases, a storeroom's by the cases of all carts that it fills; each place uses what
expires first. Pieces without a known date are taken to be used last. A swap gives longer-dated pieces of the same line
for short-dated ones, so that every place holds as many as before.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from inventory.models import Consumable, Department, Holding, Place, StockingLine
from restock.forecasting import demand
from restock.forecasting.outdating import expected_outdates, moves_before_expiry
from restock.learning.forecast import Frame
from restock.models import Policy

from .moves import Walk, walks

# after_days, days -> demand of each place and line, (P, N), over the days after the one until the other
DemandBetween = Callable[[int, int], np.ndarray]


@dataclass(frozen=True)
class Held:
    """Dated pieces of one line at one place: (expiry, pieces), soonest first, and the pieces that last longer."""

    place: Place
    consumable: Consumable
    lots: tuple[tuple[date, int], ...]
    longer: int


@dataclass(frozen=True)
class Waste:
    """Pieces of a line at a place that expire by `expires_on`, and how many of them are likely to be left then."""

    place: Place
    consumable: Consumable
    expires_on: date
    pieces: int
    expected: float
    p_any: float


@dataclass(frozen=True)
class Dates:
    """wastes: worst first. swaps: walks whose moves are exchanges. saved: pieces that the swaps are likely to save."""

    wastes: tuple[Waste, ...]
    swaps: tuple[Walk, ...]
    saved: float


def short_dated(department: Department, *, on: date, within_days: int) -> list[Held]:
    """Every place that holds a line of which some pieces, anywhere, expire within the days: two queries.

    Quarantined lots and dates already passed do not count.
    """
    last = on + timedelta(days=within_days)
    expiring = Holding.objects.expiring(on=on, within_days=within_days).usable(on=on)
    wanted = set(
        expiring.filter(place__department=department, place__role__in=["cart", "storeroom"]).values_list(
            "consumable", flat=True
        )
    )
    lots, longer, places = defaultdict(list), defaultdict(int), {}
    rows = Holding.objects.usable(on=on).filter(
        consumable__in=wanted, place__role__in=["cart", "storeroom"], quantity__gt=0
    )
    for held in rows.select_related("place", "consumable", "lot").order_by("place__walk_order", "place", "pk"):
        key = held.place_id, held.consumable_id
        places[key] = held.place, held.consumable
        if held.lot and held.lot.expires_on and held.lot.expires_on <= last:
            lots[key].append((held.lot.expires_on, held.quantity))
        else:
            longer[key] += held.quantity
    return [Held(*of, tuple(_by_date(lots[key])), longer[key]) for key, of in places.items()]


def _by_date(lots: list[tuple[date, int]]) -> list[tuple[date, int]]:
    pieces: dict[date, int] = defaultdict(int)
    for expires_on, n in lots:
        pieces[expires_on] += n
    return sorted(pieces.items())


def places_demand(frame: Frame, held: list[Held], on_lines: DemandBetween) -> DemandBetween:
    """Demand of each of `held`, from that of the cart lines of `frame`."""
    at = {(line.place_id, line.consumable_id): n for n, line in enumerate(frame.lines)}
    rows, of = [], []
    for n, one in enumerate(held):
        fed = [at[key] for key in _feeds(one, frame.lines) if key in at]
        rows += fed
        of += [n] * len(fed)

    def between(after_days: int, days: int) -> np.ndarray:
        pmf = on_lines(after_days, days)
        return demand.trimmed(demand.total_over_cases(pmf, np.array(of, int), np.array(rows, int), len(held)))

    return between


def _feeds(one: Held, lines: tuple[StockingLine, ...]) -> list[tuple[int, int]]:
    if one.place.role == Place.Role.CART:
        return [(one.place.pk, one.consumable.pk)]
    return [
        (line.place_id, line.consumable_id)
        for line in lines
        if line.consumable_id == one.consumable.pk and line.place.restocked_from_id == one.place.pk
    ]


def advise_dates(held: list[Held], between: DemandBetween, policy: Policy, *, today: date) -> Dates:
    """Expected waste of each place and date, and the swaps that are worth their walk."""
    if not any(one.lots for one in held):
        return Dates((), (), 0.0)
    expiries = sorted({expires_on for one in held for expires_on, _ in one.lots})
    lots = np.zeros((len(held), len(expiries)), dtype=int)
    for n, one in enumerate(held):
        for expires_on, pieces in one.lots:
            lots[n, expiries.index(expires_on)] += pieces
    # A piece can be used through its last day.
    ends = [(expires_on - today).days for expires_on in expiries]
    steps = [between(start, end) for start, end in zip([0, *ends], ends, strict=False)]
    width = max(step.shape[1] for step in steps)
    outdates = expected_outdates(lots, np.stack([np.pad(s, ((0, 0), (0, width - s.shape[1]))) for s in steps]))
    wastes = [
        Waste(one.place, one.consumable, expiries[d], int(lots[n, d]), float(outdates.expected[n, d]), float(p_any))
        for n, one in enumerate(held)
        for d, p_any in enumerate(outdates.p_any[n])
        if lots[n, d]
    ]
    swaps, saved = _swaps(held, lots, expiries, ends, between, policy)
    return Dates(tuple(sorted(wastes, key=lambda waste: -waste.expected)), swaps, saved)


def _swaps(held, lots, expiries, ends, between: DemandBetween, policy: Policy) -> tuple[tuple[Walk, ...], float]:
    """One date after the other, soonest first; pieces that a swap has moved are not moved again."""
    short = lots.cumsum(axis=1)
    longer = np.array([one.longer for one in held]) + short[:, -1:].ravel() - short.T  # lasting beyond each date
    group = np.unique([one.consumable.pk for one in held], return_inverse=True)[1]
    found, saved, settled = [], 0.0, np.zeros(len(held), dtype=bool)
    for d, days in enumerate(ends):
        touched = np.isin(group, group[(lots[:, d] > 0) & ~settled]) & ~settled
        if not touched.any():
            continue
        rows = np.flatnonzero(touched)
        pmf = between(0, days)[rows]
        moves = moves_before_expiry(
            pmf,
            short[rows, d],
            group[rows],
            movable=lots[rows, d],
            space=longer[d, rows],
            value=policy.wasted_piece,
            cost_per_piece=2 * policy.handling_per_piece,  # one goes, one comes back
        )
        chosen = [held[n] for n in rows]
        kept = walks(moves, [one.place for one in chosen], [one.consumable for one in chosen], policy)
        if kept:
            found += kept
            for walk in kept:
                saved += sum(move.gain + 2 * policy.handling_per_piece * move.pieces for move in walk.moves)
            moved = {
                (place.pk, move.consumable.pk) for w in kept for place in (w.source, w.destination) for move in w.moves
            }
            settled |= np.array([(one.place.pk, one.consumable.pk) in moved for one in held])
    saved = saved / policy.wasted_piece if policy.wasted_piece else 0.0
    return tuple(sorted(found, key=lambda walk: -walk.gain)), saved
