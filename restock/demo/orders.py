"""Invented orders behind the invented deliveries: complete, partly come, late with a back-order, placed, and a draft.

What the ledger says came from the supplier in the last days gets the order that it answers; nothing here moves stock.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime, timedelta

from django.db.models import Q

from inventory import orders
from inventory.models import Consumable, Department, Movement, Order, OrderLine, Place, Receipt
from inventory.orders import Wanted

from .past import BACK_ORDERED

LEADS_DAYS = (2, 3, 3, 4)  # from order to delivery, one after the other
OWED_FOR_DAYS = 6  # since when the back-ordered lines are awaited
OWED_UNTIL_DAYS = 8
NOTICE_FOR = BACK_ORDERED[0]
STILL_AWAITED = 3  # lines of the last delivery of which half is missing
ORDERED_YESTERDAY = slice(0, 5)
IN_DRAFT = slice(5, 9)
ORDER_HOUR = 14
SMALL_PARCEL = 8  # lots: what came with fewer on a day came without an order
NOTE = "invented for the demo"


def write_orders(department: Department, *, evening: date, now: datetime, by) -> list[Order]:
    """The orders, oldest first."""
    storerooms = Place.objects.filter(department=department).storerooms()
    lines = {c.pk: c for c in department.consumables.prefetch_related("packagings").order_by("section", "code")}
    packs = {pk: max((p.pieces_per_pack for p in c.packagings.all()), default=1) for pk, c in lines.items()}
    made = _behind_deliveries(department, evening, packs, by=by)
    for storeroom in storerooms[:1]:
        kept = [lines[pk] for pk in storeroom.stocking_lines.values_list("consumable", flat=True) if pk in lines]
        owed = [line for line in kept if line.code in BACK_ORDERED]
        rest = sorted((line for line in kept if line.code not in BACK_ORDERED), key=lambda line: line.code)
        if owed:
            made.append(_owed(storeroom, owed, packs, evening, by=by))
        made.append(_placed(storeroom, rest[ORDERED_YESTERDAY], packs, evening, by=by))
        wanted = [Wanted(line, 2, packs[line.pk]) for line in rest[IN_DRAFT]]
        made.append(_start(storeroom, wanted, at=now, by=by))
    return made


def _behind_deliveries(department: Department, evening: date, packs: dict[int, int], *, by) -> list[Order]:
    """An order for each storeroom and day of a delivery; of the last, half of some lines is missing."""
    came = defaultdict(list)
    deliveries = Movement.objects.filter(
        Q(receipt__isnull=True), kind=Movement.Kind.RECEIVE, source__department=department, key__startswith="demo:"
    )
    for movement in deliveries.select_related("destination", "consumable").order_by("at", "pk"):
        came[movement.destination, department.local_date(movement.at)].append(movement)
    parcels = [movement for movements in came.values() if len(movements) < SMALL_PARCEL for movement in movements]
    Receipt.objects.bulk_create(Receipt(movement=movement) for movement in parcels)
    came = {key: movements for key, movements in came.items() if len(movements) >= SMALL_PARCEL}
    made = []
    for number, ((storeroom, day), movements) in enumerate(came.items()):
        pieces: dict[Consumable, int] = defaultdict(int)
        for movement in movements:
            pieces[movement.consumable] += movement.quantity
        is_last = number == len(came) - 1
        wanted = [
            Wanted(line, -(-got // packs[line.pk]) * (2 if is_last and n < STILL_AWAITED else 1), packs[line.pk])
            for n, (line, got) in enumerate(pieces.items())
        ]
        placed_on = day - timedelta(days=LEADS_DAYS[number % len(LEADS_DAYS)])
        order = _start(storeroom, wanted, at=_at(department, placed_on), by=by)
        expected = {line.pk: evening + timedelta(days=1) if is_last else day for line in pieces}
        orders.place_order(order=order, by=by, at=order.made_at, expected=expected)
        of_line = dict(order.lines.values_list("consumable", "pk"))
        Receipt.objects.bulk_create(
            Receipt(movement=movement, order=order, order_line_id=of_line[movement.consumable_id])
            for movement in movements
        )
        made.append(order)
    return made


def _owed(storeroom: Place, owed: list[Consumable], packs: dict[int, int], evening: date, *, by) -> Order:
    """What the supplier owes: late, and of one line it is said when it comes."""
    department = storeroom.department
    wanted = [Wanted(line, 4, packs[line.pk]) for line in owed]
    placed_on = evening - timedelta(days=OWED_FOR_DAYS)
    order = _start(storeroom, wanted, at=_at(department, placed_on), by=by)
    orders.place_order(
        order=order, by=by, at=order.made_at, expected={line.pk: placed_on + timedelta(days=3) for line in owed}
    )
    for line in OrderLine.objects.filter(order=order, consumable__code=NOTICE_FOR):
        orders.tell_back_order(
            line=line,
            by=by,
            at=_at(department, evening - timedelta(days=1)),
            key=f"demo:back-order:{order.pk}",
            expected_on=evening + timedelta(days=OWED_UNTIL_DAYS),
            note=NOTE,
        )
    return order


def _placed(storeroom: Place, lines: list[Consumable], packs: dict[int, int], evening: date, *, by) -> Order:
    at = _at(storeroom.department, evening - timedelta(days=1))
    order = _start(storeroom, [Wanted(line, 3, packs[line.pk]) for line in lines], at=at, by=by)
    expected = {line.pk: evening + timedelta(days=2) for line in lines}
    return orders.place_order(order=order, by=by, at=at, expected=expected)


def _start(storeroom: Place, wanted: list[Wanted], *, at: datetime, by) -> Order:
    number = orders.next_number(storeroom)
    return orders.start_order(storeroom=storeroom, number=number, lines=wanted, by=by, at=at, note=NOTE)


def _at(department: Department, day: date) -> datetime:
    return department.local_midnight(day) + timedelta(hours=ORDER_HOUR)
