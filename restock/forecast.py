"""Tomorrow's demand for every line of every cart: who will draw on it, and how much together.

Booked cases are summed exactly, with each specialty's cancellations in common; what rooms open once a day and what
unbooked cases may bring is added. A cart that serves many rooms sums over all of them.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

import numpy as np

from inventory.models import Department, StockingLine

from .calls import AddOns, Cancellation, add_ons, cancellation
from .forecasting import demand
from .forecasting.convolution import plus
from .models import Case
from .routes import Routes, routes
from .setups import Slot
from .usage import Usage, fade_factor, learn_usage

MAY_USE = 0.05  # a case counts as one that may use a line from this probability of using any


@dataclass(frozen=True)
class DayForecast:
    """Demand of one day for the carts' stocking lines.

    lines: (L,) stocking lines with place, bin and consumable loaded. pmf: (L, N). slots: the listed cases.
    drawn: for each line the listed cases routed to it (indices into `slots`). cases: (L,) how many of them may use it.
    open_rooms: rooms with a list, which open what goes by room and day. add_ons, cancellation, usage, routes: what it
    was made from, so that each number can be explained.
    """

    day: date
    lines: tuple[StockingLine, ...]
    pmf: np.ndarray
    slots: tuple[Slot, ...]
    drawn: tuple[tuple[int, ...], ...]
    cases: np.ndarray
    open_rooms: tuple[int, ...]
    add_ons: AddOns
    cancellation: Cancellation
    usage: Usage
    routes: Routes


def listed_slots(department: Department, day: date) -> list[Slot]:
    """The day's cases that are not cancelled, in the order of rooms and lists: two queries."""
    cases = Case.objects.filter(department=department, date=day).exclude(status=Case.Status.CANCELLED)
    extras = defaultdict(set)
    for case_id, extra_id in Case.extras.through.objects.filter(case__in=cases).values_list("case", "extra"):
        extras[case_id].add(extra_id)
    fields = ("pk", "room", "case_type", "technique", "size_class")
    return [
        Slot(room, case_type, technique, size_class, frozenset(extras[pk]))
        for pk, room, case_type, technique, size_class in cases.order_by(
            "room__walk_order", "room", "order"
        ).values_list(*fields)
    ]


def cart_lines(department: Department) -> list[StockingLine]:
    """Every stocking line of every cart, in the order in which a technician walks and opens drawers."""
    return list(
        StockingLine.objects.filter(place__department=department, place__role="cart")
        .select_related("place", "bin", "consumable")
        .order_by("place__walk_order", "place__code", "bin__walk_order", "consumable__section", "consumable__code")
    )


def forecast_day(department: Department, day: date, *, slots: list[Slot] | None = None) -> DayForecast:
    """Forecast the department's carts for `day` from what was tallied so far; `slots` stand in for the day's list.

    Reads only: bring the tallies forward before (restock.tallies). The number of queries does not depend on the
    number of lines or cases.
    """
    slots = listed_slots(department, day) if slots is None else slots
    expected = add_ons(department, day=day, slots=slots)
    kinds = [slot for mix in expected.kinds.values() for slot in mix]
    usage = learn_usage(department, [*slots, *kinds], fade=fade_factor(department, day))
    calls = cancellation(department, before=day)
    lines = cart_lines(department)
    where = routes(department)
    board = _Board(lines, where)

    pmfs = {}
    for slot in dict.fromkeys(_kind(slot) for slot in [*slots, *kinds]):
        pmfs[slot] = usage.consumable_pmfs(slot, board.consumables)
    total, drawn, cases = _booked(slots, pmfs, board, calls)
    rooms = tuple(dict.fromkeys(slot.room_id for slot in slots))
    opened = _opened(rooms, usage, board)
    added = _added(expected, pmfs, board)
    pmf = demand.trimmed(plus(plus(total, opened), added))
    return DayForecast(day, tuple(lines), pmf, tuple(slots), drawn, cases, rooms, expected, calls, usage, where)


