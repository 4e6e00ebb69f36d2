"""What happens to pieces, one function for each event. All are keyword-only; quantities are pieces, not packs."""

from datetime import datetime

from django.db import transaction
from django.db.models import Q

from ..fefo import LotOnHand, choose_lots
from ..models import Consumable, Holding, Lot, Movement, Place
from .balances import lock
from .entries import Entry, record, virtual_place
from .refusals import KeyReused, NotReversible, Refused

Kind = Movement.Kind
Role = Place.Role


def _write(entry: Entry, *, by) -> Movement:
    written = record([entry], by=by)
    return written[0] if written else Movement.objects.get(key=entry.key)


def receive(
    *,
    place: Place,
    consumable: Consumable,
    quantity: int,
    by,
    at: datetime,
    key: str,
    lot: Lot | None = None,
    reason: str = "",
) -> Movement:
    """Record pieces that came from a supplier."""
    source = virtual_place(place.department_id, Role.SUPPLIER)
    return _write(
        Entry(
            kind=Kind.RECEIVE,
            source=source,
            destination=place,
            consumable=consumable,
            lot=lot,
            quantity=quantity,
            at=at,
            key=key,
            reason=reason,
        ),
        by=by,
    )


def move(
    *,
    source: Place,
    destination: Place,
    consumable: Consumable,
    quantity: int,
    by,
    at: datetime,
    key: str,
    lot: Lot | None = None,
    reason: str = "",
) -> Movement:
    """Record pieces carried from one cart or storeroom to another.

    People decide about a storeroom before they act, so its balance of the lot may not fall below zero: raises
    InsufficientStock. A cart's may, because what was carried is a fact.
    """
    return _write(
        Entry(
            kind=Kind.MOVE,
            source=source,
            destination=destination,
            consumable=consumable,
            lot=lot,
            quantity=quantity,
            at=at,
            key=key,
            reason=reason,
        ),
        by=by,
    )


@transaction.atomic
def use(
    *,
    place: Place,
    consumable: Consumable,
    quantity: int,
    by,
    at: datetime,
    key: str,
    opened_unused: int = 0,
    lot: Lot | None = None,
) -> Movement:
    """Record pieces taken from a place for a patient's care: `quantity` used, and `opened_unused` besides.

    Never refused for want of stock: a balance below zero says that the record was wrong (Holding.needs_count).
    Which case it was for is not the ledger's to know.

    Without a lot, pieces are taken from the lots held there, first-expiring-first-out, and the rest from the balance
    without a lot. Out-of-date and quarantined lots are left alone even when nothing else is recorded: as long as
    nobody has looked, the warning about them has to stay. Several lots make several movements (see `movements_of`);
    the first is returned.
    """
    pieces = quantity + opened_unused
    if quantity < 0 or opened_unused < 0 or pieces == 0:
        raise Refused("A use takes at least one piece, used or opened unused.")
    used = virtual_place(place.department_id, Role.USED)
    if lot is not None:
        parts = [(lot.pk, pieces)]
    else:
        lock([(consumable.pk, place.pk), (consumable.pk, used.pk)])
        earlier = movements_of(key)
        if earlier:
            if _told(earlier) != (Kind.USE, place.pk, consumable.pk, pieces, opened_unused):
                raise KeyReused(key)
            return earlier[0]
        parts = _lots_to_use(place, consumable, pieces=pieces, at=at)

    entries = []
    unused_left = opened_unused
    for number, (lot_id, part) in enumerate(parts, start=1):
        unused_here = min(unused_left, part)
        unused_left -= unused_here
        entries.append(
            Entry(
                kind=Kind.USE,
                source=place,
                destination=used,
                consumable=consumable,
                lot=lot_id,
                quantity=part,
                opened_unused=unused_here,
                at=at,
                key=part_key(key, number),
            )
        )
    written = record(entries, by=by)
    return written[0] if written else Movement.objects.get(key=key)


