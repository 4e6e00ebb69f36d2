"""How long the storerooms last, worked out on demand and kept, because it takes longer than a page may."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction

from inventory.models import Department

from .advising.storerooms import advise_orders
from .models import StoreroomCover


def keep_cover(department: Department, *, today: date, at: datetime) -> int:
    """Replace the days of cover of every storeroom line, from what is known today. Returns how many lines there are."""
    covers = [
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
        for proposal in advise_orders(department, today=today)
    ]
    with transaction.atomic():
        StoreroomCover.objects.filter(place__department=department).delete()
        StoreroomCover.objects.bulk_create(covers, batch_size=500)
    return len(covers)
