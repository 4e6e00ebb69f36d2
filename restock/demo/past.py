"""Write the invented past: cases and use of long ago as they were, the last days through the ledger, day by day."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence, Set
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
from django.db import connection
from django.db.models import Sum

from inventory import ledger
from inventory.models import Count, Department, Holding, Lot, Movement, Place, StockingLine
from restock.cases.routes import Routes, routes
from restock.models import Case, CaseType, UsageRecord

from .cases import DrawnCase
from .stock import Demand, Event, Layout, LotHeld, Shelves, What
from .use import RoomDayUse, Use

BATCH_ROWS = 5_000
DAYS_PER_MONTH = 30.4
ROOM_OPENS_MINUTE = 7 * 60
CASE_OPENS_AFTER_MINUTES = 10
OPEN_CASES_PER_ROOM = 2

# Lines that the invented supplier owes: one that every room wants, some that only a long list misses.
BACK_ORDERED = ("BR01", "MO12", "NX01", "SG06", "TT09", "VP10")

COUNTED_LINES = 40
MISCOUNTS = (0, 0, 0, 1, -1, -2)

# Taken in passing and then not logged, as often as the share says: absorbent pads, flush syringes, tube tape.
UNLOGGED = ("WM03", "FL05", "AJ11")
UNLOGGED_SHARE = 0.1

Progress = Callable[[int], None]


@dataclass(frozen=True)
class Lines:
    """Use of one department in database terms. Arrays (rows,), one for each line that a case or a room-day opened.

    case: index into the cases, or -1. room, date: of the use. consumable: primary key.
    """

    case: np.ndarray
    room: np.ndarray
    date: Sequence[date]
    consumable: np.ndarray
    used: np.ndarray
    opened_unused: np.ndarray


def still_open(drawn: Sequence[DrawnCase], today: date) -> set[int]:
    """The last cases of today's lists, which nobody has logged yet: something for a new user to try."""
    by_room = defaultdict(list)
    for number, slot in enumerate(drawn):
        if slot.date == today and not slot.cancelled:
            by_room[slot.room].append(number)
    return {number for numbers in by_room.values() for number in numbers[-OPEN_CASES_PER_ROOM:]}


def write_cases(department: Department, drawn: Sequence[DrawnCase], *, unlogged: Set[int]) -> list[Case]:
    """Store slots that are over, done or cancelled, and those that are `unlogged` as scheduled."""
    rooms = {room.code: room for room in department.rooms.all()}
    types = {kind.code: kind for kind in CaseType.objects.filter(department=department)}
    classes = {size.code: size for size in department.size_classes.all()}
    extras = {extra.code: extra.pk for extra in department.extras.all()}
    cases = Case.objects.bulk_create(
        (
            Case(
                department=department,
                date=slot.date,
                room=rooms[slot.room],
                order=slot.order,
                starts_at=(datetime.min + timedelta(minutes=slot.start_minute)).time(),
                case_type=types[slot.case_type],
                technique_id=types[slot.case_type].technique_id,
                size_class=classes[slot.size_class],
                urgency=slot.urgency,
                status=_status(slot, logged=number not in unlogged),
                added_on_the_day=slot.added,
                logged_at=None if slot.cancelled or number in unlogged else _instant(slot.date, slot.start_minute),
            )
            for number, slot in enumerate(drawn)
        ),
        batch_size=BATCH_ROWS,
    )
    booked = Case.extras.through
    booked.objects.bulk_create(
        (
            booked(case=case, extra_id=extras[extra])
            for case, slot in zip(cases, drawn, strict=True)
            for extra in slot.extras
        ),
        batch_size=BATCH_ROWS,
    )
    return cases


def _status(slot: DrawnCase, *, logged: bool) -> Case.Status:
    if slot.cancelled:
        return Case.Status.CANCELLED
    return Case.Status.DONE if logged else Case.Status.ADDED if slot.added else Case.Status.SCHEDULED


def lines_of(
    department: Department,
    drawn: Sequence[DrawnCase],
    use: Use,
    room_days: Sequence[RoomDayUse],
    *,
    unlogged: Set[int],
) -> Lines:
    """Put both kinds of drawn use behind each other, with primary keys for codes; unlogged cases have none."""
    told = ~np.isin(use.case, list(unlogged))
    use = replace(
        use, case=use.case[told], code=use.code[told], used=use.used[told], opened_unused=use.opened_unused[told]
    )
    rooms = dict(department.rooms.values_list("code", "pk"))
    consumables = dict(department.consumables.values_list("code", "pk"))
    code_pks = np.array([consumables[code] for code in use.codes])
    case_rooms = np.array([rooms[slot.room] for slot in drawn])
    return Lines(
        case=np.concatenate([use.case, np.full(len(room_days), -1)]),
        room=np.concatenate([case_rooms[use.case], [rooms[row.room] for row in room_days]]).astype(int),
        date=[drawn[n].date for n in use.case] + [row.date for row in room_days],
        consumable=np.concatenate([code_pks[use.code], [consumables[row.code] for row in room_days]]).astype(int),
        used=np.concatenate([use.used, [row.used for row in room_days]]).astype(int),
        opened_unused=np.concatenate([use.opened_unused, np.zeros(len(room_days))]).astype(int),
    )


