"""What a case used, as the person who was there tells it: recorded once, taken back for as long as a shift lasts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from inventory import ledger
from inventory.models import Consumable, Count, Department, Movement, Place, Room

from ..models import Case, CaseLog, CaseType, Extra, SizeClass, UsageRecord
from .routes import routes

# Common practice, no source: the longest usual shift, and how long after a case its log is still fresh.
SHIFT = timedelta(hours=12)
FRESH = timedelta(hours=4)
DEFAULT_MINUTES = 60  # of a case type that does not say how long it lasts; an assumption

# A slot added on a device is known by the device's key, as a booked one is by its booking's hash.
ADDED_PREFIX = "added:"

Status = Case.Status


class NotLogged(Exception):
    """Nothing was written; the message says to a person why."""


class AlreadyLogged(NotLogged):
    """Somebody logged the case before. What came now may be the same told twice, or more."""


@dataclass(frozen=True, slots=True)
class Opened:
    """Pieces of one line that a case opened: `used`, and `opened_unused` besides."""

    consumable: Consumable
    used: int
    opened_unused: int = 0

    @property
    def pieces(self) -> int:
        return self.used + self.opened_unused


def slot_ends_at(case: Case) -> datetime:
    """When the case's slot is over: its booked start and usual length, or the end of its day where none is booked."""
    midnight = case.department.local_midnight(case.date)
    if case.starts_at is None:
        return case.department.local_midnight(case.date + timedelta(days=1))
    minutes = case.case_type.typical_minutes or DEFAULT_MINUTES
    return datetime.combine(case.date, case.starts_at, midnight.tzinfo) + timedelta(minutes=minutes)


def is_late(case: Case, at: datetime) -> bool:
    """Whether an entry at that instant comes so long after the slot that memory and counts have moved on."""
    return at > slot_ends_at(case) + FRESH


def late_by(case: Case, at: datetime) -> timedelta | None:
    """How long after its slot a late entry comes, None for one that is not late."""
    return at - slot_ends_at(case) if is_late(case, at) else None


@transaction.atomic
def log_case(
    *,
    case: Case,
    lines: Iterable[Opened],
    by,
    at: datetime,
    key: str,
    received_at: datetime | None = None,
    in_addition: bool = False,
) -> CaseLog:
    """Record what a case used: pieces leave the places that `Routes` names, and the case counts as logged.

    at: when it was entered, on whatever device. received_at: when we were told, where that is later. A case may have
    used nothing. The same key again is the same entry, and the first one is returned.

    A line that was counted after the entry (or, for a late entry, after the end of the slot) moves no stock, because
    whoever counted has seen what was gone.

    Raises AlreadyLogged where an entry for the case stands and this is not said to be `in_addition`, KeyReused for a
    known key with other content, Refused for fewer than zero pieces.
    """
    opened = _together(lines)
    case = (
        Case.objects.select_for_update(of=("self",), no_key=True)
        .select_related("department", "case_type")
        .get(pk=case.pk)
    )
    earlier = CaseLog.objects.filter(key=key).first()
    if earlier is not None:
        return _same(earlier, case, opened)
    if case.logged_at is not None and not in_addition:
        raise AlreadyLogged(_("This case was already logged. Add to it, or leave it as it is."))

    log = CaseLog.objects.create(case=case, by=by, at=at, key=key)
    movements = _take(case, opened, by=by, at=at, key=key)
    UsageRecord.objects.bulk_create(
        UsageRecord(
            department=case.department,
            case=case,
            consumable=line.consumable,
            used=line.used,
            opened_unused=line.opened_unused,
            movement=movements.get(line.consumable.pk),
            log=log,
        )
        for line in opened
    )
    case.status = Status.DONE
    case.logged_at = case.logged_at or received_at or at
    case.save(update_fields=["status", "logged_at"])
    return log


def may_undo(log: CaseLog, *, by, at: datetime) -> bool:
    """Whether this person may still take the entry back: their own, within a shift, once."""
    is_open = log.undoes_id is None and not hasattr(log, "undone_by")
    return is_open and log.by_id == by.pk and at <= log.recorded_at + SHIFT


