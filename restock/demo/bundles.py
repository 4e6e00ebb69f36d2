"""Invented bundles: what goes into them, who keeps them, and some that were made up and carried to a cart."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime, timedelta

from inventory import ledger
from inventory.bundles import PiecesLacking, make_up
from inventory.models import Assembly, BundlePiece, Consumable, Department, Place, Section, StockingLine

# Code, name, section, contents by code, par in the storeroom, par on a cart, on how many carts, how many made up.
BUNDLES = (
    ("BU01", "IV start bundle, 20 G, made up here", Section.IV,
     {"VP04": 1, "VP10": 1, "VP12": 1, "SK02": 1, "SK06": 2}, 10, 2, 6, 8),
    ("BU02", "Arterial line bundle, 20 G, made up here", Section.SPECIAL,
     {"VA01": 1, "VA03": 1, "SK02": 1, "SK06": 2}, 3, 1, 3, 2),
    ("BU03", "Bite block of rolled gauze, made up here", Section.AIRWAY, {"SK04": 2}, 6, 2, 4, 0),
)  # fmt: skip
CARRIED = 2  # of the first bundle, to the first cart
MADE_UP_AGO = timedelta(hours=2)


def invent_bundles(department: Department, *, at: datetime, by) -> None:
    """Put the bundles into the catalogue and onto par sheets, make some up, and carry two to a cart."""
    store = Place.objects.filter(department=department).storerooms().order_by("walk_order", "code").first()
    carts = list(
        Place.objects.filter(department=department, restocked_from=store, sealed=False)
        .carts()
        .order_by("walk_order", "code")
    )
    pieces = {line.code: line for line in department.consumables.all()}
    made = []
    for code, name, section, contents, par, cart_par, on_carts, number in BUNDLES:
        bundle = Consumable.objects.create(
            department=department, code=code, name=name, section=section, category="Bundle"
        )
        BundlePiece.objects.bulk_create(
            BundlePiece(bundle=bundle, piece=pieces[piece], pieces_per_bundle=few) for piece, few in contents.items()
        )
        StockingLine.objects.bulk_create(
            [
                StockingLine(place=store, consumable=bundle, par=par),
                *(StockingLine(place=cart, consumable=bundle, par=cart_par) for cart in carts[:on_carts]),
            ]
        )
        if number:
            made += _as_many_as_suffice(number, place=store, bundle=bundle, by=by, at=at - MADE_UP_AGO)
    for first in made[:1]:
        ledger.move(
            source=store, destination=carts[0], consumable=first.bundle, lot=first.lot,
            quantity=min(CARRIED, first.bundles), by=by, at=at, key="demo bundles carried",
        )  # fmt: skip


def _as_many_as_suffice(number: int, *, bundle: Consumable, **told) -> list[Assembly]:
    """So many bundles in one go, or as many as the invented storeroom has pieces for, which may be none."""
    for bundles in range(number, 0, -1):
        with suppress(PiecesLacking):
            return [make_up(bundle=bundle, bundles=bundles, key=f"demo bundle {bundle.code}", **told)]
    return []