class _Board:
    """Which line a room reaches for each consumable: an array instead of a question asked a hundred thousand times."""

    def __init__(self, lines: list[StockingLine], where: Routes) -> None:
        self.n_lines = len(lines)
        self.consumables = sorted({line.consumable_id for line in lines})
        at = {(line.place_id, line.consumable_id): n for n, line in enumerate(lines)}
        self.line_of: dict[int, np.ndarray] = {}
        for room in where.by_room:
            carts = (where.cart_id(room, consumable) for consumable in self.consumables)
            self.line_of[room] = np.array(
                [at.get((cart, consumable), -1) for cart, consumable in zip(carts, self.consumables, strict=True)],
                dtype=int,
            )


def _booked(slots: list[Slot], pmfs: dict[Slot, np.ndarray], board: _Board, calls: Cancellation):
    """Totals over the listed cases (L, N), the cases routed to each line, and how many of them may use it (L,)."""
    specialties = sorted({calls.specialty_of[slot.case_type_id] for slot in slots})
    betas = {calls.specialty_of[slot.case_type_id]: calls.beta(slot.case_type_id) for slot in slots}
    line, rows, service = [], [], []
    drawn: list[list[int]] = [[] for _ in range(board.n_lines)]
    for n, slot in enumerate(slots):
        reached = board.line_of[slot.room_id]
        stocked = np.flatnonzero(reached >= 0)
        line.append(reached[stocked])
        rows.append(pmfs[_kind(slot)][stocked])
        service.append(np.full(len(stocked), specialties.index(calls.specialty_of[slot.case_type_id])))
        for where in reached[stocked]:
            drawn[where].append(n)
    if not slots:
        return _nothing(board.n_lines), tuple(() for _ in drawn), np.zeros(board.n_lines, dtype=int)
    line, rows, service = np.concatenate(line), np.concatenate(rows), np.concatenate(service)
    a, b = np.array([betas[s] for s in specialties]).T
    total = demand.total_with_shared_cancellation(rows, line, np.arange(len(rows)), service, board.n_lines, a, b)
    cases = np.bincount(line[1.0 - rows[:, 0] >= MAY_USE], minlength=board.n_lines)
    return total, tuple(map(tuple, drawn)), cases


def _opened(rooms: tuple[int, ...], usage: Usage, board: _Board) -> np.ndarray:
    """What open rooms use in a day whatever their cases: (L, N)."""
    line, rows = [], []
    for room in rooms:
        for n, consumable in enumerate(board.consumables):
            pmf = usage.room_pmf(room, consumable)
            if pmf is not None and board.line_of[room][n] >= 0:
                line.append(board.line_of[room][n])
                rows.append(pmf)
    if not rows:
        return _nothing(board.n_lines)
    return demand.total_over_cases(np.array(rows), np.array(line), np.arange(len(rows)), board.n_lines)


def _added(expected: AddOns, pmfs: dict[Slot, np.ndarray], board: _Board) -> np.ndarray:
    """What cases that nobody booked may use: (L, N). Each room's number of them is negative binomial."""
    line, rows, a, b = [], [], [], []
    for room, mix in expected.kinds.items():
        reached = board.line_of[room]
        stocked = np.flatnonzero(reached >= 0)
        per_case = sum(share * pmfs[_kind(slot)][stocked] for slot, share in mix.items())
        line.append(reached[stocked])
        rows.append(per_case)
        a.append(np.full(len(stocked), expected.rate[room][0]))
        b.append(np.full(len(stocked), expected.rate[room][1]))
    if not rows:
        return _nothing(board.n_lines)
    totals = demand.negative_binomial_total(np.concatenate(rows), np.concatenate(a), np.concatenate(b))
    return demand.total_over_cases(totals, np.concatenate(line), np.arange(len(totals)), board.n_lines)


def _kind(slot: Slot) -> Slot:
    """The slot without its room: what it uses does not depend on where it is done."""
    return Slot(0, slot.case_type_id, slot.technique_id, slot.size_class_id, slot.extras)


def _nothing(n_lines: int) -> np.ndarray:
    pmf = np.zeros((n_lines, 1))
    pmf[:, 0] = 1.0
    return pmf
