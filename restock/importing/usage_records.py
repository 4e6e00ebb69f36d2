"""Write what was used: records to learn from, movements where the stock is known to be older than the use.

A person who counts a cart sees what was used before. So use from before the last count of its line there (or, where it
was never counted, before the first piece came) moves no stock. A case's use is taken to happen at its booked start,
or at noon where no start is known: a count of the evening has seen it, a count of the early morning has not.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import NamedTuple

from django.db import connection
from django.db.models import Count as Number
from django.db.models import Max, Min, Q, Sum
from django.utils.translation import gettext_noop, ngettext

from inventory import ledger
from inventory.importing.loading import Loading, Outcome
from inventory.in_parts import in_parts
from inventory.models import Count, Movement, Place
from restock.cases.routes import Routes, routes
from restock.models import Case, UsageRecord

NOON = time(12)
ROWS_AT_ONCE = 20_000


class Pieces(NamedTuple):
    used: int
    opened_unused: int

    def __add__(self, other: "Pieces") -> "Pieces":
        return Pieces(self.used + other.used, self.opened_unused + other.opened_unused)

    def __neg__(self) -> "Pieces":
        return Pieces(-self.used, -self.opened_unused)


NONE = Pieces(0, 0)


@dataclass
class Told:
    """What was told to be used in all. Keys are primary keys: (case, consumable) and (room, day, consumable)."""

    cases: dict[int, Case] = field(default_factory=dict)
    by_case: dict[tuple[int, int], Pieces] = field(default_factory=dict)
    by_room_day: dict[tuple[int, date, int], Pieces] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Use:
    """Use of one line by one case, or one room's day. `records` were there before and say `before` in all."""

    case_id: int | None
    room_id: int
    date: date
    consumable_id: int
    at: datetime
    pieces: Pieces
    before: Pieces = NONE
    records: int = 0

    @property
    def key(self) -> str:
        """Key of the movement: one for each record that the case and line will have."""
        of = f"case{self.case_id}" if self.case_id else f"room{self.room_id}:{self.date}"
        return f"usage:{of}:{self.consumable_id}:{self.records}"


@dataclass(frozen=True, slots=True)
class _Record:
    """A row of UsageRecord to be written."""

    use: _Use
    pieces: Pieces
    movement_id: int | None = None


def write_usage(told: Told, loading: Loading, outcome: Outcome) -> None:
    """Record what differs from what is recorded, move the stock that it concerns, and mark the cases as logged."""
    fresh, changed = _differing(told, loading)
    where = routes(loading.department)
    known_since = _known_since(loading, needed=bool(fresh or changed))

    def moves_stock(use: _Use) -> int | None:
        place_id = where.place_id(use.room_id, use.consumable_id)
        since = known_since.get((place_id, use.consumable_id))
        return place_id if since is not None and use.at >= since else None

    places = {place.pk: place for place in loading.department.places.select_related("department")}
    moved = {id(use): place_id for use in fresh if (place_id := moves_stock(use)) is not None}
    movements = _move(fresh, moved, places, loading)
    records = [_Record(use, use.pieces, movements.get(use.key)) for use in fresh]
    for use in changed:
        records += _correct(use, where, places, loading)
    _write_records(records, loading)
    _mark_logged(told, loading, outcome)

    outcome.counts[gettext_noop("uses recorded")] += len(fresh)
    outcome.counts[gettext_noop("uses corrected")] += len(changed)
    older = len(fresh) - len(moved)
    if older:
        outcome.notes.append(
            ngettext(
                "Learned from without moving stock, being older than the last count of the line or of a line never "
                "counted there: %(older)s use of %(fresh)s.",
                "Learned from without moving stock, being older than the last count of the line or of a line never "
                "counted there: %(older)s uses of %(fresh)s.",
                older,
            )
            % {"older": older, "fresh": len(fresh)}
        )


def _differing(told: Told, loading: Loading) -> tuple[list[_Use], list[_Use]]:
    """Uses that are new, in the order in which they happened, and uses whose figures have changed, in the order in
    which the ledger locks."""
    before = _recorded(told, loading)
    moments: dict[int, datetime] = {}
    fresh, changed = [], []

    def add(case_id: int | None, room_id: int, day: date, consumable_id: int, at: datetime, pieces: Pieces) -> None:
        key = (case_id, consumable_id) if case_id else (room_id, day, consumable_id)
        recorded, number = before.get(key, (NONE, 0))
        if pieces != recorded:
            use = _Use(case_id, room_id, day, consumable_id, at, pieces, recorded, number)
            (changed if number else fresh).append(use)

    for (case_id, consumable_id), pieces in told.by_case.items():
        case = told.cases[case_id]
        if case_id not in moments:
            moments[case_id] = _moment(loading, case.date, case.starts_at)
        add(case_id, case.room_id, case.date, consumable_id, moments[case_id], pieces)
    for (room_id, day, consumable_id), pieces in told.by_room_day.items():
        add(None, room_id, day, consumable_id, _moment(loading, day, None), pieces)
    fresh.sort(key=lambda use: use.at)
    changed.sort(key=lambda use: use.consumable_id)
    return fresh, changed


def _moment(loading: Loading, day: date, start: time | None) -> datetime:
    return datetime.combine(day, start or NOON, loading.department.local_midnight(day).tzinfo)


