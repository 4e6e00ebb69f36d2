"""Further ahead than tomorrow: the lists that are out, and the cases that each weekday usually brings beyond them.

A day's list counts as out when it holds at least half the cases that its weekday usually brings; before that it would
foresee too little, and the usual cases are expected instead. Days are calendar days: weekdays on which nobody operates
bring nothing of themselves. Public holidays are not known.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from inventory.models import Department
from restock.cases.setups import Slot
from restock.learning.calls import AddOns, Cancellation, add_ons, cancellation
from restock.learning.forecast import Known
from restock.learning.tallies import Tallies
from restock.models import Case

from .past import Beliefs

WINDOW_DAYS = 91  # 13 of each weekday
OUT_FROM = 0.5  # share of a weekday's usual cases from which a list counts as out


@dataclass(frozen=True)
class Ahead:
    """Cases of the days after `today`, by room and kind of case.

    listed: the cases of each day whose list is out. usual: cases beyond the lists of each day, on average: those added
    to a list that is out, all cases of a day without one. open_rooms: chance that each room is used on each day.
    seen: past cases that the averages rest on.
    """

    today: date
    days: int
    listed: dict[date, tuple[Slot, ...]]
    usual: dict[date, dict[Slot, float]]
    open_rooms: dict[date, dict[int, float]]
    seen: Counter[Slot]
    cancellation: Cancellation

    def dates(self, after_days: int, days: int) -> list[date]:
        """The days from `after_days` after today on (that one left out) until `days` after today."""
        return [self.today + timedelta(days=n) for n in range(after_days + 1, min(days, self.days) + 1)]

    @property
    def kinds(self) -> list[Slot]:
        """Each kind of case that is foreseen, without its room."""
        slots = [slot for day in self.usual for slot in (*self.listed.get(day, ()), *self.usual[day])]
        return list(dict.fromkeys(slot.anywhere for slot in slots))


def look_ahead(department: Department, *, today: date, days: int) -> Ahead:
    """What the `days` days after `today` will bring, by the lists stored and the WINDOW_DAYS days before it."""
    lists = _cases(department, today + timedelta(days=1), today + timedelta(days=days))
    past = _cases(department, today - timedelta(days=WINDOW_DAYS), today - timedelta(days=1))
    first = min(past, default=today)
    of_weekday = Counter((first + timedelta(days=n)).weekday() for n in range((today - first).days))
    brought: dict[int, Counter[Slot]] = defaultdict(Counter)
    rooms: dict[int, Counter[int]] = defaultdict(Counter)
    seen: Counter[Slot] = Counter()
    for day, slots in past.items():
        brought[day.weekday()].update(slots)
        rooms[day.weekday()].update({slot.room_id for slot in slots})
        seen.update(slots)

    listed, usual, open_rooms = {}, {}, {}
    for n in range(1, days + 1):
        day = today + timedelta(days=n)
        weekday, slots = day.weekday(), tuple(lists.get(day, ()))
        seen_days = max(of_weekday[weekday], 1)
        if slots and len(slots) >= OUT_FROM * brought[weekday].total() / seen_days:
            listed[day] = slots
            open_rooms[day] = {slot.room_id: 1.0 for slot in slots}
            usual[day] = _mean_by_slot(add_ons(department, day=day, slots=list(slots)))
        else:
            usual[day] = {slot: cases / seen_days for slot, cases in brought[weekday].items()}
            open_rooms[day] = {room: used / seen_days for room, used in rooms[weekday].items()}
    return Ahead(today, days, listed, usual, open_rooms, seen, cancellation(department, before=today))


def line_demand(beliefs: Beliefs, ahead: Ahead, tallies: Tallies, after_days: int, days: int) -> np.ndarray:
    """Demand of each cart line of `beliefs` over the days after `after_days` until `days` after today: (L, N) pieces.

    Each room's cases beyond the lists are negative binomial, as firm as the number of past cases they rest on.
    """
    dates = ahead.dates(after_days, days)
    mean: dict[int, dict[Slot, float]] = defaultdict(lambda: defaultdict(float))
    for day in dates:
        for slot, cases in ahead.usual[day].items():
            mean[slot.room_id][slot] += cases
    seen: Counter[int] = Counter()
    for slot, cases in ahead.seen.items():
        seen[slot.room_id] += cases
    rate, mix = {}, {}
    for room, kinds in mean.items():
        total = sum(kinds.values())
        if total > 0:
            firm = 1.0 + seen[room]
            rate[room] = (firm, firm / total)
            mix[room] = {slot: cases / total for slot, cases in kinds.items()}
    slots = tuple(slot for day in dates for slot in ahead.listed.get(day, ()))
    known = Known(dates[0] if dates else ahead.today, slots, tallies, AddOns(rate, mix), ahead.cancellation)
    return beliefs.demand_of_days(known, _repeated(ahead.open_rooms[day] for day in dates))


def _repeated(days: Iterable[dict[int, float]]) -> tuple[int, ...]:
    """Each room as often as it is likely to be opened over the days, in whole days."""
    expected: dict[int, float] = defaultdict(float)
    for rooms in days:
        for room, chance in rooms.items():
            expected[room] += chance
    return tuple(room for room, opened in expected.items() for _ in range(int(np.rint(opened))))


def _mean_by_slot(expected: AddOns) -> dict[Slot, float]:
    return {
        slot: expected.rate[room][0] / expected.rate[room][1] * share
        for room, mix in expected.kinds.items()
        for slot, share in mix.items()
    }


def _cases(department: Department, first: date, last: date) -> dict[date, list[Slot]]:
    """The cases of each day that are not cancelled: two queries."""
    cases = Case.objects.filter(department=department, date__range=(first, last)).exclude(status=Case.Status.CANCELLED)
    extras = defaultdict(set)
    for case_id, extra_id in Case.extras.through.objects.filter(case__in=cases).values_list("case", "extra"):
        extras[case_id].add(extra_id)
    slots = defaultdict(list)
    fields = ("pk", "date", "room", "case_type", "technique", "size_class")
    for pk, day, room, case_type, technique, size_class in cases.order_by("date", "room", "order").values_list(*fields):
        slots[day].append(Slot(room, case_type, technique, size_class, frozenset(extras[pk])))
    return dict(slots)
