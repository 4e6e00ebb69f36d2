"""Tomorrow's demand for every line of every cart: who will draw on it, and how much together.

Booked cases are summed exactly, with each specialty's cancellations in common; what rooms open once a day and what
unbooked cases may bring is added. A cart that serves many rooms sums over all of them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from inventory.models import Department, StockingLine

from ..cases.routes import Routes, routes
from ..cases.setups import Setups, Slot
from ..forecasting import demand
from ..forecasting.convolution import plus
from ..models import Case
from .calls import AddOns, Cancellation, add_ons, cancellation
from .room_days import RoomDays
from .tallies import Tallies, read_tallies
from .usage import Usage, learn_usage

NO_LINE = -1  # where a room reaches for a consumable that no cart keeps for it
MAY_USE = 0.05  # a case counts as one that may use a line from this probability of using any


@dataclass(frozen=True)
class Frame:
    """What does not change from day to day: the carts' lines, who reaches for which, and what the department states."""

    lines: tuple[StockingLine, ...]
    routes: Routes
    setups: Setups


@dataclass(frozen=True)
class Known:
    """What is known on the evening before `day`: its list, and what the log and the past lists have taught."""

    day: date
    slots: tuple[Slot, ...]
    tallies: Tallies
    add_ons: AddOns
    cancellation: Cancellation


@dataclass(frozen=True)
class DayForecast:
    """Demand of one day for the carts' lines.

    frame, known, usage: what it was made from, so that each number can be explained. pmf: (L, N).
    drawn: for each line the listed cases routed to it (indices into `known.slots`). cases: (L,) how many of them may
    use it. open_rooms: rooms with a list, which open what goes by room and day.
    """

    frame: Frame
    known: Known
    usage: Usage
    pmf: np.ndarray
    drawn: tuple[tuple[int, ...], ...]
    cases: np.ndarray
    open_rooms: tuple[int, ...]


def read_frame(department: Department) -> Frame:
    """The carts' lines stand in the order in which a technician walks and opens drawers.

    Prefetched, not joined: a consumable that thirty carts keep is made once.
    """
    lines = (
        StockingLine.objects.filter(place__department=department, place__role="cart")
        .prefetch_related("place", "bin", "consumable")
        .in_drawer_order()
    )
    return Frame(tuple(lines), routes(department), Setups(department))


def read_known(department: Department, day: date, *, slots: Iterable[Slot] | None = None) -> Known:
    """From the stored tallies: bring them forward before (learning.tallies). `slots` stand in for the day's list."""
    slots = tuple(listed_slots(department, day) if slots is None else slots)
    return Known(
        day=day,
        slots=slots,
        tallies=read_tallies(department, day),
        add_ons=add_ons(department, day=day, slots=slots),
        cancellation=cancellation(department, before=day),
    )


def listed_slots(department: Department, day: date) -> list[Slot]:
    """The day's cases that are not cancelled, in the order of rooms and lists: two queries."""
    cases = Case.objects.filter(department=department, date=day).exclude(status=Case.Status.CANCELLED)
    extras = defaultdict(set)
    for case_id, extra_id in Case.extras.through.objects.filter(case__in=cases).values_list("case", "extra"):
        extras[case_id].add(extra_id)
    rows = cases.order_by("room__walk_order", "room", "order", "pk")
    return [
        Slot(room, case_type, technique, size_class, frozenset(extras[pk]))
        for pk, room, case_type, technique, size_class in rows.values_list(
            "pk", "room", "case_type", "technique", "size_class"
        )
    ]


def forecast_day(frame: Frame, known: Known, *, usage: Usage | None = None) -> DayForecast:
    """Forecast every line of every cart. Asks the database nothing.

    `usage` saves learning again what was learned for the same tallies; it must know all kinds of case in `known`.
    """
    usage = usage or learn_usage(frame.setups, known.tallies, [*known.slots, *kinds_of_case(known)])
    board = Board(frame)
    pmfs = {slot: usage.consumable_pmfs(slot, board.consumables) for slot in kinds_of_case(known)}
    rooms = tuple(dict.fromkeys(slot.room_id for slot in known.slots))
    pmf = forecast_with(board, known, pmfs, opened_by_rooms(rooms, usage, board))
    drawn, cases = _drawn(known, pmfs, board)
    return DayForecast(frame, known, usage, pmf, drawn, cases, rooms)


