"""A cart's content list against published guidance: which line stands for which row a person says, never a name."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from django.db import transaction
from django.db.models import Min, Sum

from inventory.guidance import ALL, Compared, Guidance, Held, compare
from inventory.models import CartGuidance, Consumable, GuidedLine, Holding, Place


def followed(place: Place) -> list[CartGuidance]:
    """The guidance that a cart is held against, in no list that is gone since: two queries."""
    rows = CartGuidance.objects.filter(place=place, guidance__in=ALL).prefetch_related("lines__consumable")
    return list(rows)


def compared(chosen: CartGuidance) -> list[Compared]:
    """Every row of the guidance with what is on record at the cart of the lines chosen for it: one query."""
    lines = list(chosen.lines.all())
    on_hand = {
        row["consumable"]: row
        for row in Holding.objects.filter(
            place=chosen.place_id, consumable__in=[line.consumable_id for line in lines], quantity__gt=0
        )
        .order_by()
        .values("consumable")
        .annotate(pieces=Sum("quantity"), earliest=Min("lot__expires_on"))
    }
    held: dict[str, list[Held]] = defaultdict(list)
    for line in lines:
        found = on_hand.get(line.consumable_id, {"pieces": 0, "earliest": None})
        held[line.item].append(Held(line.consumable.label, found["pieces"], found["earliest"]))
    return compare(guidance_of(chosen), held)


def guidance_of(chosen: CartGuidance) -> Guidance:
    return ALL[chosen.guidance]


@transaction.atomic
def choose(place: Place, guidance: Guidance, lines: Mapping[str, Iterable[Consumable]]) -> CartGuidance:
    """Hold a cart against guidance, with the lines that stand for each of its rows; what was chosen before is replaced.

    Rows that the guidance does not have are left out.
    """
    chosen, _made = CartGuidance.objects.get_or_create(place=place, guidance=guidance.code)
    chosen.lines.all().delete()
    GuidedLine.objects.bulk_create(
        GuidedLine(cart_guidance=chosen, item=item.code, consumable=line)
        for item in guidance.items
        for line in lines.get(item.code, ())
    )
    return chosen


def leave(place: Place, guidance: Guidance) -> None:
    """Hold a cart against this guidance no more."""
    CartGuidance.objects.filter(place=place, guidance=guidance.code).delete()
