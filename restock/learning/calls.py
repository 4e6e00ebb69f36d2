"""How cases come and go: how many booked ones are cancelled, and how many come that nobody booked.

Both are learned from the department's own past lists, and start from published or stated assumptions.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date, timedelta

from inventory.models import Department

from ..cases.setups import Slot
from ..models import Case, CaseType

WINDOW_DAYS = 365

# Before anything is known: 6 cancelled in 100, as firm as 16 cases. Schuster et al. 2011 found 12.4% in a university
# hospital and 5.0% in smaller ones (6,009 cases).
CANCELLED, KEPT = 1.0, 15.0

# Before anything is known: one unbooked case in ten room-days (an assumption, as firm as 4 room-days).
ADDED_PER_ROOM_DAY, ADDED_ROOM_DAYS = 0.1, 4.0
OWN_DEPARTMENT_DAYS = 8.0  # how firmly a room and weekday lean on the department's rate for that weekday
OWN_DEPARTMENT_CASES = 10.0  # how firmly a room's kinds of added case lean on the department's


@dataclass(frozen=True)
class Cancellation:
    """The share of booked cases that are cancelled is Beta(a, b) for each specialty."""

    by_specialty: dict[str, tuple[float, float]]
    specialty_of: dict[int, str]

    def beta(self, case_type_id: int) -> tuple[float, float]:
        return self.by_specialty.get(self.specialty_of[case_type_id], (CANCELLED, KEPT))


@dataclass(frozen=True)
class AddOns:
    """The number of added cases of a room on a day is Poisson with a rate that is Gamma(a, b); b in days.

    rate: (a, b) of each room. kinds: for each room what kind of case comes, with shares that sum to 1.
    """

    rate: dict[int, tuple[float, float]]
    kinds: dict[int, dict[Slot, float]]


def cancellation(department: Department, *, before: date) -> Cancellation:
    """From the booked cases of the year before the day."""
    specialty_of = dict(CaseType.objects.filter(department=department).values_list("pk", "specialty"))
    cancelled, kept = Counter(), Counter()
    booked = _past(department, before).filter(added_on_the_day=False)
    for case_type_id, status in booked.values_list("case_type", "status"):
        (cancelled if status == Case.Status.CANCELLED else kept)[specialty_of[case_type_id]] += 1
    betas = {s: (CANCELLED + cancelled[s], KEPT + kept[s]) for s in set(cancelled) | set(kept)}
    return Cancellation(betas, specialty_of)


def add_ons(department: Department, *, day: date, slots: list[Slot]) -> AddOns:
    """Rates by room and weekday from the year before the day, kinds from what was added then.

    Where nothing was ever added, only rooms with a list have a rate, and what may come is like what is booked.
    """
    rooms = list(department.rooms.values_list("pk", flat=True))
    past = _past(department, day)
    first = past.order_by("date").values_list("date", flat=True).first()
    weekdays = _days_alike(first, day) if first else 0

    extras = defaultdict(set)
    added = past.filter(added_on_the_day=True).exclude(status=Case.Status.CANCELLED)
    for case_id, extra_id in Case.extras.through.objects.filter(case__in=added).values_list("case", "extra"):
        extras[case_id].add(extra_id)
    on_weekday: Counter[int] = Counter()
    kinds: dict[int, Counter[Slot]] = defaultdict(Counter)
    everywhere: Counter[Slot] = Counter()
    for pk, when, room, case_type, technique, size_class in added.values_list(
        "pk", "date", "room", "case_type", "technique", "size_class"
    ):
        slot = Slot(room, case_type, technique, size_class, frozenset(extras[pk]))
        kinds[room][slot] += 1
        everywhere[_anywhere(slot)] += 1
        on_weekday[room] += when.weekday() == day.weekday()

    listed = {slot.room_id for slot in slots}
    if not everywhere:
        everywhere.update(_anywhere(slot) for slot in slots)
    prior_days = ADDED_ROOM_DAYS + weekdays * len(rooms)
    department_rate = (ADDED_PER_ROOM_DAY * ADDED_ROOM_DAYS + sum(on_weekday.values())) / prior_days
    rate, mix = {}, {}
    for room in rooms:
        if everywhere and (weekdays or room in listed):
            rate[room] = (OWN_DEPARTMENT_DAYS * department_rate + on_weekday[room], OWN_DEPARTMENT_DAYS + weekdays)
            mix[room] = _mix(room, kinds[room], everywhere)
    return AddOns(rate, mix)


def _past(department: Department, before: date):
    since = before - timedelta(days=WINDOW_DAYS)
    return Case.objects.filter(department=department, date__gte=since, date__lt=before)


def _days_alike(first: date, day: date) -> int:
    """How many days with the weekday of `day` lie from `first` until before `day`."""
    earliest = first + timedelta(days=(day.weekday() - first.weekday()) % 7)
    return max(0, -(-(day - earliest).days // 7))


def _anywhere(slot: Slot) -> Slot:
    return Slot(0, slot.case_type_id, slot.technique_id, slot.size_class_id, slot.extras)


def _mix(room: int, own: Counter[Slot], everywhere: Counter[Slot]) -> dict[Slot, float]:
    total, own_total = sum(everywhere.values()), sum(own.values())
    mix: dict[Slot, float] = defaultdict(float)
    for slot, n in everywhere.items():
        here = Slot(room, slot.case_type_id, slot.technique_id, slot.size_class_id, slot.extras)
        mix[here] += OWN_DEPARTMENT_CASES * n / total / (OWN_DEPARTMENT_CASES + own_total)
    for slot, n in own.items():
        mix[slot] += n / (OWN_DEPARTMENT_CASES + own_total)
    return dict(mix)
