"""The usage sheet: which pieces a case used, told by its booking or by its place in the room's list.

A row without booking and order is for the room's day as a whole. Every column is private, as in case lists: a scan of
a wristband may stand where a code should.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome
from inventory.importing.lookups import Lookup
from inventory.importing.problems import NOT_SHOWN, NOTHING, quoted
from inventory.importing.values import Code, Date, Whole
from inventory.importing.ways import ways
from inventory.importing.xlsx import Progress
from inventory.in_parts import in_parts
from restock.models import Case
from restock.schedule.privacy import booking_hash

from .usage_records import Pieces, Told, write_usage

# A cell of a private column is shown only where it can be nobody's name, number or day of birth.
LONGEST_CODE_SHOWN = 8
MOST_DIGITS_SHOWN = 3
HIGHEST_ORDER_SHOWN = 30


def _column(name: str, meaning: str, type_, example: str = "", *, required: bool = False) -> Column:
    return Column(name, meaning, type_, required=required, private=True, example=example)


COLUMNS = (
    _column("date", _("Day of the case"), Date(), "2026-03-04"),
    _column("room", _("Code of the room"), Code(40), "OR1"),
    _column("order", _("Place of the case in the room's list. Left out: used in the room that day"), Whole(1, 999),
            "1"),
    _column("booking", _("Or instead of all three: the booking reference on the case list"), Code()),
    _column("code", _("Code of the line in the catalogue"), Code(40), "AJ01", required=True),
    _column("used", _("Pieces used"), Whole(at_most=10_000), "1", required=True),
    _column("opened_unused", _("Pieces opened and then not needed, beside those used. Left out: 0"),
            Whole(at_most=10_000), "0"),
)  # fmt: skip


class UsageRow(NamedTuple):
    """One row as it passes the door: a booking is a keyed hash from here on. A tuple, because there may be 900,000."""

    row: int
    date: date | None
    room: str | None
    order: int | None
    booking_hash: str
    code: str
    used: int
    opened_unused: int


def read_usage(loading: Loading, progress: Progress | None = None) -> Iterator[UsageRow]:
    """Yield the rows of a sheet. Faults go to the table's problems; a faulty row is left out."""
    hashes: dict[str | None, str] = {None: ""}
    for row in loading.table.rows(progress):
        booking = row["booking"]
        if booking not in hashes:
            hashes[booking] = booking_hash(loading.department, booking)
        yield UsageRow(
            row.number,
            row["date"],
            row["room"],
            row["order"],
            hashes[booking],
            row["code"],
            row["used"],
            row["opened_unused"] or 0,
        )


def load(rows: Sequence[UsageRow], loading: Loading, *, keep_unmatched: bool = False) -> Outcome:
    """Record what cases and rooms used, and mark the cases as logged.

    The figures of a sheet are what a case used in all, so loading it again changes nothing, and a changed figure
    becomes a correction. `keep_unmatched` keeps rows whose case is not on any list as use of their room and day.
    Raises SheetRefused with every problem, before anything is written.
    """
    matched = _match(rows, loading, keep_unmatched)
    loading.refuse_if_faulty()
    outcome = Outcome(rows=len(rows))
    if matched.kept_unmatched:
        outcome.notes.append(
            ngettext(
                "Of no case on a list, so kept as use of their room and day: %(rows)s row.",
                "Of no case on a list, so kept as use of their room and day: %(rows)s rows.",
                matched.kept_unmatched,
            )
            % {"rows": matched.kept_unmatched}
        )
    write_usage(matched.told, loading, outcome)
    return outcome


@dataclass
class _Cases:
    """Cases that the rows may mean, by booking and by slot; a cancelled case is only meant where no other is there."""

    by_booking: dict[str, Case] = field(default_factory=dict)
    by_slot: dict[tuple[date, int, int], Case] = field(default_factory=dict)


@dataclass
class _Matched:
    told: Told = field(default_factory=Told)
    kept_unmatched: int = 0


