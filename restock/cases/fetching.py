"""Need it now: who holds the nearest one, and that it was taken from there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import Max, Sum
from django.utils.translation import gettext as _

from inventory import ledger
from inventory.fefo import LotOnHand, choose_lots
from inventory.models import Consumable, Count, Holding, Lot, Movement, Place, Room

from .routes import routes


@dataclass(frozen=True)
class Held:
    """Pieces of a line that may be used, at one place, and when somebody last counted them there.

    take_first: the lot of them that ends first; None where no date is on record.
    """

    place: Place
    pieces: int
    counted_at: datetime | None
    is_here: bool
    take_first: Lot | None = None


def nearest(consumables: Iterable[Consumable], *, room: Room, at: datetime) -> dict[int, list[Held]]:
    """For each consumable (its primary key) the places that hold it, nearest to the room first: six queries.

    Nearest is: in the room; in other rooms by the way round; shared carts, first those that serve the room;
    storerooms, first the one that fills the room's carts. Pieces out of date or set aside do not count.
    """
    wanted = [consumable.pk for consumable in consumables]
    places = {
        place.pk: place
        for place in Place.objects.filter(department=room.department_id)
        .physical()
        .select_related("room")
        .prefetch_related("serves")
    }
    day = room.department.local_date(at)
    usable = Holding.objects.filter(place__in=places, consumable__in=wanted).usable(on=day)
    held = usable.order_by().values_list("consumable_id", "place_id").annotate(pieces=Sum("quantity"))
    first: dict[tuple[int, int], Lot] = {}
    dated = usable.filter(quantity__gt=0, lot__expires_on__isnull=False).select_related("lot")
    for one in dated.order_by("lot__expires_on", "lot"):
        first.setdefault((one.consumable_id, one.place_id), one.lot)
    counted = {
        (place, line): counted_at
        for place, line, counted_at in Count.objects.filter(place__in=places, consumable__in=wanted)
        .order_by()
        .values_list("place_id", "consumable_id")
        .annotate(latest=Max("at"))
    }
    fills_room = {place.restocked_from_id for place in places.values() if place.room_id == room.pk}
    found: dict[int, list[Held]] = defaultdict(list)
    for consumable_id, place_id, pieces in held:
        if pieces > 0:
            place = places[place_id]
            since = counted.get((place_id, consumable_id))
            is_here, take_first = place.room_id == room.pk, first.get((consumable_id, place_id))
            found[consumable_id].append(Held(place, pieces, since, is_here, take_first))
    for holders in found.values():
        holders.sort(key=lambda one: _distance(one.place, room, fills_room))
    return dict(found)


def _distance(place: Place, room: Room, fills_room: set[int | None]) -> tuple:
    """Sorts places by how far a runner goes, as far as the department's own order of rooms tells."""
    if place.room_id == room.pk:
        far = (0, 0)
    elif place.room is not None:
        far = (1, abs(place.room.walk_order - room.walk_order))
    elif place.role == Place.Role.CART:
        far = (2, 0 if room in place.serves.all() else 1)
    else:
        far = (3, 0 if place.pk in fills_room else 1)
    return (*far, place.walk_order, place.code)


@transaction.atomic
def borrow(
    *, source: Place, room: Room, consumable: Consumable, quantity: int, by, at: datetime, key: str
) -> list[Movement]:
    """Record pieces that were taken from another place for this room: they move to the cart that the room uses for
    the line, from where the case's log takes them. The same key is the same fact.

    Raises InsufficientStock where a storeroom's record holds fewer, Refused where the room has no cart.
    """
    known = ledger.movements_of(key)
    if known:
        return known
    destination = _own_cart(room, consumable)
    if destination is None:
        raise ledger.Refused(_("No cart serves this room: log the use, and the place it came from will be counted."))
    carried = pieces_carried(
        source=source,
        destination=destination,
        consumable=consumable,
        quantity=quantity,
        on=room.department.local_date(at),
        at=at,
        key=key,
        reason=_("fetched for a case"),
    )
    return ledger.record(carried, by=by)


def pieces_carried(
    *,
    source: Place,
    destination: Place,
    consumable: Consumable,
    quantity: int,
    on: date,
    at: datetime,
    key: str,
    reason: str,
    lot: Lot | None = None,
    longest_first: bool = False,
) -> list[ledger.Entry]:
    """Pieces carried from one place to another, to be recorded: of `lot`, or else lots that expire first before the
    others, as the record holds them now.

    on: the day that they are for; lots that end before it are not chosen. longest_first: those that last longest
    instead, as a swap brings them back.

    One entry for each lot: `ledger.movements_of(key)` once they are recorded.
    """
    held = Holding.objects.filter(place=source, consumable=consumable, lot__isnull=False, quantity__gt=0)
    lots = [
        LotOnHand(h.lot_id, h.lot.expires_on, h.quantity, h.lot.quarantined_at is None)
        for h in held.select_related("lot").order_by("lot")
    ]
    choice = choose_lots(lots, needed_pieces=quantity, on=on, longest_first=longest_first)
    parts = [*choice.taken, *([(None, choice.short_pieces)] if choice.short_pieces else [])]
    if lot is not None:
        parts = [(lot.pk, quantity)]
    return [
        ledger.Entry(
            kind=Movement.Kind.MOVE,
            source=source,
            destination=destination,
            consumable=consumable,
            lot=lot_id,
            quantity=pieces,
            at=at,
            key=ledger.part_key(key, number),
            reason=reason,
        )
        for number, (lot_id, pieces) in enumerate(parts, start=1)
    ]


def _own_cart(room: Room, consumable: Consumable) -> Place | None:
    """The cart that the room's cases take the line from, or the first that serves the room where none keeps it."""
    where = routes(room.department)
    reach = where.by_room[room.pk]
    cart_id = where.cart_id(room.pk, consumable.pk) or next(iter(reach), None)
    return Place.objects.filter(pk=cart_id).first() if cart_id else None
