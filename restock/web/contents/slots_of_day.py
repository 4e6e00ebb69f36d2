"""A room's day as a list of slots, and what a person logged in it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Count, Q, Sum

from inventory.models import Consumable, Department, Room
from restock.cases.case_log import SHIFT
from restock.models import Case, CaseLog, UsageRecord

LAST_USED = 8  # lines that are offered beside the set-up


@dataclass(frozen=True)
class RoomDay:
    """The cases of one room on one day that are not cancelled, in their order."""

    room: Room
    day: date
    cases: tuple[Case, ...]

    @property
    def logged(self) -> list[Case]:
        return [case for case in self.cases if case.logged_at]

    @property
    def open(self) -> list[Case]:
        return [case for case in self.cases if not case.logged_at]

    @property
    def next(self) -> Case | None:
        """The first case that nobody logged."""
        return next(iter(self.open), None)


def room_day(room: Room, day: date) -> RoomDay:
    """Read the room's slots: two queries."""
    cases = _with_names(Case.objects.filter(room=room, date=day))
    return RoomDay(room, day, tuple(cases.order_by("order", "pk")))


def still_open(room: Room, before: date) -> list[Case]:
    """Cases of the day before that nobody logged: a night's case ends on another date than it began."""
    cases = Case.objects.filter(room=room, date=before - timedelta(days=1), logged_at=None)
    return list(_with_names(cases).order_by("order", "pk"))


def _with_names(cases):
    cases = cases.exclude(status=Case.Status.CANCELLED)
    return cases.select_related("department", "room", "case_type", "size_class").prefetch_related("extras")


def rooms_of_day(department: Department, day: date) -> list[Room]:
    """The rooms in the order of the round, each with `cases` and `logged`: how many that day."""
    listed = Q(cases__date=day) & ~Q(cases__status=Case.Status.CANCELLED)
    return list(
        department.rooms.annotate(
            cases_today=Count("cases", filter=listed),
            logged_today=Count("cases", filter=listed & Q(cases__logged_at__isnull=False)),
        ).order_by("walk_order", "code")
    )


@dataclass(frozen=True)
class Entry:
    """One entry about a case as its page tells it. `pieces` are all that were opened, `unused` of them in vain; where
    it takes another back, what it takes back."""

    log: CaseLog
    pieces: int
    unused: int


def entries_about(cases: Iterable[Case]) -> list[Entry]:
    """All entries about these cases, those that take others back too, in the order in which they came."""
    logs = CaseLog.objects.filter(case__in=[case.pk for case in cases]).select_related("by", "case", "undone_by")
    return [
        Entry(log, abs((log.used or 0) + (log.unused or 0)), abs(log.unused or 0))
        for log in logs.annotate(used=Sum("records__used"), unused=Sum("records__opened_unused"))
    ]


def newest_of(user, room: Room, now: datetime) -> Entry | None:
    """The person's newest entry in this room that still stands and can still be taken back."""
    mine = CaseLog.objects.filter(by=user, case__room=room, undoes=None, undone_by=None, recorded_at__gte=now - SHIFT)
    log = mine.select_related("case").order_by("-recorded_at", "-pk").first()
    if log is None:
        return None
    sums = log.records.aggregate(used=Sum("used", default=0), unused=Sum("opened_unused", default=0))
    return Entry(log, sums["used"] + sums["unused"], sums["unused"])


@dataclass(frozen=True)
class OwnTotals:
    """What one person logged since the day began. For that person's eyes only."""

    cases: int
    pieces: int
    unused: int


def own_totals(user, department: Department, *, since: date) -> OwnTotals:
    """What one person logged from that day on and did not take back: two queries. For nobody but that person."""
    begin = department.local_midnight(since)
    standing = CaseLog.objects.filter(by=user, case__department=department, at__gte=begin, undoes=None, undone_by=None)
    sums = UsageRecord.objects.filter(log__in=standing).aggregate(
        used=Sum("used", default=0), unused=Sum("opened_unused", default=0)
    )
    return OwnTotals(
        cases=standing.values("case").distinct().count(), pieces=sums["used"] + sums["unused"], unused=sums["unused"]
    )


def last_used(room: Room, *, leave_out: Iterable[int]) -> list[Consumable]:
    """Lines that cases of this room used last, newest first, but for those left out: two queries."""
    newest = (
        UsageRecord.objects.filter(case__room=room, used__gt=0)
        .exclude(consumable__in=list(leave_out))
        .order_by("-pk")
        .values_list("consumable", flat=True)[: 20 * LAST_USED]
    )
    keys = list(dict.fromkeys(newest))[:LAST_USED]
    lines = Consumable.objects.in_bulk(keys)
    return [lines[key] for key in keys]