def _match(rows: Sequence[UsageRow], loading: Loading, keep_unmatched: bool) -> _Matched:
    """Add the rows up by case, or room and day, and line. Problems go to the table."""
    department = loading.department
    rooms = Lookup(gettext("a known room"), department.rooms.all())
    lines = Lookup(gettext("a code of the catalogue"), department.consumables.all())
    cases = _cases(rows, loading)
    today = department.local_date(loading.at)
    room_pks = {word: (room := rooms.find(word)) and room.pk for word in {row.room for row in rows} - {None}}
    line_pks = {word: (line := lines.find(word)) and line.pk for word in {row.code for row in rows}}
    expected_rooms = {word: rooms.expected(word) for word, pk in room_pks.items() if pk is None}
    shapes = {_shape(line.code) for line in department.consumables.all()}
    expected_lines = {word: lines.expected(word) for word, pk in line_pks.items() if pk is None}

    matched = _Matched()
    first: dict[tuple, int] = {}
    for row in rows:
        line_pk = line_pks[row.code]
        room_pk = room_pks[row.room] if row.room else None
        if line_pk is None:
            plain = _shape(row.code) in shapes and _is_plain(row.code)
            found = quoted(row.code) if plain else NOT_SHOWN
            loading.problem(row.row, "code", found, expected_lines[row.code], vouched=plain)
        if row.room and room_pk is None:
            loading.problem(row.row, "room", NOT_SHOWN, expected_rooms[row.room])
        if row.date and row.date > today:
            loading.problem(row.row, "date", NOT_SHOWN, gettext("a day that has come: use is logged when it happened"))
        has_room_and_day = row.date is not None and row.room is not None
        if not row.booking_hash and not has_room_and_day:
            column = "room" if row.date else "date"
            loading.problem(
                row.row, column, NOTHING, gettext("a date and a room, with the order of the case, or a booking")
            )
            continue
        if line_pk is None or (row.room and room_pk is None):
            continue

        case = None
        if row.booking_hash:
            case = cases.by_booking.get(row.booking_hash)
        if case is None and row.order and has_room_and_day:
            case = cases.by_slot.get((row.date, room_pk, row.order))
        names_a_case = bool(row.booking_hash or row.order)
        if case is None and names_a_case and not (keep_unmatched and has_room_and_day):
            _refuse_unmatched(row, has_room_and_day, loading)
            continue
        said = (case.pk if case else (row.date, room_pk, row.order, row.booking_hash), line_pk)
        if (earlier := first.setdefault(said, row.row)) != row.row:
            expected = gettext("every line once for each case: add it to row %(earlier)s") % {"earlier": earlier}
            loading.problem(
                row.row,
                "code",
                gettext("the same line of the same case as in row %(earlier)s") % {"earlier": earlier},
                expected,
            )
            continue
        pieces = Pieces(row.used, row.opened_unused)
        if case is not None:
            matched.told.cases[case.pk] = case
            matched.told.by_case[case.pk, line_pk] = pieces
        else:
            matched.kept_unmatched += names_a_case
            key = (room_pk, row.date, line_pk)
            matched.told.by_room_day[key] = matched.told.by_room_day.get(key, Pieces(0, 0)) + pieces
    return matched


def _refuse_unmatched(row: UsageRow, has_room_and_day: bool, loading: Loading) -> None:
    offer = f"; {ways().keep_unmatched}" if has_room_and_day else ""
    by_order = not row.booking_hash
    plain = by_order and row.order <= HIGHEST_ORDER_SHOWN
    loading.problem(
        row.row,
        "order" if by_order else "booking",
        quoted(row.order) if plain else NOT_SHOWN,
        gettext("a case that is on a list: load the case list of that day first") + offer,
        vouched=plain,
    )


def _shape(code: str) -> str:
    """A code with A for every letter and 9 for every digit."""
    return "".join("9" if c.isdigit() else "A" if c.isalpha() else c for c in code)


def _is_plain(code: str) -> bool:
    """Short, with letters and few digits: neither a name, nor a number or day of birth that tells a person."""
    digits = sum(character.isdigit() for character in code)
    return len(code) <= LONGEST_CODE_SHOWN and 1 <= digits <= MOST_DIGITS_SHOWN and digits < len(code)


def _cases(rows: Sequence[UsageRow], loading: Loading) -> _Cases:
    fields = ("date", "room_id", "order", "starts_at", "booking_hash", "status", "logged_at")
    of_department = Case.objects.filter(department=loading.department).only("pk", *fields)
    found: dict[int, Case] = {}
    days = {row.date for row in rows} - {None}
    if days:
        between = of_department.filter(date__range=(min(days), max(days)))
        found = {case.pk: case for case in between.iterator() if case.date in days}
    known = {case.booking_hash for case in found.values()}
    hashes = sorted({row.booking_hash for row in rows} - known - {""})
    for some in in_parts(hashes):
        found.update((case.pk, case) for case in of_department.filter(booking_hash__in=some))

    cases = _Cases()
    slots: dict[tuple, list[Case]] = defaultdict(list)
    for case in found.values():
        if case.booking_hash:
            cases.by_booking[case.booking_hash] = case
        slots[case.date, case.room_id, case.order].append(case)
    for slot, candidates in slots.items():
        cases.by_slot[slot] = min(candidates, key=lambda case: (case.status == Case.Status.CANCELLED, -case.pk))
    return cases
