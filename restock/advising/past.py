"""Past operating days as a schedule horizon: their lists as they stood the evening before, and what was then used."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.db.models import Count, Q

from inventory.models import Basis, Criticality, Department, StockingLine
from restock.cases.setups import Slot
from restock.forecasting.convolution import plus
from restock.forecasting.levels import service_target
from restock.learning.calls import add_ons, cancellation
from restock.learning.forecast import (
    Board,
    DayForecast,
    Frame,
    Known,
    expected_beyond_list,
    expected_of_list,
    forecast_with,
    kinds_of_case,
    opened_by_rooms,
)
from restock.learning.replay import Log
from restock.learning.tallies import Tallies
from restock.learning.usage import Usage, learn_usage
from restock.models import Case, Policy
from restock.models import policy_of as policy_of  # the rest of the package asks for it here

DAYS = 28  # operating days looked back unless the supervisor says otherwise: four weeks of every weekday's list
UNBOUNDED = np.iinfo(np.int64).max  # the capacity of a bin whose size is not stated


def operating_days(log: Log, *, before: date, days: int) -> list[date]:
    """The last `days` days before the day that had a list and of which at least one case was logged, oldest first."""
    with_list = [day for day, slots in log.booked.items() if slots and day < before and log.cases.get(day)]
    return sorted(with_list)[-days:]


def last_operating_days(department: Department, *, before: date, days: int) -> list[date]:
    """As `operating_days`, by one query instead of from a log in memory."""
    booked = Q(added_on_the_day=False)
    logged = Q(logged_at__isnull=False) & ~Q(status=Case.Status.CANCELLED)
    by_day = Case.objects.filter(department=department, date__lt=before).order_by("-date").values("date")
    counted = by_day.annotate(booked=Count("pk", filter=booked), logged=Count("pk", filter=logged))
    return sorted(counted.filter(booked__gt=0, logged__gt=0).values_list("date", flat=True)[:days])


@dataclass(frozen=True)
class Beliefs:
    """What was learned by one evening, to be asked about any list of the kinds of case it was made for.

    pmfs: for each kind of case (without its room) the pieces of each of the board's consumables: (consumables, K+1).
    """

    board: Board
    usage: Usage
    pmfs: dict[Slot, np.ndarray]

    def about(self, frame: Frame) -> Beliefs:
        """The same about other lines, without learning again."""
        return _ask(frame, self.usage, self.pmfs)

    def demand(self, known: Known) -> np.ndarray:
        """Demand of every cart line on the day of `known`: (L, N) pieces."""
        rooms = tuple(dict.fromkeys(slot.room_id for slot in known.slots))
        return forecast_with(self.board, known, self.pmfs, opened_by_rooms(rooms, self.usage, self.board))

    def demand_of_list(self, known: Known) -> np.ndarray:
        """The same without what may be added: learning.forecast.expected_of_list."""
        rooms = tuple(dict.fromkeys(slot.room_id for slot in known.slots))
        return expected_of_list(self.board, known, self.pmfs, opened_by_rooms(rooms, self.usage, self.board))

    def demand_of_days(self, known: Known, open_rooms: tuple[int, ...]) -> np.ndarray:
        """Of every cart line when the cases of `known` are those of several days: (L, N) pieces.

        open_rooms: each room once for every day on which it opens what goes by room and day. What the cases of one
        room-day have in common evens out over the days and is left aside.
        """
        opened = opened_by_rooms(open_rooms, self.usage, self.board)
        return forecast_with(self.board, known, self.pmfs, opened, day_effect=False)


def believe(frame: Frame, tallies: Tallies, kinds: Iterable[Slot]) -> Beliefs:
    """Learn all lines, and ask about those of `frame` for each kind of case. Asks the database nothing.

    The kinds have no room, so what rooms open by the day and nobody logged yet is the average over all case types.
    """
    kinds = list(kinds)
    return _ask(frame, learn_usage(frame.setups, tallies, kinds), kinds)


def believed(forecast: DayForecast, kinds: Iterable[Slot]) -> Beliefs:
    """What `forecast` rests on, asked about other kinds of case. Learns again only where it knows one of them not."""
    kinds, known = list(kinds), forecast.known
    if set(kinds) <= {*known.tallies.slots.values(), *kinds_of_case(known)}:
        return _ask(forecast.frame, forecast.usage, kinds)
    return believe(forecast.frame, known.tallies, kinds)


def _ask(frame: Frame, usage: Usage, kinds: Iterable[Slot]) -> Beliefs:
    board = Board(frame)
    pmfs = {}
    for kind in kinds:
        pmf = usage.consumable_pmfs(kind, board.consumables)
        pmfs[kind] = pmf / pmf.sum(axis=1, keepdims=True)  # over many cases the last digits of a learned pmf add up
    return Beliefs(board, usage, pmfs)


def lists_as_known(department: Department, log: Log, days: list[date], *, tallies: Tallies, on: date) -> list[Known]:
    """Each day's list with what is known on the day `on`: how often cases are cancelled, how many are added.

    Added cases go by weekday, so a past Tuesday gets what is known of Tuesdays.
    """
    listed = [slot for day in days for slot in log.booked[day]]
    may_be_cancelled = cancellation(department, before=on)
    by_weekday = {}
    for ahead in range(7):
        weekday = (on + timedelta(days=ahead)).weekday()
        if any(day.weekday() == weekday for day in days):
            by_weekday[weekday] = add_ons(department, day=on + timedelta(days=ahead), slots=listed)
    return [Known(day, tuple(log.booked[day]), tallies, by_weekday[day.weekday()], may_be_cancelled) for day in days]


def average_demand(frame: Frame, lists: list[Known]) -> np.ndarray:
    """Demand of a day of the horizon, averaged over its days as distributions: (L, N) pieces.

    All `lists` share the same tallies. Raises ValueError without any day.
    """
    if not lists:
        raise ValueError("A schedule horizon needs at least one day.")
    kinds = list(dict.fromkeys(kind for known in lists for kind in kinds_of_case(known)))
    beliefs = believe(frame, lists[0].tallies, kinds)
    alike: dict[int, list[Known]] = defaultdict(list)
    for known in lists:
        alike[id(known.add_ons)].append(known)  # what nobody booked is added once to the average of a weekday's lists
    total = np.zeros((len(frame.lines), 1))
    for days in alike.values():
        of_lists = np.zeros((len(frame.lines), 1))
        for known in days:
            of_lists = _sum(of_lists, beliefs.demand_of_list(known))
        total = _sum(total, plus(of_lists, expected_beyond_list(beliefs.board, days[0], beliefs.pmfs)))
    return total / len(lists)


def _sum(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Of weights of distributions (L, N) and (L, M), as wide as the wider one."""
    if one.shape[1] < other.shape[1]:
        one, other = other, one
    total = one.copy()
    total[:, : other.shape[1]] += other
    return total


