"""Which uses emptied a cart, so that the case may have wanted more than it found.

Balances are followed in the order in which movements were written, not in which they happened: that is what the record
said when the use was logged, and it never changes afterwards, so that the tallies of many nights equal one recount.
A use from a balance that was already at or below zero says that the record was wrong, not that the cart was emptied.
"""

from __future__ import annotations

from collections import defaultdict

from django.db.models import Sum

from inventory.models import Holding, Movement


def emptying_records(records) -> set[int]:
    """Keys of those of the usage `records` (a query set) whose pieces took a cart's balance from above zero to none.

    Pieces of several lots are one event: the movements whose key has the same stem. Records that moved nothing, took
    from a storeroom or were reversals empty no cart. Reads the movements of the lines concerned since the first of
    these records, and nothing older.
    """
    of_carts = records.filter(movement__kind=Movement.Kind.USE, movement__source__role="cart").order_by()
    uses = list(of_carts.values_list("pk", "movement", "movement__key", "movement__source", "consumable"))
    if not uses:
        return set()
    first = min(movement for _, movement, *_ in uses)
    records_of = defaultdict(list)
    for record, _, key, place, consumable in uses:
        records_of[_stem(key), place, consumable].append(record)
    carts = {place for *_, place, _ in uses}
    consumables = {consumable for *_, consumable in uses}

    held = Holding.objects.filter(place__in=carts, consumable__in=consumables).order_by()
    balance = defaultdict(int) | {
        (place, consumable): pieces
        for place, consumable, pieces in held.values_list("place", "consumable").annotate(Sum("quantity"))
    }
    after: dict[tuple, int] = {}
    before: dict[tuple, int] = {}
    since = Movement.objects.filter(pk__gte=first, consumable__in=consumables).order_by("-pk")
    for key, source, destination, consumable, pieces in since.values_list(
        "key", "source", "destination", "consumable", "quantity"
    ).iterator(chunk_size=20_000):
        event = (_stem(key), source, consumable)
        if event in records_of:
            after.setdefault(event, balance[source, consumable])
            before[event] = balance[source, consumable] + pieces
        balance[source, consumable] += pieces
        balance[destination, consumable] -= pieces
    emptied = (event for event in records_of if before[event] > 0 >= after[event])
    return {record for event in emptied for record in records_of[event]}


def _stem(key: str) -> str:
    """What the keys of one event's movements have in common: see inventory.ledger, `part_key`."""
    return key.partition("#")[0]
