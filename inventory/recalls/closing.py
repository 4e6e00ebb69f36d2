"""The end of a recall: the closing signature once every place has answered, or the notice withdrawn."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from .. import ledger
from ..holds import settle
from ..models import Recall, RecallPlace


def unanswered(recall: Recall) -> list[RecallPlace]:
    """Places that have not answered yet, in walking order."""
    return list(recall.places.filter(answers=None).select_related("place"))


@transaction.atomic
def close(*, recall: Recall, by, at: datetime, note: str = "") -> Recall:
    """Sign that every place has answered. What was put aside stays out of reach.

    Raises Refused while a place has not answered, and for a recall that is closed already.
    """
    recall = _open(recall)
    waiting = unanswered(recall)
    if waiting:
        raise ledger.Refused(
            ngettext(
                "%(n)d place has not answered yet: %(places)s.",
                "%(n)d places have not answered yet: %(places)s.",
                len(waiting),
            )
            % {"n": len(waiting), "places": ", ".join(one.place.name for one in waiting)}
        )
    return _sign(recall, by=by, at=at, note=note)


@transaction.atomic
def withdraw(*, recall: Recall, by, at: datetime, note: str) -> Recall:
    """Take a recall back because the notice was: its lots may be used again, unless something else holds them.

    Works for a closed recall too, whose signature then stands as it was. What went back to the supplier or was
    destroyed is gone all the same. Raises Refused without a reason, and for a recall that was withdrawn before.
    """
    recall = Recall.objects.select_for_update(no_key=True).get(pk=recall.pk)
    if recall.withdrawn:
        raise ledger.Refused(_("This recall was withdrawn before."))
    if not note.strip():
        raise ledger.Refused(_("Say who withdrew the notice, and where that can be read."))
    recall.withdrawn = True
    if recall.closed_at is None:
        recall = _sign(recall, by=by, at=at, note=note)
    else:
        recall.closing_note = note.strip()
        recall.full_clean()
        recall.save()
    for named in recall.lots.filter(released_at=None).select_related("lot"):
        named.released_at, named.released_by = at, by
        named.save(update_fields=["released_at", "released_by"])
        if named.quarantined:
            settle(named.lot, at=at)
    return recall


def _open(recall: Recall) -> Recall:
    recall = Recall.objects.select_for_update(no_key=True).get(pk=recall.pk)
    if recall.closed_at is not None:
        raise ledger.Refused(_("This recall is closed already."))
    return recall


def _sign(recall: Recall, *, by, at: datetime, note: str) -> Recall:
    recall.closed_at, recall.closed_by, recall.closing_note = at, by, note.strip()
    recall.full_clean()
    recall.save()
    return recall
