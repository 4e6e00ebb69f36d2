"""Where to look: places that hold the lots on record, and all those that may hold them all the same."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from ..bundles import lots_holding
from ..models import BundlePiece, Consumable, Holding, Lot, Movement, Place, RecallPlace, StockingLine

Why = RecallPlace.Why
STRONGEST_FIRST = (Why.RECORDED, Why.BUNDLED, Why.NO_LOT, Why.WENT_THERE, Why.KEEPS_LINE, Why.NAMED)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A place to search. why: the strongest reason. recorded_pieces: of the lots themselves, none of bundles."""

    place: Place
    why: Why
    recorded_pieces: int


def suspects(consumable: Consumable, lots: Collection[Lot], *, all_lots: bool = False) -> list[Suspect]:
    """Every cart and storeroom that holds or may hold pieces of the lots, in walking order.

    A place is named where the ledger has pieces of a lot there; where bundles stand into which such pieces went, or
    may have gone; where pieces without a lot are recorded; where a lot was ever brought; or where the line is kept at
    all, since a cart's small pieces are not followed by lot. Sealed carts are places like any other.
    all_lots: the line is recalled whatever its lot, so every piece on record counts as recorded.
    """
    recorded: dict[int, int] = defaultdict(int)
    found: dict[Why, set[int]] = defaultdict(set)
    known = {lot.pk for lot in lots}
    for place, lot, pieces in _on_hand([consumable.pk]).values_list("place_id", "lot_id", "quantity"):
        if lot in known or all_lots:
            recorded[place] += pieces
            found[Why.RECORDED].add(place)
        elif lot is None:
            found[Why.NO_LOT].add(place)
    found[Why.BUNDLED] = _with_bundles(consumable, lots)
    brought = Movement.objects.filter(consumable=consumable)
    if not all_lots:
        brought = brought.filter(lot__in=known)
    found[Why.WENT_THERE] = set(brought.order_by().values_list("destination_id", flat=True).distinct())
    found[Why.KEEPS_LINE] = set(StockingLine.objects.filter(consumable=consumable).values_list("place_id", flat=True))

    places = Place.objects.filter(department=consumable.department_id, pk__in=set().union(*found.values())).physical()
    return [
        Suspect(place, next(why for why in STRONGEST_FIRST if place.pk in found[why]), recorded[place.pk])
        for place in places.order_by("walk_order", "code")
    ]


def _on_hand(consumables: Collection[int]):
    return Holding.objects.filter(consumable__in=consumables, quantity__gt=0)


def _with_bundles(consumable: Consumable, lots: Collection[Lot]) -> set[int]:
    """Places with bundles that hold the lots or whose pieces nobody knows, and with bundles of no lot at all."""
    holding = {lot.pk for lot in lots_holding(lots, or_unknown=True)}
    bundles = bundles_with(consumable)
    if not bundles:
        return set()
    on_hand = _on_hand(bundles).values_list("place_id", "lot_id")
    return {place for place, lot in on_hand if lot is None or lot in holding}


def bundles_with(consumable: Consumable) -> set[int]:
    """Primary keys of the bundles that hold this line, directly or in a bundle within, by their content lists."""
    found: set[int] = set()
    asked = {consumable.pk}
    while asked:
        around = set(BundlePiece.objects.filter(piece__in=asked).values_list("bundle_id", flat=True))
        asked = around - found
        found |= asked
    return found
