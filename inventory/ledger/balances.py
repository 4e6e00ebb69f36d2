"""Balances under lock: read once, shifted in memory, written back once."""

from collections import defaultdict
from collections.abc import Iterable

from django.db import connection

from ..models import Holding


def lock(pairs: Iterable[tuple[int, int]]) -> None:
    """Hold every balance of these (consumable, place) pairs of primary keys until the transaction ends.

    The balance without a lot stands for the pair: it is made where it is missing and locked first, so lots of the
    pair need no lock of their own. One order for everybody, consumable then place, keeps two writers from waiting
    for each other. SQLite needs no row lock: its transactions begin IMMEDIATE, one writer at a time.
    """
    pairs = set(pairs)
    representatives = Holding.objects.filter(
        lot=None, consumable__in={consumable for consumable, _ in pairs}, place__in={place for _, place in pairs}
    )
    missing = pairs.difference(representatives.values_list("consumable_id", "place_id"))
    Holding.objects.bulk_create(
        (Holding(consumable_id=consumable, place_id=place) for consumable, place in sorted(missing)),
        ignore_conflicts=True,
    )
    if connection.features.has_select_for_update:
        list(representatives.select_for_update(no_key=True).order_by("consumable_id", "place_id").values_list("pk"))


class Balances:
    """The balances of some (place, consumable, lot) triples of primary keys. The pairs must be locked before."""

    def __init__(self, triples: Iterable[tuple[int, int, int | None]]):
        triples = set(triples)
        lots = {lot for _, _, lot in triples}
        held = Holding.objects.filter(
            place__in={place for place, _, _ in triples}, consumable__in={consumable for _, consumable, _ in triples}
        )
        # Two plain questions: an OR with IS NULL would keep the index from being used.
        found = [*held.filter(lot=None), *(held.filter(lot__in=lots - {None}) if lots - {None} else ())]
        self._held = {(h.place_id, h.consumable_id, h.lot_id): h for h in found}
        self._shifts = defaultdict(int)

    def __getitem__(self, triple: tuple[int, int, int | None]) -> int:
        held = self._held.get(triple)
        return (held.quantity if held else 0) + self._shifts[triple]

    def shift(self, triple: tuple[int, int, int | None], pieces: int) -> None:
        self._shifts[triple] += pieces

    def save(self) -> None:
        new = [
            Holding(place_id=place_id, consumable_id=consumable_id, lot_id=lot_id, quantity=pieces)
            for (place_id, consumable_id, lot_id), pieces in self._shifts.items()
            if (place_id, consumable_id, lot_id) not in self._held
        ]
        Holding.objects.bulk_create(new)
        changed = [(pieces, self._held[t].pk) for t, pieces in self._shifts.items() if pieces and t in self._held]
        with connection.cursor() as cursor:
            cursor.executemany("UPDATE inventory_holding SET quantity = quantity + %s WHERE id = %s", changed)
