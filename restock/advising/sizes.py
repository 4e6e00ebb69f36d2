"""Whether every case of a day finds a size that fits: each size run on each cart, with the sizes that may stand in.

Each listed case takes the size it wants from the cart that its room reaches to, or a neighbour in the run that lies
there. A size that no cart in reach keeps counts as none on the first cart that keeps any of the run, so a gap in the
run shows. Cases nobody has booked are left out; a case that uses several pieces of a run counts as one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inventory.models import Consumable, Place
from restock.cases.routes import Routes
from restock.cases.setups import Slot
from restock.forecasting import demand
from restock.forecasting.size_safety import size_safety
from restock.models import Policy
from restock.plans.planning import Draft

NEGLIGIBLE = 1e-4  # chance below which a case is taken not to want a size


@dataclass(frozen=True)
class SizeReadiness:
    """One size run on one cart for the day's listed cases.

    cases: how many may want a size of it. p_lacking, p_lacking_after: chance that some case finds no acceptable size,
    as the cart stands and after tonight's picks. at_most: True where the day was too large to follow exactly and the
    chances are upper bounds without any stand-in. p_substitute: pieces taken as a stand-in on average, after picks.
    wanted: pieces of each size wanted on average; usable, after: pieces of each size before and after the picks.
    """

    place: Place
    run: str
    sizes: tuple[Consumable, ...]
    cases: int
    wanted: np.ndarray
    usable: np.ndarray
    after: np.ndarray
    p_lacking: float
    p_lacking_after: float
    p_substitute: float
    at_most: bool


def size_readiness(draft: Draft, policy: Policy) -> list[SizeReadiness]:
    """Every run on every cart that a listed case may reach for, likeliest to lack first."""
    forecast = draft.forecast
    frame, known = forecast.frame, forecast.known
    lines = {(line.place_id, line.consumable_id): n for n, line in enumerate(frame.lines)}
    places = {line.place_id: line.place for line in frame.lines}
    consumables = {line.consumable_id: line.consumable for line in frame.lines}
    found = []
    for run, every_size in frame.setups.sizes.items():
        sizes = [pk for pk in every_size if pk in consumables]
        if ("run", run) not in forecast.usage.group_of or not sizes:
            continue
        reach = {slot.room_id: _reach(frame.routes, slot.room_id, sizes) for slot in known.slots}
        for cart in sorted({cart for carts in reach.values() for cart in carts if cart}, key=list(places).index):
            wanted = [_wanted(draft, run, slot, sizes, reach[slot.room_id], cart) for slot in known.slots]
            wanted = np.array([chances for chances in wanted if chances.any()]).reshape(-1, len(sizes))
            if not len(wanted):
                continue
            rows = [lines.get((cart, pk)) for pk in sizes]
            usable = np.array([0 if n is None else draft.stock.usable[n] for n in rows], dtype=int)
            after = usable + np.array([0 if n is None else draft.allocated[n] for n in rows], dtype=int)
            before_risk, _, bounded = _risk(wanted, usable, policy.neighbour_steps)
            after_risk, substitutes, after_bounded = _risk(wanted, after, policy.neighbour_steps)
            found.append(
                SizeReadiness(
                    place=places[cart],
                    run=consumables[sizes[0]].name,
                    sizes=tuple(consumables[pk] for pk in sizes),
                    cases=len(wanted),
                    wanted=wanted.sum(axis=0),
                    usable=usable,
                    after=after,
                    p_lacking=before_risk,
                    p_lacking_after=after_risk,
                    p_substitute=substitutes,
                    at_most=bounded or after_bounded,
                )
            )
    return sorted(found, key=lambda one: (-one.p_lacking_after, -one.p_lacking))


def neighbours(n_sizes: int, steps: int) -> list[list[int]]:
    """Sizes within so many steps of each, nearest first, and of two equally near ones the smaller.

    The smaller first because too large a tube does the harm (common practice).
    """
    return [
        sorted(
            (other for other in range(n_sizes) if 0 < abs(other - size) <= steps),
            key=lambda other, size=size: (abs(other - size), other),
        )
        for size in range(n_sizes)
    ]


def _reach(routes: Routes, room_id: int, sizes: list[int]) -> list[int | None]:
    """The cart that a room takes each size from; None where no cart in reach keeps any of the run."""
    carts = [routes.cart_id(room_id, pk) for pk in sizes]
    home = next((c for c in routes.by_room[room_id] if not routes.stocked[c].isdisjoint(sizes)), None)
    return [home if cart is None else cart for cart in carts]


def _wanted(draft: Draft, run: int, slot: Slot, sizes: list[int], reach: list[int | None], cart: int) -> np.ndarray:
    """Chance that a case wants each size from this cart: (S,)."""
    here = np.array([where == cart for where in reach])
    if not here.any():
        return np.zeros(len(sizes))
    usage, calls = draft.forecast.usage, draft.forecast.known.cancellation
    alpha = usage.alpha(("run", run), slot)
    a, b = calls.beta(slot.case_type_id)
    wants_any = (1.0 - alpha[0] / alpha.sum()) * b / (a + b)
    of_run = usage.setups.sizes[run]
    shares = usage.splits[run, slot.case_type_id, slot.size_class_id]
    chances = wants_any * np.array([shares[of_run.index(pk)] for pk in sizes]) * here
    return np.where(chances < NEGLIGIBLE, 0.0, chances)


def _risk(wanted: np.ndarray, on_hand: np.ndarray, steps: int) -> tuple[float, float, bool]:
    """Chance that some case lacks, stand-ins taken on average, and whether the chance is only an upper bound."""
    try:
        safety = size_safety(wanted, on_hand, neighbours(len(on_hand), steps))
    except ValueError:  # too many sizes and pieces to follow: each size for itself, and the chances added up
        cases, sizes = wanted.shape
        each = np.stack([1.0 - wanted.ravel(), wanted.ravel()], axis=1)
        total = demand.total_over_cases(each, np.tile(np.arange(sizes), cases), np.arange(wanted.size), sizes)
        return min(1.0, float(demand.p_short(total, on_hand).sum())), 0.0, True
    return safety.p_some_case_lacks, float(safety.p_substitute.sum()), False