@transaction.atomic
def undo_log(*, log: CaseLog, by, at: datetime, key: str) -> CaseLog:
    """Take an entry back: every movement is reversed, and records with the opposite figures say so.

    The case is open again where no other entry about it stands. The same key again is the same undoing.

    Raises NotLogged where it is not this person's, too old, taken back before, or corrected by a file since.
    """
    case = Case.objects.select_for_update(no_key=True).get(pk=log.case_id)
    earlier = CaseLog.objects.filter(key=key).first()
    if earlier is not None:
        if earlier.undoes_id != log.pk:
            raise ledger.KeyReused(key)
        return earlier
    log = CaseLog.objects.select_related("undone_by").get(pk=log.pk)
    if not may_undo(log, by=by, at=at):
        raise NotLogged(
            _("Only who logged it can take it back, once, within %(hours)d hours.") % {"hours": _hours(SHIFT)}
        )
    records = list(log.records.select_related("movement").order_by("consumable_id"))
    if Movement.objects.filter(reverses__in=[r.movement_id for r in records if r.movement_id]).exists():
        raise NotLogged(_("A file has corrected this case since it was logged. Correct it there."))

    undo = CaseLog.objects.create(case=case, by=by, at=at, key=key, undoes=log)
    events = ledger.events_of(record.movement.key for record in records if record.movement)
    back = ledger.reverse_all(
        {f"undo:{movement.pk}": movement for event in events.values() for movement in event},
        by=by,
        at=at,
        reason=_("taken back"),
    )
    UsageRecord.objects.bulk_create(
        UsageRecord(
            department_id=record.department_id,
            case=case,
            consumable_id=record.consumable_id,
            used=-record.used,
            opened_unused=-record.opened_unused,
            movement=back.get(f"undo:{record.movement_id}"),  # none where the record had moved nothing
            log=undo,
        )
        for record in records
    )
    if not standing_logs(case).exists():
        case.logged_at = None
        case.status = Status.ADDED if case.added_on_the_day else Status.SCHEDULED
        case.save(update_fields=["status", "logged_at"])
    return undo


def standing_logs(case: Case):
    """The entries about a case that were not taken back, oldest first."""
    return CaseLog.objects.filter(case=case, undoes=None, undone_by=None)


@transaction.atomic
def add_case(
    *,
    room: Room,
    day: date,
    case_type: CaseType,
    size_class: SizeClass,
    key: str,
    extras: Iterable[Extra] = (),
) -> Case:
    """A slot for a case that was on no list, behind the others of its room. The same key again is the same slot."""
    room = Room.objects.select_for_update(no_key=True).get(pk=room.pk)
    known = added_case(room.department, key)
    if known is not None:
        return known
    last = Case.objects.filter(room=room, date=day).aggregate(order=Max("order", default=0))["order"]
    case = Case.objects.create(
        department_id=room.department_id,
        room=room,
        date=day,
        order=last + 1,
        case_type=case_type,
        technique_id=case_type.technique_id,
        size_class=size_class,
        status=Status.ADDED,
        added_on_the_day=True,
        booking_hash=f"{ADDED_PREFIX}{key}",
    )
    case.extras.set(extras)
    return case


def added_case(department: Department, key: str) -> Case | None:
    """The case that `add_case` made by that key, None where none came."""
    return Case.objects.filter(department=department, booking_hash=f"{ADDED_PREFIX}{key}").first()


def _together(lines: Iterable[Opened]) -> list[Opened]:
    """One entry for each line that was opened at all, in the order in which the ledger locks."""
    sums: dict[Consumable, list[int]] = defaultdict(lambda: [0, 0])
    for line in lines:
        if min(line.used, line.opened_unused) < 0:
            raise ledger.Refused(_("Nobody can use fewer than zero pieces."))
        sums[line.consumable][0] += line.used
        sums[line.consumable][1] += line.opened_unused
    opened = (Opened(consumable, *pieces) for consumable, pieces in sums.items() if any(pieces))
    return sorted(opened, key=lambda line: line.consumable.pk)


def _same(earlier: CaseLog, case: Case, opened: list[Opened]) -> CaseLog:
    told = {line.consumable.pk: (line.used, line.opened_unused) for line in opened}
    recorded = {pk: pieces for pk, *pieces in earlier.records.values_list("consumable", "used", "opened_unused")}
    if earlier.case_id != case.pk or told != {pk: tuple(pieces) for pk, pieces in recorded.items()}:
        raise ledger.KeyReused(earlier.key)
    return earlier


def _take(case: Case, opened: list[Opened], *, by, at: datetime, key: str) -> dict[int, Movement]:
    """Move the pieces; the first movement of each line, by the consumable's primary key."""
    where = routes(case.department)
    place_of = {line.consumable.pk: where.place_id(case.room_id, line.consumable.pk) for line in opened}
    moment = min(at, slot_ends_at(case)) if is_late(case, at) else at
    seen_since = set(
        Count.objects.filter(place__in=set(place_of.values()) - {None}, consumable__in=place_of, at__gt=moment)
        .order_by()
        .values_list("place_id", "consumable_id")
        .distinct()
    )
    places = Place.objects.select_related("department").in_bulk(set(place_of.values()) - {None})
    uses = {
        f"log:{key}:{pk}": ledger.Used(
            place=places[place_of[pk]],
            consumable=line.consumable,
            quantity=line.used,
            opened_unused=line.opened_unused,
            at=at,
            key=f"log:{key}:{pk}",
        )
        for line in opened
        if place_of[pk := line.consumable.pk] is not None and (place_of[pk], pk) not in seen_since
    }
    written = ledger.use_all(uses.values(), by=by)
    return {uses[movement_key].consumable.pk: movement for movement_key, movement in written.items()}


def _hours(span: timedelta) -> int:
    return span // timedelta(hours=1)
