"""Changing the par of one line on purpose, because of a shortage or on advice: who, when and why stay known."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from inventory.models import StockingLine

from ..models import ParChange


class ParRefused(ValueError):
    """The par stays as it is; the message says to a person why."""


@transaction.atomic
def change_par(
    *, line: StockingLine, par: int, origin: ParChange.Origin, reason: str, by, at: datetime, seen: int | None = None
) -> ParChange:
    """Set the par of a line and keep who did it and why.

    seen: the par that the person had before them. Raises ParRefused where that is not the par any more, where the par
    would not change, where the bin holds less, or without a reason.
    """
    line = StockingLine.objects.select_for_update(of=("self",)).select_related("place", "consumable").get(pk=line.pk)
    if seen is not None and line.par != seen:
        raise ParRefused(
            _("%(line)s on %(place)s: par was changed from %(seen)d to %(par)d meanwhile. Look at it again.")
            % {"line": line.consumable.label, "place": line.place, "seen": seen, "par": line.par}
        )
    if par == line.par:
        raise ParRefused(
            _("%(line)s on %(place)s has a par of %(par)d already.")
            % {"line": line.consumable.label, "place": line.place, "par": par}
        )
    if line.capacity is not None and par > line.capacity:
        raise ParRefused(
            _("%(line)s on %(place)s: the bin holds %(most)d. Choose at most that, or correct what the bin holds.")
            % {"line": line.consumable.label, "place": line.place, "most": line.capacity}
        )
    if not reason.strip():
        raise ParRefused(_("Say why the par changes: somebody will ask."))
    change = ParChange.objects.create(
        place=line.place,
        consumable=line.consumable,
        par_before=line.par,
        par_after=par,
        origin=origin,
        reason=reason.strip(),
        by=by,
        at=at,
    )
    line.par = par
    line.save(update_fields=["par"])
    return change