def _recorded(told: Told, loading: Loading) -> dict[tuple, tuple[Pieces, int]]:
    """What is recorded already, in all, and in how many records; by the keys of `Told`."""
    records = UsageRecord.objects.filter(department=loading.department).order_by()
    sums = (Sum("used"), Sum("opened_unused"), Number("pk"))
    before = {}
    if told.by_case:
        days = [case.date for case in told.cases.values()]
        of_cases = records.filter(case__date__range=(min(days), max(days)))
        for case_id, line, used, unused, number in (
            of_cases.values_list("case_id", "consumable_id").annotate(*sums).iterator(chunk_size=ROWS_AT_ONCE)
        ):
            before[case_id, line] = (Pieces(used, unused), number)
    if told.by_room_day:
        days = [day for _, day, _ in told.by_room_day]
        of_days = records.filter(case=None, date__range=(min(days), max(days)))
        for room_id, day, line, used, unused, number in of_days.values_list(
            "room_id", "date", "consumable_id"
        ).annotate(*sums):
            before[room_id, day, line] = (Pieces(used, unused), number)
    return before


def _known_since(loading: Loading, *, needed: bool) -> dict[tuple[int, int], datetime]:
    """(place, consumable) -> since when what is recorded there holds: the last count, or else the first piece."""
    if not needed:
        return {}
    on_shelves = Q(destination__department=loading.department, destination__role__in=_SHELVES)
    arrivals = Movement.objects.filter(on_shelves).order_by().values_list("destination_id", "consumable_id")
    counts = Count.objects.filter(place__department=loading.department).order_by()
    since = {(place, line): at for place, line, at in arrivals.annotate(Min("at"))}
    since |= {
        (place, line): at for place, line, at in counts.values_list("place_id", "consumable_id").annotate(Max("at"))
    }
    return since


_SHELVES = (Place.Role.CART, Place.Role.STOREROOM)


def _move(fresh: Sequence[_Use], moved: dict[int, int], places: dict[int, Place], loading: Loading) -> dict[str, int]:
    """Take the pieces from their places; returns the movement's primary key by the key of the use."""
    lines = loading.department.consumables.in_bulk({use.consumable_id for use in fresh if id(use) in moved})
    uses = (
        ledger.Used(
            place=places[moved[id(use)]],
            consumable=lines[use.consumable_id],
            quantity=use.pieces.used,
            opened_unused=use.pieces.opened_unused,
            at=use.at,
            key=use.key,
        )
        for use in fresh
        if id(use) in moved
    )
    return {key: movement.pk for key, movement in ledger.use_all(uses, by=loading.by).items()}


def _correct(use: _Use, where: Routes, places: dict[int, Place], loading: Loading) -> list[_Record]:
    """Records that make the sum right. What had moved stock is reversed and moved anew; the rest moves nothing."""
    of = {"case": use.case_id} if use.case_id else {"case": None, "room": use.room_id, "date": use.date}
    standing = [
        record
        for record in UsageRecord.objects.filter(
            department=loading.department, consumable=use.consumable_id, movement__reverses=None, **of
        ).select_related("movement")
        if record.movement and not Movement.objects.filter(reverses=record.movement).exists()
    ]
    records, unmoved = [], use.before
    for record in standing:
        pieces = Pieces(record.used, record.opened_unused)
        back = [
            ledger.reverse(
                movement=movement,
                by=loading.by,
                at=loading.at,
                key=f"undo:{movement.pk}",
                reason="use corrected",
            )
            for movement in ledger.movements_of(record.movement.key)
        ]
        records.append(_Record(use, -pieces, back[0].pk))
        unmoved += -pieces
    rest = use.pieces + -unmoved
    if standing and min(rest) >= 0 and rest != NONE:
        place = places[where.place_id(use.room_id, use.consumable_id)]
        movement = ledger.use(
            place=place,
            consumable=loading.department.consumables.get(pk=use.consumable_id),
            quantity=rest.used,
            opened_unused=rest.opened_unused,
            by=loading.by,
            at=use.at,
            key=use.key,
        )
        records.append(_Record(use, rest, movement.pk))
    elif rest != NONE:
        records.append(_Record(use, rest))
    return records


def _write_records(records: Sequence[_Record], loading: Loading) -> None:
    """Plain INSERTs: a history of 900,000 rows takes several times as long through bulk_create."""
    table = UsageRecord._meta.db_table
    insert = (
        f"INSERT INTO {table} (department_id, case_id, room_id, date, consumable_id, used, opened_unused, movement_id) "
        "VALUES (%s, %s, %s, %s, %s, %s, %s, %s)"
    )
    progress = loading.watch("Writing usage")
    with connection.cursor() as cursor:
        for start in range(0, len(records), ROWS_AT_ONCE):
            some = records[start : start + ROWS_AT_ONCE]
            cursor.executemany(insert, (_values(record, loading) for record in some))
            progress(start + len(some), len(records))


def _values(record: _Record, loading: Loading) -> tuple:
    use = record.use
    room_day = (None, None) if use.case_id else (use.room_id, connection.ops.adapt_datefield_value(use.date))
    return (loading.department.pk, use.case_id, *room_day, use.consumable_id, *record.pieces, record.movement_id)


def _mark_logged(told: Told, loading: Loading, outcome: Outcome) -> None:
    unlogged = [pk for pk, case in told.cases.items() if case.logged_at is None]
    for some in in_parts(unlogged):
        Case.objects.filter(pk__in=some).update(logged_at=loading.at)
        Case.objects.filter(pk__in=some, status__in=(Case.Status.SCHEDULED, Case.Status.ADDED)).update(
            status=Case.Status.DONE
        )
    outcome.counts[gettext_noop("cases logged")] += len(unlogged)
