"""What to make up today: bundles that the carts lack tonight and the storerooms keep, and whether the pieces suffice.

A bundle is a line like any other: it has a par, is picked, logged and forecast by its own use. Its pieces are forecast
too, and what is counted where is this:

- A case that is logged with a bundle has used the bundle, and none of the pieces in it. Staff log what they took from
  the cart: the bundle, or loose pieces. Where the set-up standard of the case lists the pieces and a bundle was taken,
  the log says bundle 1, pieces 0; so the forecast of the loose pieces on that cart falls as that of the bundle rises,
  which is right, because the loose ones stay in the drawer. Nobody has to change the standard, though a standard that
  names the bundle instead is sooner right.
- A log with the bundle and its pieces means both: a second catheter beside the one in the bundle, say. A fact is never
  refused and never rewritten.
- The pieces' movements are those of loose pieces: making up moves them into `assembly` and is no use, so no history
  counts them twice, once when made up and once when the bundle is used.
- A storeroom has to hold pieces for loose use and for bundles to come: restock.advising.bundled adds the demand for
  bundles, in pieces, to that for loose ones, and counts the bundles that are made up already as their pieces.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Sum

from inventory.bundles import Lack
from inventory.fefo import LotOnHand, choose_lots
from inventory.models import BundlePiece, Consumable, Department, Holding, Lot, Place, StockingLine

from ..models import Plan


@dataclass(frozen=True, slots=True)
class Take:
    """Pieces of one lot to take for bundles; lot None for those whose lot nobody knows."""

    piece: Consumable
    lot: Lot | None
    pieces: int


@dataclass(frozen=True)
class ToMakeUp:
    """One bundle in one storeroom. Bundles throughout, but for `lacks`.

    needed_tonight: what the carts that the storeroom fills lack of their target. kept: par in the storeroom itself.
    usable: made up, in date and there. possible: as many as the usable loose pieces there suffice for. contents: the
    lines in it. lacks: lines of which there are too few for `to_make_up`.
    """

    place: Place
    bundle: Consumable
    needed_tonight: int
    kept: int
    usable: int
    possible: int
    contents: tuple[BundlePiece, ...]
    lacks: tuple[Lack, ...]
    take: tuple[Take, ...]

    @property
    def to_make_up(self) -> int:
        return _missing(self.needed_tonight, self.kept, self.usable)

    @property
    def at_most(self) -> int:
        """What can be made up of `to_make_up`."""
        return min(self.to_make_up, self.possible)


def to_make_up(department: Department, *, on: date, plan: Plan | None = None) -> list[ToMakeUp]:
    """Every bundle of every storeroom that keeps it or fills a cart that does, most missing first: seven queries.

    A cart's target is that of its line in `plan`; without one, or where the plan has no such line, its par.
    """
    contents: dict[int, list[BundlePiece]] = defaultdict(list)
    for row in BundlePiece.objects.filter(bundle__department=department).select_related("bundle", "piece"):
        contents[row.bundle_id].append(row)
    stores = list(Place.objects.filter(department=department).storerooms().order_by("walk_order", "code"))
    if not contents or not stores:
        return []
    bundles = {rows[0].bundle_id: rows[0].bundle for rows in contents.values()}
    pieces = {row.piece_id for rows in contents.values() for row in rows}
    held = _usable(department, bundles.keys() | pieces, on)

    lots = _lots(stores, pieces, on)
    lacking, kept = _wanted(department, bundles, stores[0], held, plan)
    found = []
    for store in stores:
        for pk, bundle in bundles.items():
            if (store.pk, pk) not in lacking.keys() | kept.keys():
                continue
            there = {row.piece_id: held.get((store.pk, row.piece_id), 0) for row in contents[pk]}
            needed, par, usable = (
                lacking.get((store.pk, pk), 0),
                kept.get((store.pk, pk), 0),
                held.get((store.pk, pk), 0),
            )
            wanted = _missing(needed, par, usable)
            possible = min(there[row.piece_id] // row.pieces_per_bundle for row in contents[pk])
            number = min(wanted, possible)
            take = (
                one for row in contents[pk] for one in _take(row, number, lots.get((store.pk, row.piece_id), ()), on)
            )
            lacks = (Lack(row.piece, wanted * row.pieces_per_bundle, there[row.piece_id]) for row in contents[pk])
            found.append(
                ToMakeUp(
                    place=store,
                    bundle=bundle,
                    needed_tonight=needed,
                    kept=par,
                    usable=usable,
                    possible=possible,
                    contents=tuple(contents[pk]),
                    lacks=tuple(lack for lack in lacks if lack.missing > 0),
                    take=tuple(take),
                )
            )
    return sorted(found, key=lambda one: (-one.to_make_up, one.place.walk_order, one.bundle.code))


def _missing(needed: int, kept: int, usable: int) -> int:
    return max(needed + kept - usable, 0)


def _usable(department: Department, consumables: set[int], on: date) -> dict[tuple[int, int], int]:
    """Usable pieces of each (place, consumable), never below zero."""
    holdings = Holding.objects.filter(place__department=department, consumable__in=consumables).usable(on=on)
    rows = holdings.order_by().values_list("place", "consumable").annotate(pieces=Sum("quantity"))
    return {(place, consumable): max(pieces, 0) for place, consumable, pieces in rows}


def _lots(stores: list[Place], pieces: set[int], on: date) -> dict[tuple[int, int], list[Holding]]:
    """Usable balances of each (storeroom, piece), with their lots."""
    found: dict[tuple[int, int], list[Holding]] = defaultdict(list)
    held = Holding.objects.filter(place__in=stores, consumable__in=pieces, quantity__gt=0).usable(on=on)
    for one in held.select_related("lot").order_by("pk"):
        found[one.place_id, one.consumable_id].append(one)
    return dict(found)


def _take(row: BundlePiece, bundles: int, held: Sequence[Holding], on: date) -> list[Take]:
    lots = {one.lot_id: one.lot for one in held}
    shelf = [LotOnHand(one.lot_id, one.lot and one.lot.expires_on, one.quantity) for one in held]
    choice = choose_lots(shelf, needed_pieces=bundles * row.pieces_per_bundle, on=on)
    return [Take(row.piece, lots[lot_id], pieces) for lot_id, pieces in choice.taken]


def _wanted(
    department: Department, bundles: dict[int, Consumable], first: Place, held: dict, plan: Plan | None
) -> tuple[dict[tuple[int, int], int], dict[tuple[int, int], int]]:
    """By (storeroom, bundle): what the carts it fills lack, and what it keeps itself.

    The lack of a cart that names no storeroom falls on the first one.
    """
    targets = {}
    if plan is not None:
        rows = plan.lines.filter(consumable__in=bundles).order_by().values_list("place", "consumable", "target")
        targets = {(place, consumable): target for place, consumable, target in rows}
    lacking: dict[tuple[int, int], int] = defaultdict(int)
    kept: dict[tuple[int, int], int] = {}
    lines = StockingLine.objects.filter(place__department=department, consumable__in=bundles).select_related("place")
    for line in lines:
        key = line.place_id, line.consumable_id
        if line.place.role == Place.Role.STOREROOM:
            kept[key] = line.par
        else:
            store = line.place.restocked_from_id or first.pk
            lacking[store, line.consumable_id] += max(targets.get(key, line.par) - held.get(key, 0), 0)
    return dict(lacking), kept