def _told(event: list[Movement]) -> tuple:
    first = event[0]
    pieces = sum(m.quantity for m in event)
    return first.kind, first.source_id, first.consumable_id, pieces, sum(m.opened_unused for m in event)


def _lots_to_use(place: Place, consumable: Consumable, *, pieces: int, at: datetime) -> list[tuple[int | None, int]]:
    held = (
        Holding.objects.filter(place=place, consumable=consumable, lot__isnull=False, quantity__gt=0)
        .select_related("lot")
        .order_by("lot")
    )
    choice = choose_lots(
        (LotOnHand(h.lot_id, h.lot.expires_on, h.quantity, h.lot.quarantined_at is None) for h in held),
        needed_pieces=pieces,
        on=place.department.local_date(at),
    )
    return [*choice.taken, *([(None, choice.short_pieces)] if choice.short_pieces else [])]


def part_key(key: str, number: int) -> str:
    """The key of the n-th movement of an event, counted from 1."""
    return key if number == 1 else f"{key}#{number}"


def movements_of(key: str) -> list[Movement]:
    """Every movement of the event with this key, the first one first; empty where the ledger knows no such event."""
    first = Movement.objects.filter(key=key).first()
    if first is None:
        return []
    # One event, one instant: the index on `at` finds them, which a prefix of the key would not on SQLite.
    same_instant = Movement.objects.filter(at=first.at)
    return list(same_instant.filter(Q(key=key) | Q(key__startswith=f"{key}#")).order_by("pk"))


def discard(
    *,
    place: Place,
    consumable: Consumable,
    quantity: int,
    by,
    at: datetime,
    key: str,
    reason: str,
    lot: Lot | None = None,
) -> Movement:
    """Record pieces thrown away from a place, and why: out of date, damaged, recalled."""
    destination = virtual_place(place.department_id, Role.DISCARDED)
    return _write(
        Entry(
            kind=Kind.DISCARD,
            source=place,
            destination=destination,
            consumable=consumable,
            lot=lot,
            quantity=quantity,
            at=at,
            key=key,
            reason=reason,
        ),
        by=by,
    )


def adjust(
    *,
    place: Place,
    consumable: Consumable,
    difference: int,
    by,
    at: datetime,
    key: str,
    reason: str,
    lot: Lot | None = None,
) -> Movement:
    """Record that a place holds `difference` pieces more (or, negative, fewer) than the ledger knew."""
    variance = virtual_place(place.department_id, Role.COUNT_VARIANCE)
    source, destination = (variance, place) if difference > 0 else (place, variance)
    return _write(
        Entry(
            kind=Kind.ADJUST,
            source=source,
            destination=destination,
            consumable=consumable,
            lot=lot,
            quantity=abs(difference),
            at=at,
            key=key,
            reason=reason,
        ),
        by=by,
    )


@transaction.atomic
def reverse(*, movement: Movement, by, at: datetime, key: str, reason: str) -> Movement:
    """Take a movement back: the same pieces the other way. Once for each movement, and never for a reversal.

    Not refused for want of stock, not even at a storeroom: the record was wrong, and a count will settle the rest.
    An event over several lots is several movements: reverse each of `movements_of(its key)`.

    Raises NotReversible.
    """
    if movement.kind == Kind.REVERSE:
        raise NotReversible("A reversal cannot be reversed: record what happened as a new event.")
    lock((movement.consumable_id, place) for place in (movement.source_id, movement.destination_id))
    earlier = Movement.objects.filter(reverses=movement).first()
    if earlier is not None and earlier.key != key:
        raise NotReversible("This movement was already reversed.")
    return _write(
        Entry(
            kind=Kind.REVERSE,
            source=movement.destination_id,
            destination=movement.source_id,
            consumable=movement.consumable_id,
            lot=movement.lot_id,
            quantity=movement.quantity,
            opened_unused=movement.opened_unused,
            at=at,
            key=key,
            reason=reason,
            reverses=movement,
        ),
        by=by,
    )
