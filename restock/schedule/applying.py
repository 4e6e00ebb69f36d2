"""A case list becomes cases: slots are added, updated and cancelled.

A list covers whole days: a slot of one of its days that was scheduled and is not on it any more is cancelled. Where a
file is only a part of the day (one site of several, say) it covers the rooms that it names.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Protocol

from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory.importing.loading import Outcome, assign, some_of
from inventory.importing.lookups import Lookup
from inventory.importing.problems import NOT_SHOWN
from inventory.in_parts import in_parts
from inventory.models import Department, Room
from restock.models import Case, CaseType

from .slots import CaseSlot

ROOMS_SHOWN = 8

Status = Case.Status


class Problems(Protocol):
    """Where faults of a list are noted, and what refuses the list when all were found."""

    def problem(self, row: int, column: str, found: str, expected: str) -> None: ...

    def refuse_if_faulty(self) -> None: ...


@dataclass(slots=True)
class _Wanted:
    """A slot whose words were found: keys and values of the case as it shall be. None: the list does not say."""

    row: int
    date: date
    room_id: int
    order: int | None
    starts_at: time | None
    booking_hash: str
    case_type_id: int
    technique_id: int
    size_class_id: int | None
    extras: frozenset[int] | None
    urgency: str | None
    status: str | None

    @property
    def slot(self) -> tuple[date, int, int | None]:
        return self.date, self.room_id, self.order


def apply_list(
    slots: Iterable[CaseSlot],
    *,
    department: Department,
    at: datetime,
    problems: Problems,
    part_of_day: bool = False,
) -> Outcome:
    """Bring the department's cases into line with a list, and say what changed.

    A booking finds its slot wherever it moved; without one the place in the room's list is the slot. A slot new on a
    list for today, where a list for today was known, is added on the day. Use that was logged is a fact: such a case
    keeps its status and is never cancelled. The caller holds the transaction. `problems` refuses the list (it raises)
    before anything is written.
    """
    wanted = _resolve(slots, department, problems)
    _give_orders(wanted, problems)
    cases = _existing(wanted, department)
    known_days = {case.date for case in cases.values()}
    matches = _match(wanted, cases, problems)
    problems.refuse_if_faulty()

    today = department.local_date(at)
    outcome = Outcome(rows=len(wanted))
    _cancel_missing(wanted, matches, cases, part_of_day, outcome)
    _write(wanted, matches, department, today=today, today_was_known=today in known_days, outcome=outcome)
    return outcome


def _resolve(slots: Iterable[CaseSlot], department: Department, problems: Problems) -> list[_Wanted]:
    lookups = {
        "room": Lookup(_("a known room"), department.rooms.all()),
        "case_type": Lookup(_("a known case type"), department.case_types.all()),
        "technique": Lookup(_("a known technique"), department.techniques.all()),
        "size_class": Lookup(_("a known size class"), department.size_classes.all()),
    }
    extras = Lookup(_("known extras, with semicolons between"), department.extras.all())
    default_size = next((c.pk for c in department.size_classes.all() if c.is_default), None)
    wanted = []
    for slot in slots:
        found = {}
        complete = True
        for column, lookup in lookups.items():
            word = getattr(slot, column)
            if word is None:
                continue
            found[column] = lookup.find(word)
            if found[column] is None:
                problems.problem(slot.row, column, NOT_SHOWN, lookup.expected(word))
                complete = False
        booked = None if slot.extras is None else [extras.find(word) for word in slot.extras]
        for word, extra in zip(slot.extras or (), booked or (), strict=True):
            if extra is None:
                problems.problem(slot.row, "extras", NOT_SHOWN, extras.expected(word))
                complete = False
        if slot.size_class is None and default_size is None:
            problems.problem(slot.row, "size_class", NOT_SHOWN, _("a size class: the department has no default one"))
            complete = False
        if not complete:
            continue
        case_type: CaseType = found["case_type"]
        room: Room = found["room"]
        wanted.append(
            _Wanted(
                row=slot.row,
                date=slot.date,
                room_id=room.pk,
                order=slot.order,
                starts_at=slot.starts_at,
                booking_hash=slot.booking_hash,
                case_type_id=case_type.pk,
                technique_id=found["technique"].pk if "technique" in found else case_type.technique_id,
                size_class_id=found["size_class"].pk if "size_class" in found else None,
                extras=None if booked is None else frozenset(extra.pk for extra in booked),
                urgency=slot.urgency,
                status=slot.status,
            )
        )
    return wanted


def _give_orders(wanted: Sequence[_Wanted], problems: Problems) -> None:
    """Number the slots that have no order, behind those that have: by start where all have one, else by row."""
    rooms: dict[tuple[date, int], list[_Wanted]] = defaultdict(list)
    for slot in wanted:
        rooms[slot.date, slot.room_id].append(slot)
    for slots in rooms.values():
        unnumbered = [slot for slot in slots if slot.order is None]
        if all(slot.starts_at is not None for slot in unnumbered):
            unnumbered.sort(key=lambda slot: slot.starts_at)
        last = max((slot.order for slot in slots if slot.order is not None), default=0)
        for order, slot in enumerate(unnumbered, start=last + 1):
            slot.order = order
        first: dict[int, int] = {}
        for slot in slots:
            if slot.status == Status.CANCELLED:
                continue
            if (earlier := first.setdefault(slot.order, slot.row)) != slot.row:
                problems.problem(
                    slot.row,
                    "order",
                    NOT_SHOWN,
                    _("another place than row %(earlier)s has in the list of the same room and day")
                    % {"earlier": earlier},
                )
    bookings: dict[str, int] = {}
    for slot in wanted:
        if slot.booking_hash and (earlier := bookings.setdefault(slot.booking_hash, slot.row)) != slot.row:
            problems.problem(
                slot.row, "booking", NOT_SHOWN, _("another booking than in row %(earlier)s") % {"earlier": earlier}
            )


def _existing(wanted: Sequence[_Wanted], department: Department) -> dict[int, Case]:
    """Cases that the list may speak of: those of its days, and those of its bookings wherever they are."""
    days = {slot.date for slot in wanted}
    if not days:
        return {}
    of_department = Case.objects.filter(department=department)
    between = of_department.filter(date__range=(min(days), max(days)))
    cases = {case.pk: case for case in between.iterator() if case.date in days}
    hashes = sorted({slot.booking_hash for slot in wanted} - {""})
    for some in in_parts(hashes):
        cases.update((case.pk, case) for case in of_department.filter(booking_hash__in=some))
    return cases


def _match(wanted: Sequence[_Wanted], cases: dict[int, Case], problems: Problems) -> dict[int, Case]:
    """Row -> the case that it speaks of. Rows about a new slot are left out."""
    by_booking = {case.booking_hash: case for case in cases.values() if case.booking_hash}
    by_slot: dict[tuple, list[Case]] = defaultdict(list)
    for case in sorted(cases.values(), key=lambda case: (case.status == Status.CANCELLED, case.pk)):
        by_slot[case.date, case.room_id, case.order].append(case)
    matches: dict[int, Case] = {}
    taken: set[int] = set()
    for slot in wanted:
        case = by_booking.get(slot.booking_hash) if slot.booking_hash else None
        if case is not None:
            if case.logged_at and case.date != slot.date:
                expected = _("a booking whose case was not logged on another day before")
                problems.problem(slot.row, "booking", NOT_SHOWN, expected)
            matches[slot.row] = case
            taken.add(case.pk)
    for slot in wanted:
        if slot.row in matches:
            continue
        for case in by_slot[slot.slot]:
            if case.pk not in taken and not (slot.booking_hash and case.booking_hash):
                matches[slot.row] = case
                taken.add(case.pk)
                break
    return matches


def _cancel_missing(
    wanted: Sequence[_Wanted],
    matches: dict[int, Case],
    cases: dict[int, Case],
    part_of_day: bool,
    outcome: Outcome,
) -> None:
    named = {(slot.date, slot.room_id) for slot in wanted}
    days = {slot.date for slot in wanted}
    kept = {case.pk for case in matches.values()}
    missing = [
        case
        for case in cases.values()
        if case.pk not in kept
        and case.date in days
        and ((case.date, case.room_id) in named or not part_of_day)
        and case.logged_at is None
        # What was added on the day without a booking was told by a person here, not by a list.
        and (case.status == Status.SCHEDULED or (case.status == Status.ADDED and case.booking_hash))
    ]
    Case.objects.filter(pk__in=[case.pk for case in missing]).update(status=Status.CANCELLED)
    outcome.counts[gettext_noop("cases cancelled")] += len(missing)
    if missing:
        outcome.notes.append(
            _("Cancelled because the list no longer names them: %(slots)s.") % {"slots": _slots(len(missing))}
        )
    whole_rooms = {case.room_id for case in missing if (case.date, case.room_id) not in named}
    if whole_rooms:
        codes = list(Room.objects.filter(pk__in=whole_rooms).values_list("code", flat=True))
        outcome.notes.append(
            _(
                "The list does not name %(rooms)s on a day when there were slots: all of these were cancelled. If it "
                "is only a part of the day, load the other part too, and use --part."
            )
            % {"rooms": some_of(codes, ROOMS_SHOWN)}
        )


def _write(
    wanted: Sequence[_Wanted],
    matches: dict[int, Case],
    department: Department,
    *,
    today: date,
    today_was_known: bool,
    outcome: Outcome,
) -> None:
    default_size = department.size_classes.filter(is_default=True).values_list("pk", flat=True).first()
    new: list[tuple[Case, _Wanted]] = []
    changed: list[Case] = []
    for slot in wanted:
        case = matches.get(slot.row)
        status = _status(slot, case, today=today, today_was_known=today_was_known)
        values = {
            "date": slot.date,
            "room_id": slot.room_id,
            "order": slot.order,
            "case_type_id": slot.case_type_id,
            "technique_id": slot.technique_id,
            "status": status,
        }
        said = {
            "starts_at": slot.starts_at,
            "booking_hash": slot.booking_hash or None,
            "size_class_id": slot.size_class_id,
            "urgency": slot.urgency,
            "added_on_the_day": True if status == Status.ADDED else None,
        }
        values |= {name: value for name, value in said.items() if value is not None}
        if case is None:
            new.append((Case(department=department, **{"size_class_id": default_size} | values), slot))
        elif assign(case, values):
            changed.append(case)
    Case.objects.bulk_create([case for case, _ in new], batch_size=2_000)
    if changed:
        Case.objects.bulk_update(
            changed,
            [
                "date",
                "room",
                "order",
                "starts_at",
                "booking_hash",
                "case_type",
                "technique",
                "size_class",
                "urgency",
                "status",
                "added_on_the_day",
            ],
            batch_size=200,
        )
    with_other_extras = _write_extras(new, wanted, matches)
    updated = {case.pk for case in changed} | with_other_extras
    outcome.counts[gettext_noop("cases added")] += len(new)
    outcome.counts[gettext_noop("cases updated")] += len(updated)
    added = sum(case.status == Status.ADDED and case.date == today for case, _ in new)
    if added:
        outcome.notes.append(
            _("Not on the list for today before, so added on the day: %(slots)s.") % {"slots": _slots(added)}
        )


def _slots(number: int) -> str:
    return ngettext("%(slots)s slot", "%(slots)s slots", number) % {"slots": number}


def _status(slot: _Wanted, case: Case | None, *, today: date, today_was_known: bool) -> str:
    if case is not None and case.logged_at is not None:
        return case.status
    if slot.status is not None:
        return slot.status
    if case is None:
        if slot.date < today:
            return Status.DONE
        return Status.ADDED if slot.date == today and today_was_known else Status.SCHEDULED
    if case.status == Status.CANCELLED:
        return Status.ADDED if case.added_on_the_day else Status.SCHEDULED
    return case.status


def _write_extras(new: Sequence[tuple[Case, _Wanted]], wanted: Sequence[_Wanted], matches: dict[int, Case]) -> set[int]:
    """Book and unbook extras; returns the keys of known cases whose extras changed."""
    Booked = Case.extras.through
    told = {matches[slot.row].pk: slot.extras for slot in wanted if slot.extras is not None and slot.row in matches}
    booked: dict[int, set[int]] = defaultdict(set)
    pks = sorted(told)
    for some in in_parts(pks):
        rows = Booked.objects.filter(case__in=some).values_list("case_id", "extra_id")
        for case_id, extra_id in rows:
            booked[case_id].add(extra_id)
    to_book = [(case.pk, extra) for case, slot in new for extra in slot.extras or ()]
    changed = set()
    for pk, extras in told.items():
        if extras != booked[pk]:
            changed.add(pk)
            to_book += [(pk, extra) for extra in extras - booked[pk]]
            Booked.objects.filter(case=pk, extra__in=booked[pk] - extras).delete()
    Booked.objects.bulk_create((Booked(case_id=case, extra_id=extra) for case, extra in to_book), batch_size=400)
    return changed
