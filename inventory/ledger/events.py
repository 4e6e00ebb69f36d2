"""What happens to pieces, one function for each event. All are keyword-only; quantities are pieces, not packs."""

from collections.abc import Mapping
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from ..in_parts import in_parts
from ..models import Consumable, Lot, Movement, Place
from .balances import lock
from .entries import Entry, record, virtual_place
from .refusals import NotReversible, Refused
from .using import Used, use_all

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
    if lot is None:
        told = Used(place=place, consumable=consumable, quantity=quantity, opened_unused=opened_unused, at=at, key=key)
        return use_all([told], by=by)[key]
    if quantity < 0 or opened_unused < 0:
        raise Refused(_("Nobody can use fewer than zero pieces."))
    return _write(
        Entry(
            kind=Kind.USE,
            source=place,
            destination=virtual_place(place.department_id, Role.USED),
            consumable=consumable,
            lot=lot,
            quantity=quantity + opened_unused,
            opened_unused=opened_unused,
            at=at,
            key=key,
        ),
        by=by,
    )


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


def give_back(
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
    """Record pieces that went back to the supplier, and why: recalled, delivered in error."""
    return _write(
        Entry(
            kind=Kind.RETURN,
            source=place,
            destination=virtual_place(place.department_id, Role.SUPPLIER),
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


def reverse(*, movement: Movement, by, at: datetime, key: str, reason: str) -> Movement:
    """Take a movement back: the same pieces the other way. Once for each movement, and never for a reversal.

    Not refused for want of stock, not even at a storeroom: the record was wrong, and a count will settle the rest.
    An event over several lots is several movements: reverse each of `movements_of(its key)`.

    Raises NotReversible.
    """
    return reverse_all({key: movement}, by=by, at=at, reason=reason)[key]


@transaction.atomic
def reverse_all(movements: Mapping[str, Movement], *, by, at: datetime, reason: str) -> dict[str, Movement]:
    """Take many movements back as `reverse` does, all or none; the reversals by their keys.

    movements: each by the key of its reversal. The number of queries grows with them only where the database limits
    what one query may hold. Raises as `reverse` does.
    """
    if any(movement.kind == Kind.REVERSE for movement in movements.values()):
        raise NotReversible(_("A reversal cannot be reversed: record what happened as a new event."))
    lock((one.consumable_id, place) for one in movements.values() for place in (one.source_id, one.destination_id))
    earlier: dict[int, str] = {}
    for some in in_parts([movement.pk for movement in movements.values()]):
        earlier |= dict(Movement.objects.filter(reverses__in=some).values_list("reverses", "key"))
    if any(earlier.get(movement.pk, key) != key for key, movement in movements.items()):
        raise NotReversible(_("This movement was already reversed."))
    record(
        [
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
            )
            for key, movement in movements.items()
        ],
        by=by,
    )
    return Movement.objects.in_bulk(list(movements), field_name="key")
