"""Changing a place's par sheet: all of it or nothing, with who, when and why beside every par that changes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.contrib.auth.models import AbstractBaseUser
from django.db import transaction
from django.utils.translation import gettext as _

from inventory.models import Consumable, Place, StockingLine

from ..models import ParChange
from .par_changes import ParRefused, beyond_the_bin


@dataclass(frozen=True)
class RowChange:
    """What changes in one row: `values` by field name (par, floor, capacity, ...). `off` takes the row off."""

    line_id: int
    values: Mapping[str, object]
    off: bool = False


@transaction.atomic
def change_par_sheet(
    place: Place, rows: Iterable[RowChange], *, reason: str, by: AbstractBaseUser, at: datetime
) -> int:
    """Write the rows and return how many. Only the fields that are named change, so that two people who work on one
    sheet do not undo each other. Raises ParRefused where a par or a floor is more than the bin holds by now, and for a
    line to take off of which pieces are on record."""
    rows = list(rows)
    ids = [row.line_id for row in rows]
    lines = (
        StockingLine.objects.select_for_update(of=("self",), no_key=True).filter(place=place, pk__in=ids).order_by("pk")
    )
    by_id = {line.pk: line for line in lines.select_related("place", "consumable")}
    done = 0
    for row in rows:
        line = by_id.get(row.line_id)
        if line is None:  # somebody took it off meanwhile
            continue
        before = line.par
        if row.off:
            held = place.on_hand(line.consumable)
            if held:
                words = {"line": line.consumable.label, "held": held}
                raise ParRefused(_("%(line)s: %(held)d on record here. Move or count them away first.") % words)
            line.delete()
            after = 0
        else:
            for name, value in row.values.items():
                setattr(line, name, value)
            if line.capacity is not None and max(line.par, line.floor) > line.capacity:
                raise ParRefused(beyond_the_bin(line))
            line.save(update_fields=list(row.values))
            after = line.par
        _note(place, line.consumable, before, after, reason=reason, by=by, at=at)
        done += 1
    return done


@transaction.atomic
def add_to_par_sheet(line: StockingLine, *, reason: str, by: AbstractBaseUser, at: datetime) -> None:
    """Save a new row of a place's par sheet. Raises ParRefused where somebody put the line on it meanwhile."""
    Place.objects.select_for_update(no_key=True).get(pk=line.place_id)
    if StockingLine.objects.filter(place=line.place_id, consumable=line.consumable_id).exists():
        raise ParRefused(_("This place already keeps this line: change its par instead."))
    line.save(force_insert=True)
    _note(line.place, line.consumable, 0, line.par, reason=reason, by=by, at=at)


def _note(
    place: Place, consumable: Consumable, before: int, after: int, *, reason: str, by: AbstractBaseUser, at: datetime
) -> None:
    if before != after:
        ParChange.objects.create(
            place=place,
            consumable=consumable,
            par_before=before,
            par_after=after,
            origin=ParChange.Origin.BY_HAND,
            reason=reason,
            by=by,
            at=at,
        )