def with_list(forecast: DayForecast, slots: tuple[Slot, ...]) -> DayForecast:
    """The same evening with another list, from the same learning. Asks the database nothing.

    Only the lines that rooms with another list reach for are worked out again. `forecast.usage` must know all kinds of
    case in `slots`.
    """
    known, usage = replace(forecast.known, slots=slots), forecast.usage
    board = Board(forecast.frame)
    before, after = (_by_room(of.slots) for of in (forecast.known, known))
    changed = [room for room in {**before, **after} if before.get(room) != after.get(room)]
    lines = np.unique(np.concatenate([board.line_of[room] for room in changed] or [np.zeros(0, dtype=int)]))
    lines = lines[lines != NO_LINE]
    pmfs = {slot: usage.consumable_pmfs(slot, board.consumables) for slot in kinds_of_case(known)}
    drawn, cases = _drawn(known, pmfs, board)
    part = board.limited_to(lines)
    rooms = tuple(after)
    again = forecast_with(part, known, pmfs, opened_by_rooms(rooms, usage, part))[lines]
    pmf = np.zeros((len(forecast.pmf), max(forecast.pmf.shape[1], again.shape[1])))
    pmf[:, : forecast.pmf.shape[1]] = forecast.pmf
    pmf[lines] = 0.0
    pmf[lines, : again.shape[1]] = again
    return DayForecast(forecast.frame, known, usage, demand.trimmed(pmf), drawn, cases, rooms)


def _by_room(slots: Iterable[Slot]) -> dict[int, list[Slot]]:
    lists: dict[int, list[Slot]] = {}
    for slot in slots:
        lists.setdefault(slot.room_id, []).append(slot)
    return lists


def forecast_with(
    board: Board, known: Known, pmfs: dict[Slot, np.ndarray], opened: np.ndarray, *, day_effect: bool = True
) -> np.ndarray:
    """Total demand (L, N) from beliefs about cases: `pmfs` (consumables, K+1) for each kind of case of `known`.

    day_effect: let the cases of a room-day move together where the newest refit found that they do.
    """
    expected = expected_of_list(board, known, pmfs, opened, day_effect=day_effect)
    return demand.trimmed(plus(expected, expected_beyond_list(board, known, pmfs, day_effect=day_effect)))


def expected_of_list(
    board: Board, known: Known, pmfs: dict[Slot, np.ndarray], opened: np.ndarray, *, day_effect: bool = True
) -> np.ndarray:
    """What the listed cases use, and the open rooms: (L, N).

    Where a consumable has a day effect, unbooked cases are moved by the same day: its lines hold them, too.
    """
    sigma = _day_effects(board, known, day_effect)
    total = plus(_booked(known, pmfs, _steady(board, sigma), board), opened)
    columns = np.flatnonzero(sigma)
    if not columns.size:
        return total
    lines, moved = _moved(known, pmfs, columns, sigma[columns], board)
    joined = plus(total[lines], moved)
    total = np.pad(total, ((0, 0), (0, joined.shape[1] - total.shape[1])))
    total[lines] = joined
    return total


def expected_beyond_list(
    board: Board, known: Known, pmfs: dict[Slot, np.ndarray], *, day_effect: bool = True
) -> np.ndarray:
    """What unbooked cases use of everything that has no day effect: (L, N). It depends on `known.add_ons` alone."""
    return _added(known.add_ons, pmfs, _steady(board, _day_effects(board, known, day_effect)), board)


def _day_effects(board: Board, known: Known, wanted: bool) -> np.ndarray:
    """sigma of each of the board's consumables, 0 where it has no day effect."""
    found = known.tallies.fitted.day_effect if wanted else {}
    return np.array([found.get(consumable, 0.0) for consumable in board.consumables])


def _steady(board: Board, sigma: np.ndarray) -> dict[int, np.ndarray]:
    """The line that each room reaches for what has no day effect."""
    return {room: np.where(sigma == 0.0, reached, NO_LINE) for room, reached in board.line_of.items()}


def kinds_of_case(known: Known) -> list[Slot]:
    """Each kind of case that is listed or may be added, without its room: what it uses does not depend on where."""
    may_come = [slot for mix in known.add_ons.kinds.values() for slot in mix]
    return list(dict.fromkeys(slot.anywhere for slot in [*known.slots, *may_come]))


class Board:
    """Which line a room reaches for each consumable: an array instead of a question asked a hundred thousand times."""

    def __init__(self, frame: Frame) -> None:
        self.n_lines = len(frame.lines)
        self.consumables = sorted({line.consumable_id for line in frame.lines})
        at = {(line.place_id, line.consumable_id): n for n, line in enumerate(frame.lines)}
        self.line_of: dict[int, np.ndarray] = {}
        for room in frame.routes.by_room:
            carts = (frame.routes.cart_id(room, consumable) for consumable in self.consumables)
            self.line_of[room] = np.array(
                [at.get((cart, consumable), NO_LINE) for cart, consumable in zip(carts, self.consumables, strict=True)],
                dtype=int,
            )

    def limited_to(self, lines: np.ndarray) -> Board:
        """The same board, on which rooms reach for nothing but these lines."""
        limited = copy(self)
        limited.line_of = {room: np.where(np.isin(at, lines), at, NO_LINE) for room, at in self.line_of.items()}
        return limited