def service_levels(lines: tuple[StockingLine, ...], policy: Policy) -> np.ndarray:
    """Share of days on which each line should last: (L,)."""
    return np.array([policy.service_level(line.consumable.criticality) for line in lines])


def pars_of(lines: tuple[StockingLine, ...]) -> np.ndarray:
    """Par of each line: (L,) pieces."""
    return np.array([line.par for line in lines], dtype=int)


def floors_of(lines: tuple[StockingLine, ...]) -> np.ndarray:
    """Floor of each line: (L,) pieces."""
    return np.array([line.floor for line in lines], dtype=int)


def least_pars(lines: tuple[StockingLine, ...]) -> np.ndarray:
    """The least that may be advised as a par: (L,) pieces.

    The floor always; par itself on a line kept for emergencies, which no list foretells; one piece, where there was
    any, on a line that must never be out.
    """
    return np.array([max(line.floor, _kept(line)) for line in lines], dtype=int)


def _kept(line: StockingLine) -> int:
    if line.consumable.basis == Basis.EMERGENCY:
        return line.par
    return min(line.par, 1) if line.consumable.criticality == Criticality.NEVER_OUT else 0


def capacities_of(lines: tuple[StockingLine, ...]) -> np.ndarray:
    """What each line's bin holds: (L,) pieces, UNBOUNDED where it is not stated."""
    return np.array([UNBOUNDED if line.capacity is None else line.capacity for line in lines], dtype=int)


def tomorrow_target(pmf: np.ndarray, lines: tuple[StockingLine, ...], policy: Policy, *, with_par: bool) -> np.ndarray:
    """What tomorrow needs on each line, within floor and bin, and with `with_par` no less than par: (L,) pieces."""
    least = np.maximum(floors_of(lines), pars_of(lines)) if with_par else floors_of(lines)
    return service_target(pmf, service_levels(lines, policy), floor=least, capacity=capacities_of(lines)).pieces
