"""How much of what leaves the carts is logged: two counts of one line, and what was recorded between them.

    gone = opening count + added - moved, discarded, returned or made up into a bundle - closing count

against the logged use from that place. Adjustments are no evidence: they are what the counts themselves said. Events
are taken at the time they happened, a count coming first at its own instant, as where use is recorded. Use that was
logged late and therefore moved no stock is logged use all the same.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from datetime import datetime, time, timedelta

from django.db.models import F

from inventory.models import Count, Department, Movement

from ..cases.routes import routes
from ..models import UsageRecord
from .fits import Captured

WINDOW_DAYS = 365
NOON = time(12)  # a case without a booked start, as where its use is recorded

# A reversed movement did not happen, and neither did its reversal.
_NO_EVIDENCE = (Movement.Kind.ADJUST, Movement.Kind.REVERSE)


class _Spans:
    """The spans between the counts of every cart line, and what is known of each."""

    def __init__(self, department: Department, since: datetime) -> None:
        counts = Count.objects.filter(place__department=department, place__role="cart", at__gte=since)
        self._times: dict[tuple[int, int], list[datetime]] = defaultdict(list)
        self._pieces: dict[tuple[int, int], list[int]] = defaultdict(list)
        for place, consumable, at, counted in counts.order_by("at", "pk").values_list(
            "place", "consumable", "at", "counted"
        ):
            self._times[place, consumable].append(at)
            self._pieces[place, consumable].append(counted)
        self.lines = {line for line, times in self._times.items() if len(times) > 1}
        self.first = min((self._times[line][0] for line in self.lines), default=None)
        self._gone: dict[tuple[int, int], int] = defaultdict(int)
        self._logged: dict[tuple[int, int], int] = defaultdict(int)

    def note(self, line: tuple[int, int], at: datetime, *, gone: int = 0, logged: int = 0) -> None:
        """Pieces that a line should have lost beyond what the counts show, or use of it, at an instant."""
        if line in self.lines and 0 < bisect_right(self._times[line], at) < len(self._times[line]):
            self._gone[line] += gone
            self._logged[line] += logged

    def by_consumable(self) -> dict[int, Captured]:
        found: dict[int, Captured] = defaultdict(Captured)
        for line in self.lines:
            pieces = self._pieces[line]
            gone = pieces[0] - pieces[-1] + self._gone[line]
            found[line[1]] += Captured(len(pieces) - 1, gone, self._logged[line])
        return dict(found)


def gone_between_counts(department: Department, *, at: datetime) -> dict[int, Captured]:
    """Pieces gone and pieces logged of each consumable, over the carts' counts of the year before `at`."""
    spans = _Spans(department, at - timedelta(days=WINDOW_DAYS))
    if not spans.lines:
        return {}
    moved = Movement.objects.filter(at__gte=spans.first).exclude(kind__in=_NO_EVIDENCE).not_reversed().order_by()
    consumables = {consumable for _, consumable in spans.lines}
    fields = ("kind", "source", "destination", "consumable", "quantity", "at")
    for kind, source, destination, consumable, pieces, when in (
        moved.filter(consumable__in=consumables).values_list(*fields).iterator(chunk_size=20_000)
    ):
        if kind == Movement.Kind.USE:
            spans.note((source, consumable), when, logged=pieces)
        else:
            spans.note((source, consumable), when, gone=-pieces)
            spans.note((destination, consumable), when, gone=pieces)
    _note_use_that_moved_nothing(spans, department, consumables)
    return spans.by_consumable()


def _note_use_that_moved_nothing(spans: _Spans, department: Department, consumables: set[int]) -> None:
    where = routes(department)
    unmoved = UsageRecord.objects.filter(department=department, movement=None, consumable__in=consumables)
    pieces = F("used") + F("opened_unused")
    first_day = department.local_date(spans.first)
    of_cases = unmoved.filter(case__date__gte=first_day).values_list(
        "case__date", "case__starts_at", "case__room", "consumable", pieces
    )
    loose = unmoved.filter(case=None, date__gte=first_day).values_list("date", "room", "consumable", pieces)
    rows = [*of_cases, *((day, None, room, consumable, n) for day, room, consumable, n in loose)]
    for day, start, room, consumable, n in rows:
        when = datetime.combine(day, start or NOON, department.local_midnight(day).tzinfo)
        spans.note((where.cart_id(room, consumable), consumable), when, logged=n)
