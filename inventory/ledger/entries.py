"""What the ledger writes: entries become movements, and balances follow in the same transaction."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db import IntegrityError, transaction

from ..models import Consumable, Department, Lot, Movement, Place
from .balances import Balances, lock
from .refusals import InsufficientStock, KeyReused, Refused

Kind = Movement.Kind
Role = Place.Role

_SHELVES = frozenset({Role.CART, Role.STOREROOM})
_ROUTES = {
    Kind.RECEIVE: [({Role.SUPPLIER}, _SHELVES)],
    Kind.MOVE: [(_SHELVES, _SHELVES)],
    Kind.USE: [(_SHELVES, {Role.USED})],
    Kind.DISCARD: [(_SHELVES, {Role.DISCARDED})],
    Kind.ADJUST: [({Role.COUNT_VARIANCE}, _SHELVES), (_SHELVES, {Role.COUNT_VARIANCE})],
}
_ROUTES[Kind.REVERSE] = [(destinations, sources) for routes in _ROUTES.values() for sources, destinations in routes]

_KEY_LENGTH = Movement._meta.get_field("key").max_length
_REASON_LENGTH = Movement._meta.get_field("reason").max_length


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One movement to be written. Places, consumable, lot and `reverses` are instances or their primary keys.

    `quantity` counts all pieces that leave, `opened_unused` included. Without a lot the pieces come from, and go
    to, the balances without a lot.
    """

    kind: Movement.Kind
    source: Place | int
    destination: Place | int
    consumable: Consumable | int
    quantity: int
    at: datetime
    key: str
    lot: Lot | int | None = None
    opened_unused: int = 0
    reason: str = ""
    reverses: Movement | int | None = None

    def movement(self) -> Movement:
        """The row, not yet saved and without its user."""
        return Movement(
            kind=self.kind,
            source_id=_pk(self.source),
            destination_id=_pk(self.destination),
            consumable_id=_pk(self.consumable),
            lot_id=_pk(self.lot),
            quantity=self.quantity,
            opened_unused=self.opened_unused,
            at=self.at,
            reason=self.reason,
            key=self.key,
            reverses_id=_pk(self.reverses),
        )


def _pk(thing):
    return getattr(thing, "pk", thing)


def virtual_place(department: Department | int, role: Place.Role) -> Place:
    """Where the department's pieces come from (supplier, count variance) or end (used, discarded)."""
    return Place.objects.get(department=department, role=role)


@transaction.atomic
def record(entries: Iterable[Entry], *, by) -> list[Movement]:
    """Write movements and their balances, all or none; return those that were written, in the order given.

    An entry whose key is already in the ledger with the same content is skipped, so a load can be repeated. When it
    happened, who said so and why are not content: a second submission may differ in them.

    Raises InsufficientStock where a move would take more of a lot from a storeroom than it holds at that point of
    the list, KeyReused for a known key with other content, Refused for an entry that cannot be true.
    """
    told = [entry.movement() for entry in entries]
    lock(pair for m in told for pair in ((m.consumable_id, m.source_id), (m.consumable_id, m.destination_id)))
    new = _without_known_keys(told)
    if not new:
        return []
    places = _checked_places(new)

    balances = Balances(t for m in new for t in (_triple(m, m.source_id), _triple(m, m.destination_id)))
    for movement in new:
        source = _triple(movement, movement.source_id)
        if movement.kind == Kind.MOVE and places[movement.source_id].role == Role.STOREROOM:
            held = balances[source]
            if held < movement.quantity:
                raise InsufficientStock(
                    consumable=movement.consumable,
                    place=places[movement.source_id],
                    lot=movement.lot,
                    asked_pieces=movement.quantity,
                    held_pieces=held,
                )
        balances.shift(source, -movement.quantity)
        balances.shift(_triple(movement, movement.destination_id), movement.quantity)
        movement.by = by
    try:
        with transaction.atomic():
            written = Movement.objects.bulk_create(new)
    except IntegrityError as error:
        # On PostgreSQL the same key may have come at the same moment for other places, which other locks guard.
        taken = Movement.objects.in_bulk([m.key for m in new], field_name="key")
        if taken:
            raise KeyReused(next(iter(taken))) from error
        raise
    balances.save()
    return written


def _triple(movement: Movement, place_id: int) -> tuple[int, int, int | None]:
    return place_id, movement.consumable_id, movement.lot_id


def _content(movement: Movement) -> tuple:
    return (
        movement.kind,
        movement.source_id,
        movement.destination_id,
        movement.consumable_id,
        movement.lot_id,
        movement.quantity,
        movement.opened_unused,
        movement.reverses_id,
    )


def _without_known_keys(told: list[Movement]) -> list[Movement]:
    known = Movement.objects.in_bulk([m.key for m in told], field_name="key")
    new = []
    for movement in told:
        first = known.setdefault(movement.key, movement)
        if first is movement:
            new.append(movement)
        elif _content(first) != _content(movement):
            raise KeyReused(movement.key)
    return new


def _checked_places(movements: list[Movement]) -> dict[int, Place]:
    """The places of the movements by primary key, once every movement was found possible."""
    places = Place.objects.in_bulk({pk for m in movements for pk in (m.source_id, m.destination_id)})
    department_of = dict(
        Consumable.objects.filter(pk__in={m.consumable_id for m in movements}).values_list("pk", "department_id")
    )
    lots = {m.lot_id for m in movements} - {None}
    consumable_of = dict(Lot.objects.filter(pk__in=lots).values_list("pk", "consumable_id")) if lots else {}

    for movement in movements:
        source, destination = places[movement.source_id], places[movement.destination_id]
        if movement.quantity < 1:
            raise Refused("A movement moves at least one piece.")
        if source == destination:
            raise Refused("Source and destination are the same place.")
        if not any(source.role in s and destination.role in d for s, d in _ROUTES[movement.kind]):
            raise Refused(f"Nothing can be “{Kind(movement.kind).label}” from {source} to {destination}.")
        if not source.department_id == destination.department_id == department_of[movement.consumable_id]:
            raise Refused("The places and the line belong to different departments.")
        if movement.lot_id is not None and consumable_of[movement.lot_id] != movement.consumable_id:
            raise Refused(f"Lot {movement.lot} is not a lot of {movement.consumable}.")
        if not 0 <= movement.opened_unused <= movement.quantity:
            raise Refused("More pieces were opened unused than were taken.")
        if not 0 < len(movement.key) <= _KEY_LENGTH or len(movement.reason) > _REASON_LENGTH:
            raise Refused(f"A key has 1 to {_KEY_LENGTH} characters, a reason at most {_REASON_LENGTH}.")
    return places
