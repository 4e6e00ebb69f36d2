"""What a person did with pieces on the pull list: thrown away, carried where they are used in time, or not there.

Each act is a fact in the ledger under the key that came with the page or sheet, so the same told twice happens once; it
is taken back by reversing its movements. A line kept by its earliest date has lots in the ledger all the same: those
that end by the date on the row are taken first, then pieces whose lot nobody knows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import F, Q
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from inventory import ledger
from inventory.models import Consumable, Department, Holding, Movement, Place

from .expiry import Dated
from .found_wrong import PULLED as PREFIX
from .found_wrong import ask_for_count, ask_no_longer

ENDED, ENDS_SOON = gettext_noop("out of date"), gettext_noop("ends before the next round")
NOT_THERE, CARRIED = gettext_noop("not there"), gettext_noop("ends soon")

Kind = Movement.Kind


@dataclass(frozen=True, slots=True)
class Pulled:
    """One act of the day that still stands: `pieces` of a line, and where they went (None: they were not there)."""

    key: str
    kind: Kind
    place: Place
    consumable: Consumable
    pieces: int
    destination: Place | None
    by: object
    at: datetime


@transaction.atomic
def throw_away(dated: Dated, *, pieces: int, by, at: datetime, key: str) -> list[Movement]:
    """Record that so many pieces were pulled and thrown away, more than were on record too: then a count is asked for.

    Raises Refused for fewer than one, KeyReused.
    """
    day = dated.place.department.local_date(at)
    sink = ledger.virtual_place(dated.place.department_id, Place.Role.DISCARDED)
    reason = ENDED if dated.has_ended(day) else ENDS_SOON
    return _record(dated, Kind.DISCARD, dated.place, sink, pieces, reason=reason, by=by, at=at, key=key)


@transaction.atomic
def carry_to(dated: Dated, *, destination: Place, pieces: int, by, at: datetime, key: str) -> list[Movement]:
    """Record that so many pieces were carried to another cart or storeroom, where they are used in time.

    Raises Refused for pieces that have ended, InsufficientStock where a storeroom's record holds fewer, KeyReused.
    """
    if dated.has_ended(dated.place.department.local_date(at)):
        raise ledger.Refused(_("These have ended: they are thrown away, not carried to another place."))
    return _record(dated, Kind.MOVE, dated.place, destination, pieces, reason=CARRIED, by=by, at=at, key=key)


@transaction.atomic
def not_there(dated: Dated, *, pieces: int, by, at: datetime, key: str) -> list[Movement]:
    """Record that so many pieces of the row were looked for and not there. A count of the line is asked for.

    Raises Refused where more are said to be missing than are on record, KeyReused.
    """
    variance = ledger.virtual_place(dated.place.department_id, Place.Role.COUNT_VARIANCE)
    return _record(dated, Kind.ADJUST, dated.place, variance, pieces, reason=NOT_THERE, by=by, at=at, key=key)


@transaction.atomic
def take_back(department: Department, *, key: str, by, at: datetime) -> None:
    """Take an act of the pull list back: every movement of it is reversed. Taken back twice is taken back once.

    Raises Refused where there is no such act, or what was carried is not all at its new place any more.
    """
    movements = ledger.movements_of(key) if key.startswith(PREFIX) else []
    if not movements or movements[0].source.department_id != department.pk:
        raise ledger.Refused(_("There is nothing of that kind to take back."))
    for movement in sorted(movements, key=lambda one: one.consumable_id):
        if Movement.objects.filter(reverses=movement).exists():
            continue
        if movement.kind == Kind.MOVE:
            there = Holding.objects.filter(
                place=movement.destination_id, consumable=movement.consumable_id, lot=movement.lot_id
            )
            if (there.values_list("quantity", flat=True).first() or 0) < movement.quantity:
                place = movement.destination
                raise ledger.Refused(_("Not all of them are at %(place)s any more.") % {"place": place})
        ledger.reverse(movement=movement, by=by, at=at, key=f"{movement.key}:back", reason="taken back")
    ask_no_longer(place=movements[0].source, consumable=movements[0].consumable)


def recorded_pieces(key: str) -> int | None:
    """Pieces of the act that came with this key, None where none did."""
    known = ledger.movements_of(f"{PREFIX}{key}")
    return sum(movement.quantity for movement in known) if known else None


def pulled_since(department: Department, since: datetime) -> list[Pulled]:
    """What was done from the pull list since then and still stands, newest first: one query."""
    movements = (
        Movement.objects.not_reversed()
        .filter(at__gte=since, source__department=department, kind__in=[Kind.DISCARD, Kind.MOVE, Kind.ADJUST])
        .filter(key__startswith=PREFIX)
        .select_related("source", "destination", "consumable", "by")
        .order_by("-at", "pk")
    )
    acts: dict[str, list[Movement]] = defaultdict(list)
    for movement in movements:
        acts[movement.key.partition("#")[0]].append(movement)
    return [
        Pulled(
            key=key,
            kind=Kind(parts[0].kind),
            place=parts[0].source,
            consumable=parts[0].consumable,
            pieces=sum(part.quantity for part in parts),
            destination=None if parts[0].destination.is_virtual else parts[0].destination,
            by=parts[0].by,
            at=parts[0].at,
        )
        for key, parts in acts.items()
    ]


def _record(
    dated: Dated,
    kind: Kind,
    source: Place,
    destination: Place,
    pieces: int,
    *,
    reason: str,
    by,
    at: datetime,
    key: str,
) -> list[Movement]:
    if pieces < 1:
        raise ledger.Refused(_("Say of how many pieces: at least one."))
    key = f"{PREFIX}{key}"
    if known := ledger.movements_of(key):
        told = (kind, source.pk, destination.pk, dated.consumable.pk, pieces)
        first = known[0]
        same = (first.kind, first.source_id, first.destination_id, first.consumable_id, sum(m.quantity for m in known))
        if same != told:
            raise ledger.KeyReused(key)
        return known
    if kind == Kind.ADJUST and pieces > dated.pieces:
        words = {"pieces": dated.pieces}
        raise ledger.Refused(_("Only %(pieces)d are on record: no more can be missing of them.") % words)
    written = ledger.record(
        (
            ledger.Entry(
                kind=kind,
                source=source,
                destination=destination,
                consumable=dated.consumable,
                lot=lot_id,
                quantity=part,
                at=at,
                key=ledger.part_key(key, number),
                reason=reason,
            )
            for number, (lot_id, part) in enumerate(_lots(dated, pieces), start=1)
        ),
        by=by,
    )
    short = Holding.objects.filter(place=dated.place, consumable=dated.consumable, quantity__lt=0)
    if kind == Kind.ADJUST or short.exists():
        ask_for_count(place=dated.place, consumable=dated.consumable, at=at)
    return written


def _lots(dated: Dated, pieces: int) -> Sequence[tuple[int | None, int]]:
    """(lot or None, pieces) that an act takes: the row's own lot, or those that the earliest date may be of."""
    if dated.lot is not None:
        return [(dated.lot.pk, pieces)]
    held = Holding.objects.filter(place=dated.place, consumable=dated.consumable, quantity__gt=0).filter(
        Q(lot__isnull=True) | Q(lot__expires_on__lte=dated.expires_on, lot__quarantined_at__isnull=True)
    )
    parts: dict[int | None, int] = defaultdict(int)
    for lot_id, there in held.order_by(F("lot__expires_on").asc(nulls_last=True), "pk").values_list("lot", "quantity"):
        here = min(there, pieces)
        if here:
            parts[lot_id] += here
            pieces -= here
    if pieces:
        parts[None] += pieces
    return list(parts.items())
