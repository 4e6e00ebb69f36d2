"""Pieces that end before the next round or have ended already, place by place in walking order.

A line that is kept by lot has a row for each of its lots; one that is kept by its earliest date has one row, with the
date that somebody read on its packs or that follows from what was moved in since (inventory.dates). Lots under a recall
or a hold are left out: what happens to them is decided there. Nothing here is proof: read the pack.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from inventory.dates import LineDate, line_dates
from inventory.models import Bin, Consumable, DateCheck, Department, Holding, Lot, Place, StockingLine, bin_order

Tracking = StockingLine.Tracking


@dataclass(frozen=True, slots=True)
class Dated:
    """Pieces of one line at one place with one last day.

    lot: None for a line that is kept by its earliest date, of which up to `pieces` have it. check: the look at the
    packs that it rests on, if any; seen: that look read this very date. bin: where they lie, if that is known.
    """

    place: Place
    bin: Bin | None
    consumable: Consumable
    lot: Lot | None
    expires_on: date
    pieces: int
    check: DateCheck | None = None
    seen: bool = False

    @property
    def key(self) -> str:
        """Says to a page or a sheet which row this is, as long as its pieces are there."""
        return f"{self.place.pk}.{self.consumable.pk}.{self.lot.pk if self.lot else 'earliest'}"

    def has_ended(self, on: date) -> bool:
        """Whether it may not be used on that day any more. It may through its last day (ISO 15223-1, 5.1.4)."""
        return self.expires_on < on


def dated_pieces(
    department: Department, *, on: date, within_days: int, place: Place | None = None, key: str | None = None
) -> list[Dated]:
    """What ends by `within_days` after `on`, in walking order: seven queries, whatever the number of rows.

    place: only there. key: only the row with that key, without a limit of days.
    """
    lines = StockingLine.objects.filter(place__department=department).select_related("place", "consumable", "bin")
    held = Holding.objects.filter(
        place__department=department,
        place__role__in=[Place.Role.CART, Place.Role.STOREROOM],
        quantity__gt=0,
        lot__quarantined_at__isnull=True,
        lot__expires_on__isnull=False,
    )
    last = date.max if key else on + timedelta(days=within_days)
    held = held.filter(lot__expires_on__lte=last)
    if key is not None:
        place_id, consumable_id = _asked(key)
        lines = lines.filter(place=place_id, consumable=consumable_id)
        held = held.filter(place=place_id, consumable=consumable_id)
    if place is not None:
        lines, held = lines.filter(place=place), held.filter(place=place)
    rows = list(held.select_related("place", "consumable", "lot"))
    by_date = list(lines.filter(tracking=Tracking.EARLIEST_DATE))
    kept = {(line.place_id, line.consumable_id) for line in by_date}
    of_rows = lines.filter(
        place__in={row.place_id for row in rows}, consumable__in={row.consumable_id for row in rows}, bin__isnull=False
    )
    bins = {(line.place_id, line.consumable_id): line.bin for line in of_rows}

    found = [
        Dated(
            place=row.place,
            bin=bins.get((row.place_id, row.consumable_id)),
            consumable=row.consumable,
            lot=row.lot,
            expires_on=row.lot.expires_on,
            pieces=row.quantity,
        )
        for row in rows
        if (row.place_id, row.consumable_id) not in kept
    ]
    found += [_by_earliest(one) for one in line_dates(by_date) if (one.earliest.expires_on or date.max) <= last]
    found = [one for one in found if one.expires_on != date.max and key in (None, one.key)]
    return sorted(found, key=_walking)


def find_dated(department: Department, key: str, *, on: date) -> Dated | None:
    """The row with that key as it stands now, or None where its pieces are gone or its date is another."""
    return next(iter(dated_pieces(department, on=on, within_days=0, key=key)), None)


def lines_by_earliest(department: Department, place: Place) -> list[LineDate]:
    """The lines of a place that are kept by their earliest date, in the order of the hand, each with that date."""
    lines = StockingLine.objects.filter(place=place, place__department=department, tracking=Tracking.EARLIEST_DATE)
    return line_dates(list(lines.in_drawer_order().select_related("place", "consumable", "bin")))


def _by_earliest(one: LineDate) -> Dated:
    return Dated(
        place=one.line.place,
        bin=one.line.bin,
        consumable=one.line.consumable,
        lot=None,
        expires_on=one.earliest.expires_on or date.max,
        pieces=one.earliest.pieces,
        check=one.check,
        seen=one.earliest.seen,
    )


def _asked(key: str) -> tuple[int, int]:
    """Place and consumable of a row's key; of one that is none, those of no row."""
    place, _dot, rest = key.partition(".")
    consumable = rest.partition(".")[0]
    return (int(place), int(consumable)) if place.isdecimal() and consumable.isdecimal() else (0, 0)


def _walking(one: Dated) -> tuple:
    return (
        one.place.walk_order,
        one.place.code,
        *bin_order(one.bin),
        one.consumable.section,
        one.consumable.code,
        one.expires_on,
    )