def write_old_use(
    department: Department, lines: Lines, cases: Sequence[Case], *, before: date, progress: Progress
) -> None:
    """Records of the days before the first count: they are learned from and move no stock."""
    rows = [row for row, day in enumerate(lines.date) if day < before]
    for start in range(0, len(rows), BATCH_ROWS):
        batch = rows[start : start + BATCH_ROWS]
        _insert_records(_record(department, lines, cases, row) for row in batch)
        progress(len(batch))


def play_last_days(
    department: Department,
    lines: Lines,
    drawn: Sequence[DrawnCase],
    cases: Sequence[Case],
    *,
    first: date,
    evening: date,
    now: datetime,
    by,
    progress: Progress,
) -> None:
    """Let the ledger see every delivery, restock and use from `first` to the evening, in their order.

    What happened later in the day than `now` is recorded as of now: the demo's evening comes at any hour.
    """
    layout, where = read_layout(department), routes(department)
    shelves = Shelves(layout, _held(layout))
    supplier = Place.objects.get(department=department, role=Place.Role.SUPPLIER).pk
    used = Place.objects.get(department=department, role=Place.Role.USED).pk
    by_day = defaultdict(list)
    for row, day in enumerate(lines.date):
        if day >= first:
            by_day[day].append(row)

    events: list[Event] = []
    for number in range((evening - first).days + 1):
        day = first + timedelta(days=number)
        demands = _demands(lines, drawn, by_day[day], where)
        events += shelves.play_day(day, demands, evening=evening)
        progress(1)
    lots = _make_lots(shelves)

    # Each call reads and saves every balance that it touches, so all days go in together.
    movements = ledger.record(
        (
            _entry(event, key=f"demo:{number}", lots=lots, supplier=supplier, used=used, now=now)
            for number, event in enumerate(events)
        ),
        by=by,
    )
    _insert_records(
        _record(department, lines, cases, event.row, movement)
        for event, movement in zip(events, movements, strict=True)
        if event.what is What.USE
    )


def count_some_lines(department: Department, *, at: datetime, by, rng: np.random.Generator) -> list[Count]:
    """Invented counts of this evening: most agree with the record, some do not."""
    on_carts = StockingLine.objects.filter(place__department=department, place__role=Place.Role.CART)
    lines = list(on_carts.with_on_hand().select_related("place", "consumable").order_by("pk"))
    chosen = sorted(rng.choice(len(lines), size=min(COUNTED_LINES, len(lines)), replace=False))
    return ledger.count_all(
        (
            ledger.Counted(
                place=lines[number].place,
                consumable=lines[number].consumable,
                pieces=max(lines[number].on_hand + int(rng.choice(MISCOUNTS)), 0),
                key=f"demo:count:{number}",
            )
            for number in chosen
        ),
        by=by,
        at=at,
    )


def count_what_goes_unlogged(department: Department, *, at: datetime, by, rng: np.random.Generator) -> list[Count]:
    """Invented counts of the `UNLOGGED` lines on every cart: some of what went was not logged."""
    on_carts = StockingLine.objects.filter(
        place__department=department, place__role=Place.Role.CART, consumable__code__in=UNLOGGED
    )
    used = {
        (place, consumable): pieces
        for place, consumable, pieces in Movement.objects.filter(
            kind=Movement.Kind.USE, source__department=department, consumable__code__in=UNLOGGED
        )
        .order_by()
        .values_list("source", "consumable")
        .annotate(Sum("quantity"))
    }
    counted = []
    for line in on_carts.with_on_hand().select_related("place", "consumable").order_by("pk"):
        missing = int(rng.binomial(used.get((line.place_id, line.consumable_id), 0), UNLOGGED_SHARE))
        pieces, key = max(line.on_hand - missing, 0), f"demo:unlogged:{line.pk}"
        counted.append(ledger.Counted(place=line.place, consumable=line.consumable, pieces=pieces, key=key))
    return ledger.count_all(counted, by=by, at=at)


