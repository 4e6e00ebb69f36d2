"""Which cart a case draws on. One rule, used where use is logged and where tomorrow's use is foreseen."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from inventory.models import Department, Place, StockingLine


@dataclass(frozen=True)
class Routes:
    """The first place that a room's cases reach to for a consumable. Keys are primary keys.

    by_room: for each room, its carts in the order in which a hand reaches: parked in it first, then the shared
    carts that serve it.
    stocked: for each place, the consumables that it keeps.
    fallback: for each room, the storeroom that is walked to for what no cart keeps; None where there is none.
    """

    by_room: dict[int, tuple[int, ...]]
    stocked: dict[int, frozenset[int]]
    fallback: dict[int, int | None]

    def place_id(self, room_id: int, consumable_id: int) -> int | None:
        """The place that a case in this room takes this consumable from."""
        cart = self.cart_id(room_id, consumable_id)
        return self.fallback[room_id] if cart is None else cart

    def cart_id(self, room_id: int, consumable_id: int) -> int | None:
        """As `place_id`, but None where no cart keeps the line."""
        for place in self.by_room[room_id]:
            if consumable_id in self.stocked[place]:
                return place
        return None


def routes(department: Department) -> Routes:
    """Read the department's carts, rooms and stocking lines once: four queries, whatever their number."""
    carts = list(
        Place.objects.filter(department=department).carts().prefetch_related("serves").order_by("walk_order", "code")
    )
    storerooms = list(
        Place.objects.filter(department=department)
        .storerooms()
        .order_by("walk_order", "code")
        .values_list("pk", flat=True)
    )
    stocked = defaultdict(set)
    for place_id, consumable_id in StockingLine.objects.filter(place__in=carts).values_list("place", "consumable"):
        stocked[place_id].add(consumable_id)

    by_room, fallback = {}, {}
    for room_id in department.rooms.values_list("pk", flat=True):
        parked = [cart for cart in carts if cart.room_id == room_id]
        shared = [
            cart for cart in carts if cart.room_id != room_id and any(room.pk == room_id for room in cart.serves.all())
        ]
        by_room[room_id] = tuple(cart.pk for cart in parked + shared)
        own = next((cart.restocked_from_id for cart in parked if cart.restocked_from_id), None)
        fallback[room_id] = own or next(iter(storerooms), None)
    return Routes(by_room, {cart.pk: frozenset(stocked[cart.pk]) for cart in carts}, fallback)


def rooms_that_reach(cart: Place) -> set[int]:
    """The rooms for which `routes` names this cart: the one it is parked in, and those that it serves."""
    served = set(cart.serves.values_list("pk", flat=True))
    return served | {cart.room_id} if cart.room_id else served
