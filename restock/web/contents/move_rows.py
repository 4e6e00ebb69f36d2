"""Moves worth the walk as the pages show them, each with the form that says that it was made."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from inventory.models import Consumable, Department, Holding, Place
from restock.advising.moves import Walk
from restock.evening.moving import Done, lots_to_take, proposal_key, told_since


@dataclass
class MoveRow:
    """One move on the page: what is advised, which lots to take, what was done of it and what was typed and refused.

    key: the same on every page that proposes the move, until somebody has told of it. page: the page's name, to go back
    to without scripts.
    """

    source: Place
    destination: Place
    consumable: Consumable
    pieces: int
    is_swap: bool
    lots: list[Holding]
    key: str
    page: str = "moves"
    done: Done | None = None
    trouble: str = ""
    typed: str = ""


def move_rows(
    department: Department,
    walks: Iterable[Sequence[Walk]],
    *,
    swaps: Sequence[bool],
    today: date,
    carried_for: date,
    page: str,
) -> list[list[tuple[Walk, list[MoveRow]]]]:
    """A row for each move of some lists of walks, of which `swaps` says whether they are exchanges: two queries.

    carried_for: the day on which the lots have to be in date.
    """
    walks = list(walks)
    every = [(walk, move) for some in walks for walk in some for move in walk.moves]
    lots = lots_to_take([(walk.source.pk, move.consumable.pk) for walk, move in every], on=carried_for)
    told = told_since(department, department.local_midnight(today))

    def row(walk: Walk, move, is_swap: bool) -> MoveRow:
        route = walk.source.pk, walk.destination.pk, move.consumable.pk
        return MoveRow(
            walk.source,
            walk.destination,
            move.consumable,
            move.pieces,
            is_swap,
            lots.get((walk.source.pk, move.consumable.pk), []),
            key=proposal_key(*route, swap=is_swap, day=today, told_before=told[route]),
            page=page,
        )

    return [
        [(walk, [row(walk, move, is_swap) for move in walk.moves]) for walk in some]
        for some, is_swap in zip(walks, swaps, strict=True)
    ]