def read_layout(department: Department) -> Layout:
    consumables = list(department.consumables.prefetch_related("packagings"))
    physical = list(Place.objects.filter(department=department).physical())
    stores = [place.pk for place in physical if place.role == Place.Role.STOREROOM]
    carts = [place for place in physical if place.role == Place.Role.CART]
    return Layout(
        par={
            (place, consumable): par
            for place, consumable, par in StockingLine.objects.filter(place__in=physical)
            .order_by("place__walk_order", "pk")
            .values_list("place", "consumable", "par")
        },
        storerooms={
            cart.pk: tuple(sorted(stores, key=lambda pk: (pk != cart.restocked_from_id, stores.index(pk))))
            for cart in carts
        },
        pieces_per_pack={c.pk: max((p.pieces_per_pack for p in c.packagings.all()), default=1) for c in consumables},
        shelf_life_days={
            c.pk: int(c.shelf_life_months * DAYS_PER_MONTH) if c.shelf_life_months else None for c in consumables
        },
        back_ordered=frozenset(c.pk for c in consumables if c.code in BACK_ORDERED),
    )


def _held(layout: Layout) -> dict[tuple[int, int], list[LotHeld]]:
    held = defaultdict(list)
    places = {place for place, _ in layout.par}
    for holding in Holding.objects.filter(place__in=places, quantity__gt=0).select_related("lot").order_by("pk"):
        expires_on = holding.lot.expires_on if holding.lot else None
        held[holding.place_id, holding.consumable_id].append(LotHeld(holding.lot_id, expires_on, holding.quantity))
    for lots in held.values():
        lots.sort(key=lambda lot: lot.expires_on or date.max)
    return dict(held)


def _demands(lines: Lines, drawn: Sequence[DrawnCase], rows: Sequence[int], where: Routes) -> list[Demand]:
    demands = []
    for row in rows:
        case, consumable = int(lines.case[row]), int(lines.consumable[row])
        minute = ROOM_OPENS_MINUTE if case < 0 else drawn[case].start_minute + CASE_OPENS_AFTER_MINUTES
        place = where.place_id(int(lines.room[row]), consumable)
        used, unused = int(lines.used[row]), int(lines.opened_unused[row])
        demands.append(Demand(minute, place, consumable, used, unused, row))
    return demands


def _make_lots(shelves: Shelves) -> dict[str, int]:
    """Primary keys of the delivered lots by number."""
    made = Lot.objects.bulk_create(
        Lot(consumable_id=consumable, number=number, expires_on=expires_on)
        for number, (consumable, expires_on) in shelves.new_lots.items()
    )
    return {lot.number: lot.pk for lot in made}


def _entry(event: Event, *, key: str, lots: dict[str, int], supplier: int, used: int, now: datetime) -> ledger.Entry:
    kinds = {What.DELIVERY: Movement.Kind.RECEIVE, What.RESTOCK: Movement.Kind.MOVE, What.USE: Movement.Kind.USE}
    return ledger.Entry(
        kind=kinds[event.what],
        source=event.source or supplier,
        destination=event.destination or used,
        consumable=event.consumable,
        lot=lots[event.lot] if isinstance(event.lot, str) else event.lot,
        quantity=event.pieces,
        opened_unused=event.opened_unused,
        at=min(_instant(event.date, event.minute), now),
        key=key,
        reason="invented for the demo",
    )


_INSERT_RECORD = f"""
    INSERT INTO {UsageRecord._meta.db_table}
        (department_id, case_id, room_id, date, consumable_id, used, opened_unused, movement_id)
    VALUES (%s, %s, %s, %s, %s, %s, %s, %s)
"""


def _insert_records(records: Iterable[tuple]) -> None:
    """Plain INSERTs: a hundred thousand rows take several times as long through bulk_create."""
    with connection.cursor() as cursor:
        cursor.executemany(_INSERT_RECORD, records)


def _record(
    department: Department, lines: Lines, cases: Sequence[Case], row: int, movement: Movement | None = None
) -> tuple:
    """A usage record of a row; of a movement's share of it where the pieces came from several lots."""
    used, unused = int(lines.used[row]), int(lines.opened_unused[row])
    if movement is not None:
        used, unused = movement.quantity - movement.opened_unused, movement.opened_unused
    case = int(lines.case[row])
    if case >= 0:
        of_case = (cases[case].pk, None, None)
    else:
        of_case = (None, int(lines.room[row]), connection.ops.adapt_datefield_value(lines.date[row]))
    return (department.pk, *of_case, int(lines.consumable[row]), used, unused, movement and movement.pk)


def _instant(day: date, minute: int) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(minutes=minute)
