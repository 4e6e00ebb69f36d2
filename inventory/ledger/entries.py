"""What the ledger writes: entries become movements, and balances follow in the same transaction."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import product
from typing import NamedTuple

from django.db import IntegrityError, connection, transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext

from ..in_parts import in_parts
from ..models import Consumable, Department, Lot, Movement, Place
from .balances import Balances, lock
from .refusals import InsufficientStock, KeyReused, Refused

Kind = Movement.Kind
Role = Place.Role

_SHELVES = (Role.CART, Role.STOREROOM)
_ROUTES = {
    *product([Kind.RECEIVE], [Role.SUPPLIER], _SHELVES),
    *product([Kind.MOVE], _SHELVES, _SHELVES),
    *product([Kind.USE], _SHELVES, [Role.USED]),
    *product([Kind.DISCARD], _SHELVES, [Role.DISCARDED]),
    *product([Kind.RETURN], _SHELVES, [Role.SUPPLIER]),
    *product([Kind.ADJUST], _SHELVES, [Role.COUNT_VARIANCE]),
    *product([Kind.ADJUST], [Role.COUNT_VARIANCE], _SHELVES),
    *product([Kind.MAKE_UP, Kind.TAKE_APART], _SHELVES, [Role.ASSEMBLY]),
    *product([Kind.MAKE_UP, Kind.TAKE_APART], [Role.ASSEMBLY], _SHELVES),
}
_ROUTES |= {(Kind.REVERSE, destination, source) for _, source, destination in _ROUTES}

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


class _Content(NamedTuple):
    """What makes two movements the same event. When, by whom and why may differ in a second submission."""

    kind: str
    source_id: int
    destination_id: int
    consumable_id: int
    lot_id: int | None
    quantity: int
    opened_unused: int
    reverses_id: int | None

    @classmethod
    def of(cls, entry: Entry) -> "_Content":
        things = entry.source, entry.destination, entry.consumable, entry.lot, entry.reverses
        source, destination, consumable, lot, reverses = (getattr(thing, "pk", thing) for thing in things)
        return cls(entry.kind, source, destination, consumable, lot, entry.quantity, entry.opened_unused, reverses)

    @property
    def taken_from(self) -> tuple[int, int, int | None]:
        return self.source_id, self.consumable_id, self.lot_id

    @property
    def brought_to(self) -> tuple[int, int, int | None]:
        return self.destination_id, self.consumable_id, self.lot_id


def part_key(key: str, number: int) -> str:
    """The key of the n-th movement of an event, counted from 1."""
    return key if number == 1 else f"{key}#{number}"


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
    told = [(entry, _Content.of(entry)) for entry in entries]
    contents = {content[1:4] for _, content in told}
    lock((consumable, place) for *places, consumable in contents for place in places)
    new = _without_known_keys(told)
    if not new:
        return []

    places = _checked_places(new)
    balances = Balances(side for _, content in new for side in (content.taken_from, content.brought_to))
    for _, content in new:
        place = places[content.source_id]
        if content.kind == Kind.MOVE and place.role == Role.STOREROOM:
            _refuse_to_overdraw(place, content, held_pieces=balances[content.taken_from])
        balances.shift(content.taken_from, -content.quantity)
        balances.shift(content.brought_to, content.quantity)
    written = _insert(new, by=by)
    balances.save()
    return written


def _without_known_keys(told: list[tuple[Entry, _Content]]) -> list[tuple[Entry, _Content]]:
    keys = [entry.key for entry, _ in told]
    known = {}
    for some_keys in in_parts(keys):
        some = Movement.objects.filter(key__in=some_keys)
        known |= {key: _Content(*content) for key, *content in some.values_list("key", *_Content._fields)}

    new = []
    for entry, content in told:
        if entry.key not in known:
            known[entry.key] = content
            new.append((entry, content))
        elif known[entry.key] != content:
            raise KeyReused(entry.key)
    return new


def _checked_places(new: list[tuple[Entry, _Content]]) -> dict[int, Place]:
    """The places of the entries by primary key, once every entry was found possible."""
    places = Place.objects.in_bulk({pk for _, c in new for pk in (c.source_id, c.destination_id)})
    consumables = {content.consumable_id for _, content in new}
    department_of = dict(Consumable.objects.filter(pk__in=consumables).values_list("pk", "department_id"))
    lots = {content.lot_id for _, content in new} - {None}
    consumable_of = dict(Lot.objects.filter(pk__in=lots).values_list("pk", "consumable_id"))

    for entry, content in new:
        source, destination = places[content.source_id], places[content.destination_id]
        if content.quantity < 1:
            raise Refused(gettext("A movement moves at least one piece."))
        if source == destination:
            raise Refused(gettext("Source and destination are the same place."))
        if (content.kind, source.role, destination.role) not in _ROUTES:
            raise Refused(
                gettext("Pieces cannot be %(label)s from %(source)s to %(destination)s.")
                % {"label": Kind(content.kind).label, "source": source, "destination": destination}
            )
        if not source.department_id == destination.department_id == department_of[content.consumable_id]:
            raise Refused(gettext("The places and the line belong to different departments."))
        if content.lot_id is not None and consumable_of[content.lot_id] != content.consumable_id:
            raise Refused(gettext("The lot is a lot of another line."))
        if not 0 <= content.opened_unused <= content.quantity:
            raise Refused(gettext("More pieces were opened unused than were taken."))
        if not 0 < len(entry.key) <= _KEY_LENGTH or len(entry.reason) > _REASON_LENGTH:
            raise Refused(
                gettext("A key has 1 to %(key_length)s characters, a reason at most %(reason_length)s.")
                % {"key_length": _KEY_LENGTH, "reason_length": _REASON_LENGTH}
            )
    return places


def _refuse_to_overdraw(storeroom: Place, content: _Content, *, held_pieces: int) -> None:
    if held_pieces < content.quantity:
        raise InsufficientStock(
            consumable=Consumable.objects.get(pk=content.consumable_id),
            place=storeroom,
            lot=content.lot_id and Lot.objects.get(pk=content.lot_id),
            asked_pieces=content.quantity,
            held_pieces=held_pieces,
        )


# bulk_create spends most of its time on preparing values: written so, a long history loads several times as fast.
_INSERT = """
    INSERT INTO inventory_movement
        (kind, source_id, destination_id, consumable_id, lot_id, quantity, opened_unused, reverses_id,
         at, reason, key, by_id, recorded_at)
    VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
"""


def _insert(new: list[tuple[Entry, _Content]], *, by) -> list[Movement]:
    adapt = connection.ops.adapt_datetimefield_value
    recorded_at = adapt(timezone.now())
    rows = ((*content, adapt(e.at), e.reason, e.key, by.pk, recorded_at) for e, content in new)
    newest = Movement.objects.aggregate(pk=Max("pk", default=0))["pk"]
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.executemany(_INSERT, rows)
    except IntegrityError as error:
        # On PostgreSQL the same key may have come at the same moment for other places, which other locks guard.
        taken = Movement.objects.in_bulk([entry.key for entry, _ in new], field_name="key")
        if taken:
            raise KeyReused(next(iter(taken))) from error
        raise
    written = {movement.key: movement for movement in Movement.objects.filter(pk__gt=newest).order_by()}
    return [written[entry.key] for entry, _ in new]