def _booked(known: Known, pmfs: dict[Slot, np.ndarray], line_of: dict[int, np.ndarray], board: Board) -> np.ndarray:
    """Totals over the listed cases: (L, N)."""
    slots, calls = known.slots, known.cancellation
    specialties = sorted({calls.specialty_of[slot.case_type_id] for slot in slots})
    betas = {calls.specialty_of[slot.case_type_id]: calls.beta(slot.case_type_id) for slot in slots}
    line, rows, service = [], [], []
    for slot in slots:
        reached = line_of[slot.room_id]
        stocked = np.flatnonzero(reached != NO_LINE)
        line.append(reached[stocked])
        rows.append(pmfs[slot.anywhere][stocked])
        service.append(np.full(len(stocked), specialties.index(calls.specialty_of[slot.case_type_id])))
    if not slots:
        return _nothing(board.n_lines)
    line, rows, service = np.concatenate(line), np.concatenate(rows), np.concatenate(service)
    a, b = np.array([betas[s] for s in specialties]).T
    return demand.total_with_shared_cancellation(rows, line, np.arange(len(rows)), service, board.n_lines, a, b)


def _drawn(known: Known, pmfs: dict[Slot, np.ndarray], board: Board) -> tuple[tuple[tuple[int, ...], ...], np.ndarray]:
    """The listed cases routed to each line, and how many of them may use it: (L,)."""
    drawn: list[list[int]] = [[] for _ in range(board.n_lines)]
    cases = np.zeros(board.n_lines, dtype=int)
    for n, slot in enumerate(known.slots):
        reached = board.line_of[slot.room_id]
        for where in reached[reached != NO_LINE]:
            drawn[where].append(n)
        may_use = 1.0 - pmfs[slot.anywhere][:, 0] >= MAY_USE
        cases[reached[may_use & (reached != NO_LINE)]] += 1
    return tuple(map(tuple, drawn)), cases


def _moved(
    known: Known, pmfs: dict[Slot, np.ndarray], columns: np.ndarray, sigma: np.ndarray, board: Board
) -> tuple[np.ndarray, np.ndarray]:
    """Lines of the consumables with a day effect (M,), and what booked and unbooked cases use of them: (M, N)."""
    days = RoomDays(known.slots, known.add_ons, known.cancellation, pmfs, columns)
    reached = np.concatenate([board.line_of[room][columns] for room in days.rooms])
    stocked = np.flatnonzero(reached != NO_LINE)
    lines, at = np.unique(reached[stocked], return_inverse=True)
    return lines, demand.total_over_cases(days.totals(sigma), at, stocked, len(lines))


def opened_by_rooms(rooms: tuple[int, ...], usage: Usage, board: Board) -> np.ndarray:
    """What open rooms use in a day whatever their cases: (L, N)."""
    line, rows = [], []
    for room in rooms:
        for n, consumable in enumerate(board.consumables):
            pmf = usage.room_pmf(room, consumable)
            if pmf is not None and board.line_of[room][n] != NO_LINE:
                line.append(board.line_of[room][n])
                rows.append(pmf)
    if not rows:
        return _nothing(board.n_lines)
    return demand.total_over_cases(np.array(rows), np.array(line), np.arange(len(rows)), board.n_lines)


def _added(expected: AddOns, pmfs: dict[Slot, np.ndarray], line_of: dict[int, np.ndarray], board: Board) -> np.ndarray:
    """What cases that nobody booked may use: (L, N). Each room's number of them is negative binomial."""
    number = {kind: n for n, kind in enumerate(pmfs)}
    shares = np.zeros((len(expected.kinds), len(pmfs)))
    for n, mix in enumerate(expected.kinds.values()):
        np.add.at(shares[n], [number[slot.anywhere] for slot in mix], list(mix.values()))
    use = np.tensordot(shares, np.array(list(pmfs.values())), 1) if shares.size else []
    line, rows, a, b = [], [], [], []
    for room, of_room in zip(expected.kinds, use, strict=True):
        reached = line_of[room]
        stocked = np.flatnonzero(reached != NO_LINE)
        line.append(reached[stocked])
        rows.append(of_room[stocked])
        a.append(np.full(len(stocked), expected.rate[room][0]))
        b.append(np.full(len(stocked), expected.rate[room][1]))
    if not rows:
        return _nothing(board.n_lines)
    totals = demand.negative_binomial_total(np.concatenate(rows), np.concatenate(a), np.concatenate(b))
    return demand.total_over_cases(totals, np.concatenate(line), np.arange(len(totals)), board.n_lines)


def _nothing(n_lines: int) -> np.ndarray:
    pmf = np.zeros((n_lines, 1))
    pmf[:, 0] = 1.0
    return pmf
