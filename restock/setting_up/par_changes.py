"""Changing pars on purpose, because of a shortage or on advice: who, when and why stay known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from inventory.in_parts import in_parts
from inventory.models import StockingLine

from ..models import ParChange


class ParRefused(ValueError):
    """The par stays as it is; the message says to a person why."""


@dataclass(frozen=True, slots=True)
class NewPar:
    """The par that a line should have, and why. seen: the par that the person had before them."""

    line_id: int
    par: int
    reason: str
    seen: int | None = None


@transaction.atomic
def change_par(
    *, line: StockingLine, par: int, origin: ParChange.Origin, reason: str, by, at: datetime, seen: int | None = None
) -> ParChange:
    """Set the par of a line and keep who did it and why.

    Raises ParRefused where `seen` is not the par any more, where the par would not change, where the bin holds less,
    or without a reason.
    """
    [done] = change_pars([NewPar(line.pk, par, reason, seen)], origin=origin, by=by, at=at)
    if isinstance(done, ParRefused):
        raise done
    return done


@transaction.atomic
def change_pars(
    wanted: Iterable[NewPar], *, origin: ParChange.Origin, by, at: datetime
) -> list[ParChange | ParRefused]:
    """Set the pars of many lines as `change_par` does, each on its own: in their order what changed, or why it did not.

    Each line at most once. The number of queries grows with the lines only where the database limits what one may hold.
    """
    wanted = list(wanted)
    lines: dict[int, StockingLine] = {}
    kept = (
        StockingLine.objects.select_for_update(of=("self",), no_key=True)
        .select_related("place", "consumable")
        .order_by("pk")
    )
    for some in in_parts(sorted(one.line_id for one in wanted)):
        lines |= {line.pk: line for line in kept.filter(pk__in=some)}
    changed, done = [], []
    for one in wanted:
        line = lines[one.line_id]
        if problem := _problem(line, one):
            done.append(ParRefused(problem))
            continue
        done.append(
            ParChange(
                place=line.place,
                consumable=line.consumable,
                par_before=line.par,
                par_after=one.par,
                origin=origin,
                reason=one.reason.strip(),
                by=by,
                at=at,
            )
        )
        line.par = one.par
        changed.append(line)
    StockingLine.objects.bulk_update(changed, ["par"])
    ParChange.objects.bulk_create([change for change in done if isinstance(change, ParChange)])
    return done


def beyond_the_bin(line: StockingLine) -> str:
    """Why a par or a floor cannot be that much."""
    return _("%(line)s on %(place)s: the bin holds %(most)d. Choose at most that, or correct what the bin holds.") % {
        "line": line.consumable.label,
        "place": line.place,
        "most": line.capacity,
    }


def _problem(line: StockingLine, wanted: NewPar) -> str | None:
    names = {"line": line.consumable.label, "place": line.place, "par": line.par}
    if wanted.seen is not None and line.par != wanted.seen:
        return _("%(line)s on %(place)s: par was changed from %(seen)d to %(par)d meanwhile. Look at it again.") % (
            names | {"seen": wanted.seen}
        )
    if wanted.par == line.par:
        return _("%(line)s on %(place)s has a par of %(par)d already.") % names
    if line.capacity is not None and wanted.par > line.capacity:
        return beyond_the_bin(line)
    if not wanted.reason.strip():
        return _("Say why the par changes: somebody will ask.")
    return None
