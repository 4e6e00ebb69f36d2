"""What is worth carrying from one place to another tonight, beside the pick list.

Three proposals, each weighed in missing routine pieces (Policy.handling_per_piece and its neighbours):

* between carts, where the storerooms cannot give all that was asked for;
* back to the storeroom, where a piece lies idle or is needed more elsewhere;
* swaps of short-dated pieces with longer-dated ones of a place that uses them in time.

A walk joins two places; it is proposed when all that goes along it gains more than the walk costs.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from inventory.models import Consumable, Place
from restock.forecasting import demand
from restock.forecasting.transfers import Moves, rebalance, take_back
from restock.models import Policy
from restock.plans.planning import Draft

from .past import capacities_of, floors_of


@dataclass(frozen=True)
class Move:
    """`pieces` of a line, with what moving them gains, in missing routine pieces, after handling them."""

    consumable: Consumable
    pieces: int
    gain: float


@dataclass(frozen=True)
class Walk:
    """All that is worth carrying from one place to another. gain: after the cost of the walk."""

    source: Place
    destination: Place
    moves: tuple[Move, ...]
    gain: float


def between_carts(draft: Draft, policy: Policy) -> list[Walk]:
    """Walks between carts for the lines that the storerooms cannot fill tonight, best first.

    After tonight's picks; what was picked for a cart is not carried on from it, and no cart falls below its floor.
    """
    lines = draft.forecast.frame.lines
    short = {lines[n].consumable_id for n in np.flatnonzero(draft.top_up > draft.allocated)}
    rows = np.array([n for n, line in enumerate(lines) if line.consumable_id in short], dtype=int)
    if not rows.size:
        return []
    chosen = tuple(lines[n] for n in rows)
    moves = rebalance(
        draft.forecast.pmf[rows],
        draft.stock.usable[rows] + draft.allocated[rows],
        np.unique([line.consumable_id for line in chosen], return_inverse=True)[1],
        weight=draft.weight[rows],
        floor=np.maximum(floors_of(chosen), draft.allocated[rows]),
        capacity=capacities_of(chosen),
        cost_per_piece=policy.handling_per_piece,
    )
    places = [line.place for line in chosen]
    return walks(moves, places, [line.consumable for line in chosen], policy)


def walks(moves: Moves, places: list[Place], consumables: list[Consumable], policy: Policy) -> list[Walk]:
    """Join moves that go the same way, and keep the walks that are worth it, best first.

    places, consumables: of each row that `moves` speaks of.
    """
    along: dict[tuple[Place, Place], list[Move]] = defaultdict(list)
    for source, destination, pieces, gain in zip(
        moves.source, moves.destination, moves.pieces, moves.gain, strict=True
    ):
        along[places[source], places[destination]].append(Move(consumables[source], int(pieces), float(gain)))
    return _worth_it(along, policy)


def back_to_storeroom(draft: Draft, policy: Policy, on_carts: np.ndarray, storerooms: dict[int, Place]) -> list[Walk]:
    """Walks back to the storeroom with pieces that no case is likely to need before the next delivery, best first.

    on_carts: (L, N) demand of each line until then. storerooms: by primary key; a cart's pieces go where it is filled
    from. Nothing goes below tonight's target. A piece in the storeroom is worth the chance that all carts together
    empty it, and saves what an idle piece costs.
    """
    lines = draft.forecast.frame.lines
    consumables = [line.consumable_id for line in lines]
    numbers = {pk: n for n, pk in enumerate(dict.fromkeys(consumables))}
    group = np.array([numbers[pk] for pk in consumables], dtype=int)
    together = demand.pooled(on_carts, group, len(numbers))
    left = np.array([draft.stock.store_pieces(pk) for pk in numbers], dtype=int)
    left -= np.bincount(group, weights=draft.allocated, minlength=len(numbers)).astype(int)
    emptied = demand.p_short(together, left)[group]
    on_hand = draft.stock.usable + draft.allocated
    goes_back = take_back(
        on_carts,
        on_hand,
        emptied * draft.weight + policy.idle_piece,
        weight=draft.weight,
        floor=np.maximum(draft.target, floors_of(lines)),
        cost_per_piece=policy.handling_per_piece,
    )
    risk = demand.expected_shortfall(on_carts, on_hand - goes_back) - demand.expected_shortfall(on_carts, on_hand)
    worth = emptied * draft.weight + policy.idle_piece - policy.handling_per_piece
    gain = worth * goes_back - draft.weight * risk

    along: dict[tuple[Place, Place], list[Move]] = defaultdict(list)
    for n in np.flatnonzero(goes_back):
        cart = lines[n].place
        store = storerooms.get(cart.restocked_from_id) or next(iter(storerooms.values()), None)
        if store is not None:
            along[cart, store].append(Move(lines[n].consumable, int(goes_back[n]), float(gain[n])))
    return _worth_it(along, policy)


def _worth_it(along: dict[tuple[Place, Place], list[Move]], policy: Policy) -> list[Walk]:
    found = []
    for (source, destination), moves in along.items():
        gain = sum(move.gain for move in moves) - policy.handling_per_walk
        if gain > 0:
            found.append(Walk(source, destination, tuple(sorted(moves, key=lambda move: -move.gain)), gain))
    return sorted(found, key=lambda walk: -walk.gain)
