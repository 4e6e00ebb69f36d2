"""A plan in a few figures: what there is to do, what it rests on, and how the carts compare."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, F, Max, Q, Sum

from inventory.models import Count as StockCount
from inventory.models import Criticality, Place
from restock.models import Pick, Plan, Shortage

from ..ages import counts_words


@dataclass(frozen=True)
class PlanSummary:
    """Counts over a plan. `still_to_carry` are pieces of picks that nobody has confirmed yet."""

    carts: int
    carts_to_fill: int
    lines: int
    lines_to_fill: int
    pieces: int
    still_to_carry: int
    shortages: int
    never_out_short: int
    listed_cases: int
    logged_cases: int
    oldest_count: datetime | None
    newest_count: datetime | None

    @property
    def carried(self) -> bool:
        """Whether everything on the pick list was confirmed."""
        return self.pieces > 0 and self.still_to_carry == 0


def summarise(plan: Plan) -> PlanSummary:
    """Three queries, whatever the number of lines."""
    filled = Q(allocated__gt=0)
    lines = plan.lines.aggregate(
        carts=Count("place", distinct=True),
        carts_to_fill=Count("place", distinct=True, filter=filled),
        lines=Count("pk"),
        lines_to_fill=Count("pk", filter=filled),
        pieces=Sum("allocated", default=0),
    )
    short = Shortage.objects.filter(plan_line__plan=plan).aggregate(
        shortages=Count("pk"),
        never_out_short=Count("pk", filter=Q(plan_line__consumable__criticality=Criticality.NEVER_OUT)),
    )
    picks = Pick.objects.filter(plan_line__plan=plan, confirmed_at__isnull=True)
    known = plan.inputs
    return PlanSummary(
        **lines,
        **short,
        still_to_carry=picks.aggregate(pieces=Sum("quantity", default=0))["pieces"],
        listed_cases=known.get("listed_cases", 0),
        logged_cases=known.get("logged_cases", 0),
        oldest_count=_instant(known.get("oldest_count")),
        newest_count=_instant(known.get("newest_count")),
    )


@dataclass(frozen=True)
class CartTotals:
    """One cart in a plan. `pieces` is what the storerooms give it; `short` counts lines below their target after that.

    `below_zero` counts lines whose record cannot be right; `counted` says how old the counts of its lines are.
    """

    place: Place
    lines: int
    to_add: int
    pieces: int
    short: int
    below_zero: int
    counted: str


def cart_totals(plan: Plan, now: datetime) -> list[CartTotals]:
    """Every cart of the plan in walking order: three queries."""
    rows = (
        plan.lines.order_by()
        .values("place")
        .annotate(
            lines=Count("pk"),
            to_add=Count("pk", filter=Q(allocated__gt=0)),
            pieces=Sum("allocated"),
            short=Count("pk", filter=Q(allocated__lt=F("top_up"))),
            below_zero=Count("pk", filter=Q(on_hand__lt=0)),
        )
    )
    by_place = {row.pop("place"): row for row in rows}
    places = Place.objects.filter(pk__in=by_place).select_related("room").order_by("walk_order", "code")
    counted = _count_spans(list(by_place))
    totals = []
    for place in places:
        row = by_place[place.pk]
        oldest, newest, lines_counted = counted.get(place.pk, (None, None, 0))
        ages = [oldest, newest] + [None] * max(row["lines"] - lines_counted, 0) if oldest else []
        totals.append(CartTotals(place=place, counted=counts_words(ages, now), **row))
    return totals


def _count_spans(place_ids: list[int]) -> dict[int, tuple[datetime, datetime, int]]:
    """For each place the oldest and newest of its lines' latest counts, and how many lines have one."""
    latest = (
        StockCount.objects.filter(place__in=place_ids)
        .order_by()
        .values("place", "consumable")
        .annotate(at=Max("at"))
        .values_list("place", "at")
    )
    spans: dict[int, tuple[datetime, datetime, int]] = {}
    for place, at in latest:
        oldest, newest, lines = spans.get(place, (at, at, 0))
        spans[place] = min(oldest, at), max(newest, at), lines + 1
    return spans


def _instant(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None
