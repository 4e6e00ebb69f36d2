"""Did a campaign change what is opened and not used? Before and after a day, by line and case type, never by person.

Groups of fewer than FEWEST_CASES cases are left out, because so few could tell whose cases they were. The figures are
those of the log itself, unfaded: a campaign is judged by what happened, not by what is expected.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Case as Choice
from django.db.models import Count, F, Q, Sum, When

from inventory.models import Department

from ..cases.setups import Line
from ..forecasting.scoring import Estimate
from ..forecasting.shares import difference, share
from ..models import Case, UsageRecord

FEWEST_CASES = 5  # that opened the line, in each of the periods; common practice where small groups are kept unnamed

Group = tuple[Line, int]


@dataclass(frozen=True)
class Period:
    """What cases of a group opened in a period. Pieces; `cases` are those that opened any."""

    cases: int
    opened: int
    unused: int

    @property
    def share(self) -> Estimate:
        """Of the pieces opened the share that went unused, from 0 to 1. Pieces are taken as independent."""
        return share(self.unused, self.opened)

    @property
    def may_be_shown(self) -> bool:
        return self.cases >= FEWEST_CASES and self.opened > 0


@dataclass(frozen=True)
class Compared:
    """One line and case type, before and since the day."""

    line: Line
    case_type_id: int
    before: Period
    after: Period

    @property
    def change(self) -> Estimate:
        """Of the share unused, after minus before."""
        return difference(self.after.share, self.before.share)

    @property
    def stands_out(self) -> bool:
        """Whether chance alone, 95 times of 100, does not explain the change."""
        return self.change.low > 0.0 or self.change.high < 0.0


@dataclass(frozen=True)
class Campaign:
    """Two periods of as many days, the second from `since` on.

    rows: groups that left a piece unused in either period, those with the most pieces first. left_out: such groups that
    are too small to be shown. after_days: days that have passed of the second period.
    """

    since: date
    first: date
    last: date
    rows: list[Compared]
    left_out: int

    @property
    def after_days(self) -> int:
        return (self.last - self.since).days + 1


def compare(department: Department, *, since: date, days: int, today: date) -> Campaign:
    """Hold `days` days from `since` on, as far as they have passed, against as many days before it. Two queries."""
    last = min(since + timedelta(days=days - 1), today)
    first = since - timedelta(days=days)
    before = _periods(department, first, since - timedelta(days=1))
    after = _periods(department, since, last)
    nothing = Period(0, 0, 0)
    groups = [
        Compared(*group, before.get(group, nothing), after.get(group, nothing))
        for group in before.keys() | after.keys()
        if before.get(group, nothing).unused + after.get(group, nothing).unused > 0
    ]
    rows = [row for row in groups if row.before.may_be_shown and row.after.may_be_shown]
    rows.sort(key=lambda row: (-row.before.unused - row.after.unused, row.line, row.case_type_id))
    return Campaign(since, first, last, rows, left_out=len(groups) - len(rows))


def _periods(department: Department, first: date, last: date) -> dict[Group, Period]:
    """Sizes of a run are one line. Cases whose log was taken back count for nothing."""
    logged = Q(case__date__range=(first, last), case__logged_at__isnull=False)
    records = UsageRecord.objects.filter(logged, department=department).exclude(case__status=Case.Status.CANCELLED)
    piece = Choice(When(consumable__size_run=None, then="consumable"))
    rows = (
        records.order_by()
        .values_list("case__case_type", "consumable__size_run", piece)
        .annotate(
            cases=Count("case", distinct=True), opened=Sum(F("used") + F("opened_unused")), unused=Sum("opened_unused")
        )
    )
    found: dict[Group, Period] = {}
    for case_type, run, consumable, cases, opened, unused in rows:
        line = ("run", run) if run else ("piece", consumable)
        found[line, case_type] = Period(cases, max(opened, 0), min(max(unused, 0), max(opened, 0)))
    return found
