"""Pieces that a storeroom needs for bundles, beside those that leave it loose.

Bundles are made up from the storeroom's pieces, so the demand for a line there is that for loose pieces plus that for
every bundle times its pieces. The stock is counted the same way: a bundle that is made up counts as its pieces, and a
bundle that a cart lacks is owed as its pieces. So nothing is counted twice, and nothing is forgotten between the
order that brings pieces and the evening on which they are made up. (This is the echelon stock of Clark and Scarf 1960,
from memory.)

Loose use and use in bundles are added as if they did not know of each other. In truth a case takes one or the other, so
the sum spreads a little wider than it should: on the safe side.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from inventory.models import BundlePiece, Consumable, Department, StockingLine
from restock.forecasting import demand
from restock.forecasting.convolution import plus

Block = tuple[np.ndarray, np.ndarray]  # which of the lines (I,), their totals by day (days + 1, I, N)


@dataclass(frozen=True)
class Bundled:
    """Bundles of which a storeroom keeps pieces.

    lines: each bundle at each such storeroom, unsaved where the storeroom keeps only its pieces. per_bundle: (kept,
    lines) pieces of each kept line in each of them, bundles within bundles opened up. made_up: (kept,) of bool, which
    kept lines are bundles themselves: those are made up, never ordered.
    """

    lines: tuple[StockingLine, ...]
    per_bundle: np.ndarray
    made_up: np.ndarray

    def in_pieces(self, bundles: np.ndarray) -> np.ndarray:
        """So many of each bundle (lines,) as pieces of each kept line: (kept,)."""
        return self.per_bundle @ bundles


def read_bundled(department: Department, kept: Sequence[StockingLine]) -> Bundled:
    """The bundles that matter to these storeroom lines: one query."""
    contents: dict[int, dict[int, int]] = defaultdict(dict)
    bundles: dict[int, Consumable] = {}
    for row in BundlePiece.objects.filter(bundle__department=department).select_related("bundle"):
        contents[row.bundle_id][row.piece_id] = row.pieces_per_bundle
        bundles[row.bundle_id] = row.bundle
    pieces = {pk: opened_up(pk, contents) for pk in contents}
    own = {(line.place_id, line.consumable_id): line for line in kept}
    places = {line.place_id: line.place for line in kept}
    lines = tuple(
        own.get((place_id, pk)) or StockingLine(place=place, consumable=bundles[pk], par=0)
        for place_id, place in places.items()
        for pk in contents
        if any((place_id, piece) in own for piece in pieces[pk])
    )
    per_bundle = [
        [pieces[line.consumable_id][one.consumable_id] if line.place_id == one.place_id else 0 for line in lines]
        for one in kept
    ]
    return Bundled(
        lines,
        np.array(per_bundle, dtype=int).reshape(len(kept), len(lines)),
        np.array([line.consumable_id in contents for line in kept], dtype=bool),
    )


def opened_up(bundle: int, contents: dict[int, dict[int, int]], within: frozenset[int] = frozenset()) -> Counter[int]:
    """Pieces of each line in one bundle; those of bundles in it count too. A bundle within itself is left closed."""
    pieces: Counter[int] = Counter()
    for piece, number in contents[bundle].items():
        pieces[piece] += number
        if piece in contents and piece not in within | {bundle}:
            for inner, few in opened_up(piece, contents, within | {bundle}).items():
                pieces[inner] += number * few
    return pieces


def with_bundles(blocks: Iterable[Block], of_bundles: Iterable[Block], bundled: Bundled) -> Iterator[Block]:
    """Add to the demand of each block of kept lines what bundles take of them.

    of_bundles: the demand for `bundled.lines`, in blocks of their own.
    """
    totals = {int(n): by_days[:, i] for which, by_days in of_bundles for i, n in enumerate(which)}
    for which, by_days in blocks:
        for b, total in totals.items():
            number = bundled.per_bundle[which, b]
            if number.any():
                by_days = _plus(by_days, total, number)
        yield which, by_days


def _plus(by_days: np.ndarray, bundles: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Add number (I,) pieces for each of so many bundles (days + 1, M) to totals (days + 1, I, N)."""
    days, lines = by_days.shape[:2]
    taken = np.zeros((days, lines, (bundles.shape[1] - 1) * int(number.max()) + 1))
    for i, pieces in enumerate(number):
        if pieces:
            taken[:, i, : (bundles.shape[1] - 1) * pieces + 1 : pieces] = bundles
        else:
            taken[:, i, 0] = 1.0
    both = plus(by_days.reshape(days * lines, -1), taken.reshape(days * lines, -1))
    return demand.trimmed(both).reshape(days, lines, -1)
