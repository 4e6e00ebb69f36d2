"""Cart by cart, drawer by drawer: what lies in its drawer, and what is still on somebody's trolley.

A pick moves pieces to the cart's balance when they leave the shelf; until a person says that they lie in their
drawer they are on a trolley. A count of the drawer has to know, or it would miss them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime

from django.db import transaction
from django.db.models import Count as Number
from django.db.models import Q, QuerySet, Sum

from inventory import ledger
from inventory.models import Consumable, Count, Place

from ..models import Filling, Pick, PlanLine
from .settling import locked


def fill_settled(line_ids: Iterable[int], *, by, at: datetime) -> None:
    """Say of these lines that what was picked for them lies in its drawer; lines with an open pick are left out."""
    lines = (
        PlanLine.objects.filter(pk__in=set(line_ids))
        .annotate(still_open=Number("picks", filter=Q(picks__confirmed_at__isnull=True)), picked=Sum("picks__picked"))
        .filter(still_open=0)
        .values_list("pk", "picked")
    )
    Filling.objects.bulk_create(
        [Filling(plan_line_id=pk, pieces=picked or 0, by=by, at=at) for pk, picked in lines],
        update_conflicts=True,
        unique_fields=["plan_line"],
        update_fields=["pieces", "by", "at"],
    )


def spread(pieces: int, picks: Sequence[Pick]) -> list[int]:
    """How many pieces of each pick were put in, of `pieces` in all.

    Each pick gives what was picked of it, or what it suggests where nobody said. Too few are missed from the last
    picks, whose lots expire last; too many came from the last one.
    """
    given = []
    for pick in picks:
        here = min(pick.quantity if pick.confirmed_at is None else pick.picked, pieces)
        given.append(here)
        pieces -= here
    given[-1] += pieces
    return given


@transaction.atomic
def count_drawer(
    *,
    place: Place,
    consumable: Consumable,
    in_drawer: int,
    by,
    at: datetime,
    key: str,
    by_lot: Mapping[int, int] | None = None,
) -> Count:
    """Record what a person counted in a drawer of a cart, before what they bring is put in.

    What was picked for it and is still on a trolley belongs to the cart's balance as well. by_lot: pieces in the drawer
    of each lot (its primary key) where somebody read them; the rest is without a lot. Raises as ledger.count.
    """
    waiting = locked(_waiting(place, consumable, day=place.department.local_date(at)))
    carried = sum(pick.picked for pick in waiting)
    known = Count.objects.filter(key=key).first()
    if known is not None and (known.place_id, known.consumable_id) == (place.pk, consumable.pk):
        return known
    if by_lot is not None:
        by_lot = Counter(by_lot)
        for pick in waiting:
            if pick.lot_id:
                by_lot[pick.lot_id] += pick.picked
    counted = ledger.Counted(place=place, consumable=consumable, pieces=in_drawer + carried, key=key, by_lot=by_lot)
    return ledger.count_all([counted], by=by, at=at)[0]


def on_trolley(department_id: int, *, day: date) -> dict[tuple[int, int], int]:
    """Pieces on the record of a cart that were picked for `day` or a later one and do not lie in their drawer yet.

    By (place, consumable), those without any left out: one query.
    """
    picks = Pick.objects.on_trolley(department_id, day=day).order_by()
    rows = picks.values_list("plan_line__place", "plan_line__consumable").annotate(Sum("picked"))
    return {(place, consumable): pieces for place, consumable, pieces in rows}


def _waiting(place: Place, consumable: Consumable, *, day: date) -> QuerySet[Pick]:
    on_trolley = Pick.objects.on_trolley(place.department_id, day=day)
    return on_trolley.filter(plan_line__place=place, plan_line__consumable=consumable)
