"""The ledger against the stock card on which stores are kept by hand.

The equation of the card in public-health logistics: opening balance + received - issued (used, lost) +/- adjusted
= closing balance, for every period, each closing balance being the next opening one. From memory: the stock card of
the essential-medicines manuals of WHO and Management Sciences for Health ("Managing Drug Supply"); not looked up.
"""

import random
from datetime import UTC, datetime, timedelta

import pytest
from django.db.models import Q, Sum
from django.db.models.functions import TruncMonth

from inventory import ledger
from inventory.models import Movement

NEW_YEAR = datetime(2026, 1, 1, tzinfo=UTC)
RECEIVED = 5000


@pytest.fixture
def year(cart, storeroom, tube, technician):
    """A random year of one line on one cart, and what a person would have written on paper at each month's end."""
    rng = random.Random(20260101)
    told = {"consumable": tube, "by": technician}
    ledger.receive(**told, place=storeroom, quantity=RECEIVED, at=NEW_YEAR, key="stock")
    closing = {}
    on_paper = 0
    for day in range(0, 365, 3):
        at = NEW_YEAR + timedelta(days=day, hours=12)
        told_today = told | {"at": at}
        filled, used, opened, found = rng.randint(0, 9), rng.randint(0, 6), rng.randint(0, 1), rng.randint(-2, 2)
        if filled:
            ledger.move(**told_today, source=storeroom, destination=cart, quantity=filled, key=f"fill-{day}")
        if used + opened:
            use = ledger.use(**told_today, place=cart, quantity=used, opened_unused=opened, key=f"use-{day}")
            if day % 50 == 0:
                ledger.reverse(movement=use, by=technician, at=at, key=f"undo-{day}", reason="told wrongly")
                used = opened = 0
        if day % 29 == 0:
            ledger.discard(**told_today, place=cart, quantity=1, key=f"discard-{day}", reason="torn")
            on_paper -= 1
        if day % 30 == 0:
            counted = max(on_paper + filled - used - opened + found, 0)
            ledger.count(**told_today, place=cart, counted=counted, key=f"count-{day}")
            on_paper = counted
        else:
            on_paper += filled - used - opened
        closing[at.month] = on_paper
    return closing


def test_card_closes_every_month_of_a_random_year(year, cart, tube):
    into, out_of = Q(destination=cart), Q(source=cart)
    taken_back = Q(kind="reverse")
    card = (
        Movement.objects.filter(into | out_of, consumable=tube)
        .order_by()
        .values(month=TruncMonth("at", tzinfo=UTC))
        .annotate(
            received=Sum("quantity", filter=into & Q(kind__in=["receive", "move"]), default=0),
            used=Sum("quantity", filter=out_of & Q(kind="use"), default=0),
            lost=Sum("quantity", filter=out_of & Q(kind="discard"), default=0),
            adjusted=Sum("quantity", filter=into & (Q(kind="adjust") | taken_back), default=0)
            - Sum("quantity", filter=out_of & (Q(kind="adjust") | taken_back), default=0),
        )
        .order_by("month")
    )

    closing, opening = {}, 0
    for row in card:
        opening = closing[row["month"].month] = opening + row["received"] - row["used"] - row["lost"] + row["adjusted"]

    assert closing == year
    assert cart.on_hand(tube) == year[12]
    assert ledger.differences() == []
    assert tube.holdings.exclude(place__role="supplier").aggregate(n=Sum("quantity"))["n"] == RECEIVED
