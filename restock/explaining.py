"""How a number on the plan came about: the cases behind it, what each may use and why, and how they add up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .forecasting import demand
from .planning import Draft
from .setups import Slot


@dataclass(frozen=True)
class CaseShare:
    """One listed case: what it may use of the line, and what that rests on (cases, faded)."""

    slot: Slot
    pmf: np.ndarray
    mean: float
    own_cases: float
    borrowed_cases: float


@dataclass(frozen=True)
class Explanation:
    """Where the demand of line `n` of a draft comes from. Means in pieces."""

    n: int
    shares: tuple[CaseShare, ...]
    cancelled: dict[str, float]
    room_mean: float
    added_mean: float
    mean: float


def explain(draft: Draft, n: int) -> Explanation:
    """Take the demand of one line apart again. Means add up: cases kept, room and added cases make the whole."""
    forecast = draft.forecast
    line = forecast.frame.lines[n]
    shares, cancelled, kept_mean = [], {}, 0.0
    for index in forecast.drawn[n]:
        slot = forecast.known.slots[index]
        [pmf] = forecast.usage.consumable_pmfs(slot, [line.consumable_id])
        mean = float(demand.mean(pmf[None])[0])
        own, borrowed = forecast.usage.experience(line.consumable_id, slot)
        shares.append(CaseShare(slot, pmf, mean, own, borrowed))
        a, b = forecast.known.cancellation.beta(slot.case_type_id)
        cancelled[forecast.known.cancellation.specialty_of[slot.case_type_id]] = a / (a + b)
        kept_mean += mean * b / (a + b)
    room_mean = sum(
        float(demand.mean(pmf[None])[0])
        for room in forecast.open_rooms
        if forecast.frame.routes.cart_id(room, line.consumable_id) == line.place_id
        and (pmf := forecast.usage.room_pmf(room, line.consumable_id)) is not None
    )
    mean = float(demand.mean(forecast.pmf[n : n + 1])[0])
    return Explanation(n, tuple(shares), cancelled, room_mean, mean - kept_mean - room_mean, mean)
