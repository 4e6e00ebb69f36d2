"""What the log says that the tallies do not hold yet, or hold no longer rightly: as sums to be added to them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime

from django.db.models import Exists, F, Max, OuterRef, Q, Sum
from django.db.models.functions import Coalesce

from inventory.models import Department

from ..cases.setups import Line, Setups
from ..models import Case, CaseLog, Learning, UsageRecord
from .emptying import emptying_records


def weight_of(day: date, learning: Learning) -> float:
    """Weight of a case of that day as it is stored: see restock.models.learning on forward decay."""
    return 2.0 ** ((day - learning.landmark).days / learning.half_life_days)


@dataclass
class Sums:
    """Weighted cases and quantities, as they are stored or have to be added to what is stored.

    Strata are keyed as in `case_stratum` and `room_stratum`. quantities: by stratum, line, pieces, and whether demand
    was cut off there. opened, unused: pieces by case type and consumable; opened_by: cases, as OpenedTally has them.
    began, ended: cases that count from now on, or no longer.
    """

    cases: dict[tuple, float] = field(default_factory=lambda: defaultdict(float))
    quantities: dict[tuple[tuple, Line, int, bool], float] = field(default_factory=lambda: defaultdict(float))
    splits: dict[tuple[int, int, int], float] = field(default_factory=lambda: defaultdict(float))
    opened: dict[tuple[int, int], float] = field(default_factory=lambda: defaultdict(float))
    unused: dict[tuple[int, int], float] = field(default_factory=lambda: defaultdict(float))
    opened_by: dict[tuple[int, int], float] = field(default_factory=lambda: defaultdict(float))
    began: list[int] = field(default_factory=list)
    ended: list[int] = field(default_factory=list)

    def add(self, stratum: tuple, line: Line, pieces: int, cut_off: bool, weight: float) -> None:
        """A case or room-day used so many pieces of a line. With less than none of a weight it is taken back."""
        if pieces > 0:
            self.quantities[stratum, line, pieces, cut_off] += weight


@dataclass
class LineTotal:
    """Pieces of a line that a case or room-day used by the records of before, and by all; the newest record of each.

    The newest record says whether demand was cut off: what is logged after the cart ran out was found elsewhere.
    """

    old: int = 0
    new: int = 0
    last_old: int = 0
    last_new: int = 0

    def add(self, old: int, new: int, last_old: int | None, last_new: int) -> None:
        self.old, self.new = self.old + old, self.new + new
        self.last_old, self.last_new = max(self.last_old, last_old or 0), max(self.last_new, last_new)


@dataclass(slots=True)
class Opener:
    """A case that opened a line: the first of its consumables that counts, by the records of before and by all."""

    case_type_id: int
    date: date
    old: int | None = None
    new: int | None = None

    def add(self, consumable_id: int, old: int, new: int) -> None:
        if old > 0:
            self.old = min(consumable_id, self.old or consumable_id)
        if new > 0:
            self.new = min(consumable_id, self.new or consumable_id)

    def changes(self) -> Iterator[tuple[int, int]]:
        """Consumables for which the case counts no longer (-1) or from now on (1)."""
        if self.old != self.new:
            yield from ((pk, sign) for pk, sign in ((self.old, -1), (self.new, 1)) if pk)


def changes_since(learning: Learning, through: int, at: datetime) -> Sums:
    changes = Sums()
    department = learning.department
    before = Q(pk__lte=learning.through_record)
    upto = UsageRecord.objects.filter(department=department, pk__lte=through)
    fresh = upto.exclude(before)
    affected = _affected_cases(learning, fresh, at)
    cases = {pk: one.kind for pk, one in affected.items()}
    room_days = {(case.room_id, case.date) for case in cases.values()}
    room_days |= set(fresh.filter(case__isnull=True).values_list("room", "date").distinct())

    setups = Setups(department)
    per_case: dict[tuple[int, Line], LineTotal] = defaultdict(LineTotal)
    per_room_day: dict[tuple[int, date, Line], LineTotal] = defaultdict(LineTotal)
    openers: dict[tuple[int, Line], Opener] = {}
    pieces = F("used") + F("opened_unused")
    totals = {
        "old": Coalesce(Sum(pieces, filter=before), 0),
        "new": Sum(pieces),
        "last_old": Max("pk", filter=before),
        "last_new": Max("pk"),
    }
    unused = {"unused_old": Coalesce(Sum("opened_unused", filter=before), 0), "unused_new": Sum("opened_unused")}

    rows = (
        _of_cases(upto, learning, room_days)
        .order_by()
        .values_list("case", "case__case_type", "case__room", "case__date", "consumable")
        .annotate(**unused, **totals)
    )
    for case_id, case_type_id, room_id, day, consumable_id, unused_old, unused_new, *total in rows.iterator(
        chunk_size=20_000
    ):
        if (room_id, day) not in room_days:
            continue
        old, new, _, last_new = total
        line = setups.line(consumable_id)
        opener = openers.setdefault((case_id, line), Opener(case_type_id, day))
        opener.add(consumable_id, old, new)
        if last_new > learning.through_record:
            weight = weight_of(day, learning)
            changes.opened[case_type_id, consumable_id] += (new - old) * weight
            changes.unused[case_type_id, consumable_id] += (unused_new - unused_old) * weight
            if consumable_id in setups.runs and not setups.goes_by_room(case_type_id, consumable_id):
                changes.splits[case_type_id, cases[case_id].size_class_id, consumable_id] += (new - old) * weight
        if setups.goes_by_room(case_type_id, consumable_id):
            per_room_day[room_id, day, ("piece", consumable_id)].add(*total)
        else:
            per_case[case_id, line].add(*total)
    for opener in openers.values():
        for consumable_id, sign in opener.changes():
            changes.opened_by[opener.case_type_id, consumable_id] += sign * weight_of(opener.date, learning)
    loose = upto.filter(case__isnull=True).order_by().values_list("room", "date", "consumable")
    for room_id, day, consumable_id, *total in loose.annotate(**totals):
        if (room_id, day) in room_days and setups.goes_by_room(None, consumable_id):
            per_room_day[room_id, day, ("piece", consumable_id)].add(*total)

    for case in affected.values():
        changes.cases[case_stratum(case.kind)] += (case.stands - case.was_tallied) * weight_of(case.kind.date, learning)
    before_days, after_days = _days_with_use(department, upto, before, affected, room_days)
    for room_id, day in before_days ^ after_days:
        sign = 1 if (room_id, day) in after_days else -1
        changes.cases[room_stratum(room_id)] += sign * weight_of(day, learning)
    changes.began = [pk for pk, case in affected.items() if case.stands and not case.was_tallied]
    changes.ended = [pk for pk, case in affected.items() if case.was_tallied and not case.stands]

    found = [(case_stratum(cases[pk]), cases[pk].date, line, t) for (pk, line), t in per_case.items() if pk in cases]
    found += [(room_stratum(room), day, line, total) for (room, day, line), total in per_room_day.items()]
    found = [(*of, total) for *of, total in found if total.last_new > learning.through_record]
    emptied = emptying_records(fresh) | _emptied_before(upto.filter(before), found)
    for stratum, day, line, total in found:
        weight = weight_of(day, learning)
        changes.add(stratum, line, total.old, total.last_old in emptied, -weight)
        changes.add(stratum, line, total.new, total.last_new in emptied, weight)
    return changes


def _emptied_before(read, found: list[tuple[tuple, date, Line, LineTotal]]) -> set[int]:
    """Which of the records of before emptied a cart, on the days of which something was corrected."""
    days = {day for _, day, _, total in found if total.last_old}
    return emptying_records(read.filter(Q(case__date__in=days) | Q(date__in=days))) if days else set()


@dataclass(frozen=True)
class CaseKind:
    """What a case counts for. `extras` are the sorted keys of the booked extras, as in Stratum."""

    date: date
    room_id: int
    case_type_id: int
    technique_id: int
    size_class_id: int
    extras: str


@dataclass(frozen=True)
class Affected:
    """A case that may count otherwise than it did. was_tallied: it counted so far. stands: it counts from now on."""

    kind: CaseKind
    was_tallied: bool
    stands: bool


def _affected_cases(learning: Learning, fresh, at: datetime) -> dict[int, Affected]:
    """Cases with a fresh record, logged since the last time as having used nothing, or no longer logged at all."""
    taken_back = CaseLog.objects.filter(case=OuterRef("pk"), undoes__isnull=False)
    cases = (
        Case.objects.filter(department=learning.department)
        .exclude(status=Case.Status.CANCELLED)
        .annotate(taken_back=Exists(taken_back))
    )
    with_fresh = Q(pk__in=fresh.filter(case__isnull=False).values("case"))
    newly_logged = Q(tallied=False, logged_at__lte=at)
    affected = cases.filter(with_fresh | newly_logged | Q(tallied=True, logged_at=None, taken_back=True))
    extras = defaultdict(list)
    for case_id, extra_id in Case.extras.through.objects.filter(case__in=affected.values("pk")).values_list(
        "case", "extra"
    ):
        extras[case_id].append(extra_id)
    fields = ("date", "room", "case_type", "technique", "size_class", "pk", "tallied", "logged_at", "taken_back")
    return {
        pk: Affected(
            CaseKind(*kind, ",".join(map(str, sorted(extras[pk])))), tallied, bool(logged_at or not taken_back)
        )
        for *kind, pk, tallied, logged_at, taken_back in affected.values_list(*fields)
    }


def _of_cases(records, learning: Learning, room_days: set[tuple[int, date]]):
    """Case records of the days touched: a room-day's line adds up over its cases, old ones too."""
    records = records.filter(case__isnull=False).exclude(case__status=Case.Status.CANCELLED)
    return records.filter(case__date__in={day for _, day in room_days}) if learning.pk else records


def _days_with_use(
    department: Department, upto, before: Q, affected: dict[int, Affected], room_days: set[tuple[int, date]]
) -> tuple[set[tuple[int, date]], set[tuple[int, date]]]:
    """Of these days of rooms those that counted so far, and those that count now, as some use stands there."""
    if not room_days:
        return set(), set()
    days = {day for _, day in room_days}
    of_days = Case.objects.filter(department=department, date__in=days, tallied=True)
    tallied = {pk: (room, day) for pk, room, day in of_days.values_list("pk", "room", "date")}
    loose = upto.filter(date__in=days).order_by()
    before_days = set(tallied.values()) | set(loose.filter(before).values_list("room", "date").distinct())
    after_days = {where for pk, where in tallied.items() if pk not in affected}
    after_days |= {(one.kind.room_id, one.kind.date) for one in affected.values() if one.stands}
    after_days |= set(loose.values_list("room", "date").distinct())
    return before_days & room_days, after_days & room_days


def case_stratum(case: CaseKind) -> tuple:
    return (case.case_type_id, case.technique_id, case.size_class_id, case.extras, None)


def room_stratum(room_id: int) -> tuple:
    return (None, None, None, "", room_id)
