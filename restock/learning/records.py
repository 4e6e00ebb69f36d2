"""What is known of each line's record without reading the ledger through: how it moves, and how counts found it.

Stored sums hold everything up to one movement and one count; a reader adds what came since, so that no figure is older
than the ledger. They are brought forward with the tallies of the log.

A line moves as many pieces a day as came or went, old ones fading, divided by RATE_DAYS: for a line that moves
steadily this is what the last RATE_DAYS days show.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, field, fields
from datetime import datetime, timedelta
from math import log

from django.db import transaction
from django.db.models import Count as Number
from django.db.models import Max, QuerySet

from inventory.models import Count, Department, Movement, Place

from ..models import RecordTallies, RecordTally

RATE_DAYS = 30
MOVES_HALF_LIFE_DAYS = RATE_DAYS * log(2)  # one piece every day, fading so, adds up to RATE_DAYS pieces
COUNTS_HALF_LIFE_DAYS = 180  # an assumption: how well a line is recorded changes slowly
NO_MOVE = (Movement.Kind.ADJUST, Movement.Kind.REVERSE)  # no hand took or brought anything
ROWS_AT_A_TIME = 20_000
DAY = timedelta(days=1)

Key = tuple[int, int]  # place, consumable


@dataclass(slots=True)
class LineRecord:
    """The record of one line at one place.

    moved: pieces that came or went, faded. days_moved, days_counted: since the newest of each, None where there was
    none. off, counted_over: pieces by which counts differed from the record, and days between these counts, faded.
    """

    moved: float = 0.0
    days_moved: float | None = None
    days_counted: float | None = None
    off: float = 0.0
    counted_over: float = 0.0

    @property
    def moved_per_day(self) -> float:
        return self.moved / RATE_DAYS


FIELDS = tuple(one.name for one in fields(LineRecord))


@dataclass
class LineRecords:
    """Every line of the places at hand that ever moved or was counted, as it counts at the instant `at`."""

    at: datetime
    places: frozenset[int]
    lines: dict[Key, LineRecord] = field(default_factory=dict)

    def line(self, place: int, consumable: int) -> LineRecord:
        return self.lines.setdefault((place, consumable), LineRecord())

    def add_movement(self, source: int, destination: int, consumable: int, pieces: int, when: datetime) -> None:
        days = (self.at - when) / DAY
        for place in (source, destination):
            if place in self.places:
                line = self.line(place, consumable)
                line.moved += pieces * _faded(days, MOVES_HALF_LIFE_DAYS)
                line.days_moved = days if line.days_moved is None else min(days, line.days_moved)

    def add_count(self, place: int, consumable: int, counted: int, expected: int, when: datetime) -> None:
        """A first count sets the record up and says nothing about how it errs."""
        if place not in self.places:
            return
        days, line = (self.at - when) / DAY, self.line(place, consumable)
        if line.days_counted is not None:
            weight = _faded(days, COUNTS_HALF_LIFE_DAYS)
            line.off += abs(counted - expected) * weight
            line.counted_over += max(line.days_counted - days, 0.0) * weight
            days = min(days, line.days_counted)
        line.days_counted = days


def read_line_records(department: Department, *, at: datetime) -> LineRecords:
    """The stored sums with what came since: five queries. Nothing is written."""
    return _read(department, RecordTallies.objects.filter(department=department).first(), at)


@transaction.atomic
def bring_records_forward(*, department: Department, at: datetime, rebuild: bool = False) -> RecordTallies:
    """Store the sums as they count now.

    Starts again from nothing when asked, or when a movement or a count turned up behind the last one that was read.
    """
    Department.objects.select_for_update(no_key=True).get(pk=department.pk)  # two at once take turns
    tallies = RecordTallies.objects.filter(department=department).first()
    if tallies and (rebuild or _missed_one(tallies)):
        tallies.delete()
        tallies = None
    movements, counts = (rows.aggregate(last=Max("pk"), n=Number("pk")) for rows in _rows(department))
    if tallies and (tallies.movements, tallies.counts) == (movements["n"], counts["n"]):
        return tallies
    records = _read(department, tallies, at)
    if tallies:
        tallies.delete()
    stored = RecordTallies.objects.create(
        department=department,
        as_of=at,
        through_movement=movements["last"] or 0,
        movements=movements["n"],
        through_count=counts["last"] or 0,
        counts=counts["n"],
    )
    RecordTally.objects.bulk_create(
        (
            RecordTally(
                tallies=stored, place_id=place, consumable_id=line, **dict(zip(FIELDS, astuple(record), strict=True))
            )
            for (place, line), record in records.lines.items()
        ),
        batch_size=1000,
    )
    return stored


def _read(department: Department, tallies: RecordTallies | None, at: datetime) -> LineRecords:
    physical = Place.objects.filter(department=department).physical()
    records = LineRecords(at, frozenset(physical.values_list("pk", flat=True)))
    if tallies:
        days = (at - tallies.as_of) / DAY
        moves, counts = (_faded(days, half_life) for half_life in (MOVES_HALF_LIFE_DAYS, COUNTS_HALF_LIFE_DAYS))
        rows = tallies.lines.values_list("place", "consumable", *FIELDS)
        for place, line, moved, moved_ago, counted_ago, off, counted_over in rows:
            records.lines[place, line] = LineRecord(
                moved * moves,
                None if moved_ago is None else moved_ago + days,
                None if counted_ago is None else counted_ago + days,
                off * counts,
                counted_over * counts,
            )
    movements, counts = _rows(department)
    newer = movements.filter(pk__gt=tallies.through_movement if tallies else 0).exclude(kind__in=NO_MOVE).order_by()
    for row in newer.values_list("source", "destination", "consumable", "quantity", "at").iterator(ROWS_AT_A_TIME):
        records.add_movement(*row)
    newer = counts.filter(pk__gt=tallies.through_count if tallies else 0).order_by("at", "pk")
    for row in newer.values_list("place", "consumable", "counted", "expected", "at").iterator(ROWS_AT_A_TIME):
        records.add_count(*row)
    return records


def _rows(department: Department) -> tuple[QuerySet[Movement], QuerySet[Count]]:
    """All movements and all counts of a department."""
    return (
        Movement.objects.filter(source__department=department),
        Count.objects.filter(place__department=department),
    )


def _missed_one(tallies: RecordTallies) -> bool:
    movements, counts = _rows(tallies.department)
    return (
        movements.filter(pk__lte=tallies.through_movement).count() != tallies.movements
        or counts.filter(pk__lte=tallies.through_count).count() != tallies.counts
    )


def _faded(days: float, half_life_days: float) -> float:
    return 2.0 ** (-days / half_life_days)
