"""Invented seals: carts closed and looked at every day, and one that was opened this morning. No stock moves."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.db.models import Min

from inventory import seals
from inventory.guidance import ALL
from inventory.models import Consumable, Department, Holding, Place, SealEvent
from restock.stock_life.cart_guidance import choose

CART_KINDS = ("difficult-airway-cart", "emergency-cart")
DAYS = 14
LOOKED_AT_HOUR = timedelta(hours=6, minutes=40)
OPENED_BEFORE = timedelta(hours=3)
CHECKED = 4  # lines of the opened cart
FIRST_NUMBER = 4471
NOTE = "invented for the demo"

# What a supervisor would choose for the rows of published guidance: codes of the fictional catalogue.
CHOSEN = {
    "malignant-hyperthermia": {
        "mh-dantrolene-20": ["EM02"],
        "mh-dantrolene-250": ["EM03"],
        "mh-water": ["EM04"],
        "mh-charcoal": ["BR22"],
    },
    "difficult-airway": {
        "da-a-exchange": ["AJ06", "AJ07"],
        "da-a-scope": ["AJ08", "AJ09"],
        "da-a-laryngoscope": ["AL12"],
        "da-a-short-handle": ["AL09"],
        "da-b-intubating": ["SG08"],
        "da-d-set": ["FN01"],
        "da-d-cannula": ["FN02"],
    },
}


def keep_carts_sealed(department: Department) -> None:
    """Set up the carts for emergencies as sealed, before anything is planned or counted."""
    _carts(department).update(sealed=True)


def invent_seals(department: Department, *, at: datetime, by) -> None:
    """Two weeks of the seal book. The carts' own stock stays as the ledger has it."""
    carts = list(_carts(department))
    lines = {line.code: line for line in Consumable.objects.filter(department=department)}
    today = department.local_date(at)
    events = []
    for number, cart in enumerate(carts):
        held = Holding.objects.filter(place=cart, quantity__gt=0, lot__isnull=False)
        told = {"place": cart, "by": by}
        closed_at = department.local_midnight(today - timedelta(days=DAYS)) + LOOKED_AT_HOUR
        events.append(
            SealEvent(
                kind=SealEvent.Kind.CLOSED,
                seal_on=str(FIRST_NUMBER + number),
                earliest_expires_on=held.aggregate(first=Min("lot__expires_on"))["first"],
                note=NOTE,
                at=closed_at,
                key=f"demo-seal-{cart.pk}-closed",
                **told,
            )
        )
        for day in range(1, DAYS):
            events.append(
                SealEvent(
                    kind=SealEvent.Kind.INTACT,
                    at=closed_at + timedelta(days=day),
                    key=f"demo-seal-{cart.pk}-{day}",
                    **told,
                )
            )
        guidance = ALL["malignant-hyperthermia" if cart.kind.code == "emergency-cart" else "difficult-airway"]
        kept = set(cart.stocking_lines.values_list("consumable__code", flat=True))
        chosen = CHOSEN[guidance.code].items()
        choose(cart, guidance, {item: [lines[code] for code in codes if code in kept] for item, codes in chosen})
    SealEvent.objects.bulk_create(events)
    if carts:
        _open_and_begin_the_check(carts[0], at=at, by=by)


def _open_and_begin_the_check(cart: Place, *, at: datetime, by) -> None:
    number = seals.standing_of(cart).number
    opened_at = at - OPENED_BEFORE
    seals.open_cart(place=cart, seal_off=number, note=NOTE, by=by, at=opened_at, key=f"demo-seal-{cart.pk}-opened")
    held = Holding.objects.filter(place=cart, quantity__gt=0).order_by().values_list("consumable")
    first = dict(held.annotate(Min("lot__expires_on")))
    # Counted as it is on record, at the instant at which the demo's ledger ends.
    seen = [
        seals.LineSeen(
            consumable=check.line.consumable,
            counted=max(check.recorded, 0),
            present=check.recorded > 0,
            earliest_expires_on=first.get(check.line.consumable_id),
            key=f"demo-check-{check.line.pk}",
        )
        for check in seals.line_checks(cart)[:CHECKED]
    ]
    seals.check_lines(place=cart, seen=seen, by=by, at=at)


def _carts(department: Department):
    return (
        Place.objects.carts()
        .filter(department=department, kind__code__in=CART_KINDS)
        .select_related("kind", "department")
        .order_by("walk_order", "code")
    )
