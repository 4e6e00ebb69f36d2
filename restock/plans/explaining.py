"""How a number on the plan came about: the cases behind it, what each may use and why, and how they add up."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np

from ..cases.setups import Slot
from ..forecasting import demand
from ..learning.fits import Captured
from ..learning.forecast import Board, forecast_with, kinds_of_case, opened_by_rooms
from ..learning.opened_unused import opened_unused
from ..learning.usage import captured
from ..learning.widening import planned_levels
from ..models import Policy
from .planning import Draft, targets


@dataclass(frozen=True)
class Need:
    """Pieces that cover the service level, and pieces to add for it."""

    covers: int
    top_up: int


@dataclass(frozen=True)
class CaseShare:
    """Listed cases that are alike for the line: what each of them may use, and what that rests on (cases, faded).

    slots: each of them, with its room. own_standard: share of the case type's own set-up standard in what is borrowed;
    the rest comes from other cases of the technique. without_one: the need if one of them were not on the list.
    """

    slots: tuple[Slot, ...]
    pmf: np.ndarray
    mean: float
    own_cases: float
    borrowed_cases: float
    own_standard: float
    without_one: Need


@dataclass(frozen=True)
class Explanation:
    """Where the demand of line `n` of a draft comes from. Means in pieces.

    level: what the need is read at, above the line's service level where its kind is widened. sigma: its day effect.
    captured, kappa: what counts say of its log, and the rate it was learned with. cut_off: cases behind it that emptied
    their cart (faded). added_cases: unbooked cases expected in the rooms that reach for it. unused: of the pieces that
    cases are likely to open, those that they will not use.
    """

    n: int
    shares: tuple[CaseShare, ...]
    cancelled: dict[str, float]
    sigma: float
    captured: Captured
    kappa: float
    cut_off: float
    room_mean: float
    added_cases: float
    added_mean: float
    unused: float
    mean: float
    level: float
    need: Need


def explain(draft: Draft, n: int, *, policy: Policy) -> Explanation:
    """Take the demand of one line apart again. Means add up: cases kept, room and added cases make the whole."""
    forecast, line = draft.forecast, draft.forecast.frame.lines[n]
    known, usage, setups = forecast.known, forecast.usage, forecast.frame.setups
    calls, fitted = known.cancellation, known.tallies.fitted
    sigma = fitted.day_effect.get(line.consumable_id, 0.0)
    of_line = setups.line(line.consumable_id)
    counted = captured(of_line, setups, fitted)
    [level] = planned_levels(policy.department, [line.consumable.category], draft.service_level[n : n + 1])
    again = _Again(draft, n, level, policy)
    unused = opened_unused(policy.department, setups, day=known.day)

    alike: dict[Slot, list[int]] = defaultdict(list)
    for index in forecast.drawn[n]:
        slot = known.slots[index]
        alike[slot if sigma else slot.anywhere].append(index)
    shares, cancelled, kept_mean, unused_mean = [], {}, 0.0, 0.0
    for indices in alike.values():
        slots = tuple(known.slots[index] for index in indices)
        [pmf] = usage.consumable_pmfs(slots[0].anywhere, [line.consumable_id])
        mean = float(demand.mean(pmf))
        a, b = calls.beta(slots[0].case_type_id)
        cancelled[calls.specialty_of[slots[0].case_type_id]] = a / (a + b)
        kept_mean += len(slots) * mean * b / (a + b)
        unused_mean += len(slots) * mean * b / (a + b) * unused.share(of_line, slots[0].case_type_id)
        shares.append(
            CaseShare(
                slots,
                pmf,
                mean,
                *usage.experience(line.consumable_id, slots[0]),
                own_standard=usage.own_standard_share(line.consumable_id),
                without_one=again.without(indices[0]),
            )
        )
    reaching = [r for r in known.add_ons.rate if forecast.frame.routes.cart_id(r, line.consumable_id) == line.place_id]
    room_pmfs = [usage.room_pmf(room, line.consumable_id) for room in forecast.open_rooms if room in reaching]
    room_mean = sum(float(demand.mean(pmf)) for pmf in room_pmfs if pmf is not None)
    mean = float(demand.mean(forecast.pmf[n]))
    return Explanation(
        n=n,
        shares=tuple(shares),
        cancelled=cancelled,
        sigma=sigma,
        captured=counted,
        kappa=counted.kappa,
        cut_off=sum(weight for *_, weight in known.tallies.cut_off.get(of_line, ())),
        room_mean=room_mean,
        added_cases=sum(a / b for a, b in (known.add_ons.rate[room] for room in reaching)),
        added_mean=max(mean - kept_mean - room_mean, 0.0),
        unused=unused_mean,
        mean=mean,
        level=float(level),
        need=again.need(forecast.pmf[n : n + 1]),
    )


class _Again:
    """The sum of one line anew, with a case left out."""

    def __init__(self, draft: Draft, n: int, level: float, policy: Policy) -> None:
        self._line, self._level, self._policy = draft.forecast.frame.lines[n], level, policy
        self._usable, self._known = int(draft.stock.usable[n]), draft.forecast.known
        usage = draft.forecast.usage
        self._board = Board(replace(draft.forecast.frame, lines=(self._line,)))
        self._pmfs = {kind: usage.consumable_pmfs(kind, self._board.consumables) for kind in kinds_of_case(self._known)}
        self._opened = opened_by_rooms(draft.forecast.open_rooms, usage, self._board)

    def without(self, index: int) -> Need:
        slots = self._known.slots[:index] + self._known.slots[index + 1 :]
        known = replace(self._known, slots=slots)
        return self.need(forecast_with(self._board, known, self._pmfs, self._opened))

    def need(self, pmf: np.ndarray) -> Need:
        covers = demand.quantile(pmf, self._level)
        [target] = targets([self._line], covers, self._policy)
        return Need(int(covers[0]), max(int(target) - self._usable, 0))
