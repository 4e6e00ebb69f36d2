"""The rooms of the planned day, each by set-up section: what is missing or may run short on the carts it reaches.

As recorded now, with what tonight's open picks still bring. Nothing here says that a room is ready: people do.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, time

from django.db.models import Count as HowMany
from django.db.models import Max, Min, Sum

from inventory.models import Count, Holding, Place, Room, Section

from ..cases.routes import Routes, routes
from ..models import Case, Pick, Plan, PlanLine


@dataclass(frozen=True, slots=True)
class LineAhead:
    """A line that holds fewer usable pieces now than the day is likely to use. to_come: in open picks."""

    line: PlanLine
    usable: int
    to_come: int

    @property
    def after(self) -> int:
        return max(self.usable, 0) + self.to_come

    @property
    def is_missing(self) -> bool:
        """Whether there is none, even once everything was brought."""
        return self.after == 0

    @property
    def short_by(self) -> int:
        """Pieces between what will be there and what covers the service level."""
        return max(self.line.q_service - self.after, 0)


@dataclass(frozen=True)
class CartAhead:
    """One cart. lines: those that lack pieces now, in set-up order. counted: of every line the latest count or None."""

    place: Place
    lines: tuple[LineAhead, ...]
    counted: tuple[datetime | None, ...]

    @property
    def short(self) -> list[LineAhead]:
        """Lines that stay below the likely use even once everything was brought."""
        return [line for line in self.lines if line.short_by]

    @property
    def to_bring(self) -> list[LineAhead]:
        """Lines for which tonight's round still brings pieces."""
        return [line for line in self.lines if line.to_come]

    def sections(self) -> list[tuple[Section, list[LineAhead]]]:
        """Lines that lack pieces now under every section of the set-up, also those where none does."""
        return [(section, [one for one in self.lines if one.line.consumable.section == section]) for section in Section]


@dataclass(frozen=True)
class RoomAhead:
    """A room with a list: its parked carts, and the shared carts that it may fetch from."""

    room: Room
    cases: int
    first_start: time | None
    own: tuple[CartAhead, ...]
    shared: tuple[CartAhead, ...]


@dataclass(frozen=True)
class DayAhead:
    """Rooms with a list in the order of the round, the shared carts they reach, and how many rooms have no list."""

    rooms: tuple[RoomAhead, ...]
    shared: tuple[CartAhead, ...]
    without_list: int


def day_ahead(plan: Plan) -> DayAhead:
    """Read the day of a plan for every room: the number of queries does not grow with rooms or lines."""
    listed = Case.objects.filter(department=plan.department, date=plan.for_date).exclude(status=Case.Status.CANCELLED)
    lists = {
        room: (cases, start)
        for room, cases, start in listed.order_by().values_list("room").annotate(HowMany("pk"), Min("starts_at"))
    }
    reach = routes(plan.department)
    carts = _carts(plan, {cart for room in lists for cart in reach.by_room[room]})
    all_rooms = list(plan.department.rooms.order_by("walk_order", "code"))
    rooms = tuple(_room(room, *lists[room.pk], reach, carts) for room in all_rooms if room.pk in lists)
    shared = {cart.place.pk: cart for room in rooms for cart in room.shared}
    in_order = sorted(shared.values(), key=lambda cart: (cart.place.walk_order, cart.place.code))
    return DayAhead(rooms, tuple(in_order), len(all_rooms) - len(rooms))


def _room(room: Room, cases: int, start: time | None, reach: Routes, carts: dict[int, CartAhead]) -> RoomAhead:
    reached = [carts[pk] for pk in reach.by_room[room.pk]]
    own = tuple(cart for cart in reached if cart.place.room_id == room.pk)
    shared = (_of_room(cart, room, reach) for cart in reached if cart.place.room_id != room.pk)
    return RoomAhead(room, cases, start, own, tuple(shared))


def _of_room(cart: CartAhead, room: Room, reach: Routes) -> CartAhead:
    """A shared cart with only the lines that the room does not find on a cart before it."""
    wanted = tuple(one for one in cart.lines if reach.cart_id(room.pk, one.line.consumable_id) == cart.place.pk)
    return CartAhead(cart.place, wanted, cart.counted)


def _carts(plan: Plan, place_ids: Iterable[int]) -> dict[int, CartAhead]:
    places = Place.objects.select_related("room").in_bulk(place_ids)
    held = Holding.objects.filter(place__in=places).usable(on=plan.for_date).order_by()
    usable = {
        (place, consumable): pieces
        for place, consumable, pieces in held.values_list("place", "consumable").annotate(Sum("quantity"))
    }
    picks = Pick.objects.filter(plan_line__plan=plan, confirmed_at__isnull=True).order_by()
    to_come = dict(picks.values_list("plan_line").annotate(Sum("quantity")))
    counts = Count.objects.filter(place__in=places).order_by().values_list("place", "consumable").annotate(Max("at"))
    counted_at = {(place, consumable): at for place, consumable, at in counts}

    lacking, counted = [], defaultdict(list)
    planned = plan.lines.filter(place__in=places).order_by("place", "pk")
    for pk, place, consumable, likely in planned.values_list("pk", "place", "consumable", "q_service"):
        counted[place].append(counted_at.get((place, consumable)))
        if usable.get((place, consumable), 0) < likely:
            lacking.append(pk)
    lines = defaultdict(list)
    of_lacking = PlanLine.objects.filter(pk__in=lacking).select_related("consumable").defer("pmf", "reason")
    for line in of_lacking.order_by("consumable__section", "consumable__code"):
        pieces = usable.get((line.place_id, line.consumable_id), 0)
        lines[line.place_id].append(LineAhead(line, pieces, to_come.get(line.pk, 0)))
    return {pk: CartAhead(place, tuple(lines[pk]), tuple(counted[pk])) for pk, place in places.items()}
