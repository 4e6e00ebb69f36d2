"""Which lots a notice means: all of them, those that were ticked, or those between two numbers."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from ..lot_ranges import lies_between
from ..models import Consumable, Lot, Recall


@dataclass(frozen=True, slots=True)
class Candidate:
    """A lot on record of the line. within: whether the range means it, None where its number cannot be compared."""

    lot: Lot
    within: bool | None


def candidates(consumable: Consumable, *, lot_from: str = "", lot_to: str = "") -> list[Candidate]:
    """Every lot on record of a line, held against a range: those meant first, then those that a person must judge.

    Without a range nothing is known of any lot. Raises NotComparable for a range that says nothing.
    """
    ranged = bool(lot_from or lot_to)
    found = [
        Candidate(lot, lies_between(lot.number, lot_from, lot_to) if ranged else None)
        for lot in consumable.lots.order_by("number")
    ]
    if ranged:
        lies_between(lot_from, lot_from, lot_to)  # refuses a range also where no lot is on record yet
    return sorted(found, key=lambda one: {True: 0, None: 1, False: 2}[one.within])


def is_named(recall: Recall, number: str) -> bool:
    """Whether a recall means a lot of its line by that number, on record or not."""
    if recall.all_lots or any(named.lot.number == number for named in recall.lots.all()):
        return True
    return bool(recall.lot_from) and lies_between(number, recall.lot_from, recall.lot_to) is True


def recalled_lines(consumables: Collection[int]) -> set[int]:
    """Which of these lines (primary keys) any recall is about: one query, before each lot of many is asked for."""
    standing = Recall.objects.filter(drill=False, withdrawn=False).values_list("consumable_id", flat=True)
    return {pk for pk in standing if pk in consumables}


def recall_of(consumable: Consumable, number: str) -> Recall | None:
    """The recall that means a lot of this number, the newest of several; drills and withdrawn recalls do not count.

    A closed recall does: a pack that comes in later is recalled all the same. For who receives or scans a pack, before
    or after its lot is on record: three queries. Without a number only a recall of every lot is known to mean it.
    """
    standing = Recall.objects.filter(consumable=consumable, drill=False, withdrawn=False).prefetch_related("lots__lot")
    return next((recall for recall in standing if is_named(recall, number)), None)
