"""Lots out of reach: put aside by a person, and let back by one, each with its reason and its trace."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from .ledger import KeyReused, Refused
from .models import Hold, Lot, RecallLot


@transaction.atomic
def put_aside(*, lot: Lot, reason: str, by, at: datetime, key: str) -> Hold:
    """Put every piece of a lot out of reach: damaged, in doubt. The same key again is the same hold.

    Raises Refused without a reason, ValidationError where it may name a person, KeyReused.
    """
    return _write(lot, released=False, reason=reason, by=by, at=at, key=key)


@transaction.atomic
def let_back(*, lot: Lot, reason: str, by, at: datetime, key: str) -> Hold:
    """Say that a lot put aside by a person may be used again. A recall that names it keeps it out of reach.

    Raises Refused where no person put it aside, and as `put_aside`.
    """
    return _write(lot, released=True, reason=reason, by=by, at=at, key=key)


def is_put_aside(lot: Lot) -> bool:
    """Whether a person put the lot aside and nobody has let it back since."""
    newest = lot.holds.first()
    return newest is not None and not newest.released


def settle(lot: Lot, *, at: datetime) -> None:
    """Make the lot's own mark agree with the recalls and the people that keep it out of reach, and save it.

    Where it became out of reach before, since when stays as it was.
    """
    kept = is_put_aside(lot) or RecallLot.objects.filter(lot=lot, quarantined=True, released_at=None).exists()
    if kept == (lot.quarantined_at is not None):
        return
    lot.quarantined_at = at if kept else None
    lot.save(update_fields=["quarantined_at"])


def _write(lot: Lot, *, released: bool, reason: str, by, at: datetime, key: str) -> Hold:
    lot = Lot.objects.select_for_update(no_key=True).get(pk=lot.pk)
    earlier = Hold.objects.filter(key=key).first()
    if earlier is not None:
        if (earlier.lot_id, earlier.released) != (lot.pk, released):
            raise KeyReused(key)
        return earlier
    if not reason.strip():
        raise Refused(_("Say why: the next person will ask."))
    if released and not is_put_aside(lot):
        raise Refused(_("Nobody put this lot aside by hand, so there is nothing to let back."))
    hold = Hold(lot=lot, released=released, reason=reason.strip(), by=by, at=at, key=key)
    hold.full_clean()
    hold.save()
    settle(lot, at=at)
    return hold
