"""Invented dates: small lines whose earliest date alone is kept, what somebody read on their packs, and ended lots."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db.models import Count as Number
from django.db.models import Sum

from inventory.dates import check_date
from inventory.models import Department, Holding, Lot, Place, StockingLine

BY_EARLIEST_DATE = ("SK01", "SK04", "SK06", "VP11", "VP12")  # small pieces that go fast
READ_ON_CARTS = 3
READ_DAYS = (-2, 12, 260, 410, 150)  # from today, one after the other; one has ended, one ends before the next round
READ_AGO = timedelta(days=1)
ENDED_LOTS = 2
ENDED_DAYS = 3


def invent_dates(department: Department, *, at: datetime, by) -> None:
    """Keep some lines of every cart by their earliest date, read some packs, and let two small lots have ended."""
    lines = StockingLine.objects.filter(
        place__department=department, place__role=Place.Role.CART, consumable__code__in=BY_EARLIEST_DATE
    )
    lines.update(tracking=StockingLine.Tracking.EARLIEST_DATE)
    today = department.local_date(at)
    carts = Place.objects.filter(department=department).carts().order_by("walk_order", "code")[:READ_ON_CARTS]
    to_read = lines.filter(place__in=list(carts)).select_related("place", "consumable").order_by("consumable", "place")
    for number, line in enumerate(to_read):
        check_date(
            place=line.place,
            consumable=line.consumable,
            earliest_expires_on=today + timedelta(days=READ_DAYS[number % len(READ_DAYS)]),
            by=by,
            at=at - READ_AGO,
            key=f"demo dates {line.pk}",
        )
    _let_lots_end(department, today - timedelta(days=ENDED_DAYS))


def _let_lots_end(department: Department, day) -> None:
    """Give a date that has passed to lots of which a single cart holds a piece or two."""
    held = Holding.objects.filter(place__department=department, quantity__gt=0, lot__expires_on__isnull=False)
    places = held.order_by().values("lot").annotate(places=Number("place"), pieces=Sum("quantity"))
    few = places.filter(places=1, pieces__lte=2).values("lot")
    on_carts = held.filter(lot__in=few, place__role=Place.Role.CART).exclude(consumable__code__in=BY_EARLIEST_DATE)
    lots = list(on_carts.order_by("place__walk_order", "pk").values_list("lot", flat=True)[:ENDED_LOTS])
    Lot.objects.filter(pk__in=lots).update(expires_on=day)
