"""How long the storerooms last, worked out on demand and kept, because it takes longer than a page may."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from django.db import transaction

from inventory.models import Department

from ..advising.storerooms import OrderProposal, advise_orders
from ..learning.tallies import bring_forward
from ..models import StoreroomCover


def work_out_cover(department: Department, *, today: date, at: datetime) -> int:
    """Learn what is new, and keep the days of cover of every storeroom line. Returns how many lines there are."""
    bring_forward(department=department, at=at)
    return keep_cover(department, advise_orders(department, today=today), at=at)


@transaction.atomic
def keep_cover(department: Department, proposals: Iterable[OrderProposal], *, at: datetime) -> int:
    """Replace the department's days of cover by those of the proposals. Returns how many there are."""
    StoreroomCover.objects.filter(place__department=department).delete()
    return len(StoreroomCover.objects.bulk_create(covers_of(proposals, at=at), batch_size=500))


def covers_of(proposals: Iterable[OrderProposal], *, at: datetime) -> list[StoreroomCover]:
    """The days of cover of proposals that were worked out at `at`, not kept."""
    return [
        StoreroomCover(
            place=proposal.place,
            consumable=proposal.consumable,
            usable=proposal.usable - proposal.owed,
            low=proposal.cover[0],
            likely=proposal.cover[1],
            high=proposal.cover[2],
            open_ended=proposal.cover_open,
            made_at=at,
        )
        for proposal in proposals
    ]
