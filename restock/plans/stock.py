"""What is on hand for a day: on each line of the carts, and lot by lot in the storerooms."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.db.models import Sum

from inventory.fefo import LotOnHand
from inventory.models import Department, Holding, Place, StockingLine

from ..models import Pick, Plan


@dataclass(frozen=True)
class Stock:
    """Pieces recorded, and how many of them may be used on the day.

    on_hand, usable: (L,) of each cart line; usable is never below zero.
    in_store: for each (storeroom, consumable) its usable lots; the key of a lot is its primary key, None for pieces
    without a lot. store_unusable: for each consumable the pieces in storerooms that are out of date or set aside.
    storerooms: in the order of the round. bins: where a storeroom keeps a consumable.
    """

    on_hand: np.ndarray
    usable: np.ndarray
    in_store: dict[tuple[int, int], list[LotOnHand]]
    store_unusable: dict[int, int]
    storerooms: tuple[int, ...]
    bins: dict[tuple[int, int], int | None]

    def store_pieces(self, consumable_id: int) -> int:
        """Usable pieces of a consumable in all storerooms."""
        return sum(lot.pieces for store in self.storerooms for lot in self.in_store.get((store, consumable_id), ()))


def read_stock(department: Department, lines: list[StockingLine], *, on: date) -> Stock:
    """Read the balances that matter to these cart lines for the day `on`: four queries."""
    places = [line.place_id for line in lines]
    held = _by_line(Holding.objects.filter(place__in=set(places)))
    usable = _by_line(Holding.objects.filter(place__in=set(places)).usable(on=on))
    storerooms = Place.objects.filter(department=department).storerooms().order_by("walk_order", "code")
    storeroom_ids = tuple(storerooms.values_list("pk", flat=True))

    in_store, unusable = defaultdict(list), defaultdict(int)
    stored = Holding.objects.filter(place__in=storeroom_ids, quantity__gt=0).marked_usable(on=on)
    for holding in stored.select_related("lot").order_by("pk"):
        lot = holding.lot
        if not holding.is_usable:
            unusable[holding.consumable_id] += holding.quantity
        else:
            entry = LotOnHand(holding.lot_id, lot.expires_on if lot else None, holding.quantity)
            in_store[holding.place_id, holding.consumable_id].append(entry)
    kept = StockingLine.objects.filter(place__in=storeroom_ids).values_list("place", "consumable", "bin")
    keys = [(line.place_id, line.consumable_id) for line in lines]
    return Stock(
        on_hand=np.array([held.get(key, 0) for key in keys], dtype=int),
        usable=np.array([max(usable.get(key, 0), 0) for key in keys], dtype=int),
        in_store=dict(in_store),
        store_unusable=dict(unusable),
        storerooms=storeroom_ids,
        bins={(place, consumable): bin_id for place, consumable, bin_id in kept},
    )


def usable_pieces(place_id: int, consumable_id: int, *, on: date) -> int:
    """Pieces of one line at one place that may be used on the day, as recorded now."""
    held = Holding.objects.filter(place=place_id, consumable=consumable_id).usable(on=on)
    return held.aggregate(pieces=Sum("quantity", default=0))["pieces"]


def after_tonight(plan: Plan, consumable_ids: Collection[int]) -> dict[tuple[int, int], int]:
    """Usable pieces of each cart line once every pick that is still open has been carried: two queries.

    By (place, consumable); a line that holds nothing and gets nothing is left out. What was picked is on record
    already, what could not be found will not come, and a record below zero stays below zero until somebody counts.
    """
    held = Holding.objects.filter(place__department=plan.department_id, consumable__in=consumable_ids)
    pieces = defaultdict(int, _by_line(held.filter(place__role=Place.Role.CART).usable(on=plan.for_date)))
    to_come = Pick.objects.filter(
        plan_line__plan=plan, plan_line__consumable__in=consumable_ids, confirmed_at__isnull=True
    )
    rows = to_come.order_by().values_list("plan_line__place", "plan_line__consumable").annotate(Sum("quantity"))
    for place, consumable, quantity in rows:
        if pieces[place, consumable] >= 0:
            pieces[place, consumable] += quantity
    return dict(pieces)


def _by_line(holdings) -> dict[tuple[int, int], int]:
    rows = holdings.order_by().values_list("place", "consumable").annotate(pieces=Sum("quantity"))
    return {(place, consumable): pieces for place, consumable, pieces in rows}
