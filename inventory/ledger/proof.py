"""The proof of the balances: every one of them rebuilt from the movements."""

from collections import defaultdict
from dataclasses import dataclass

from django.db.models import Sum

from ..models import Department, Holding, Movement


@dataclass(frozen=True, slots=True, order=True)
class Difference:
    """A balance that is not the sum of its movements. Primary keys, and pieces."""

    place_id: int
    consumable_id: int
    lot_id: int | None
    ledger_pieces: int
    balance_pieces: int


def differences(department: Department | None = None) -> list[Difference]:
    """Every balance (of one department, or of all) that its movements contradict; empty where all is well.

    The database adds up; this reads one row for each place, line and lot, twice.
    """
    ledger = defaultdict(int)
    for side, sign in (("destination", 1), ("source", -1)):
        movements = Movement.objects.order_by()
        if department is not None:
            movements = movements.filter(**{f"{side}__department": department})
        sums = movements.values_list(f"{side}_id", "consumable_id", "lot_id").annotate(Sum("quantity"))
        for place_id, consumable_id, lot_id, pieces in sums.iterator():
            ledger[place_id, consumable_id, lot_id] += sign * pieces

    holdings = Holding.objects.all()
    if department is not None:
        holdings = holdings.filter(place__department=department)
    balances = {
        (place_id, consumable_id, lot_id): pieces
        for place_id, consumable_id, lot_id, pieces in holdings.values_list(
            "place_id", "consumable_id", "lot_id", "quantity"
        ).iterator()
    }
    return [
        Difference(*triple, ledger_pieces=ledger.get(triple, 0), balance_pieces=balances.get(triple, 0))
        for triple in ledger.keys() | balances.keys()
        if ledger.get(triple, 0) != balances.get(triple, 0)
    ]
