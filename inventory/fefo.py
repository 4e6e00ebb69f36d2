"""First expiring, first out: which lots to take so that the fewest pieces go out of date."""

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple


class LotOnHand(NamedTuple):
    """Pieces of one lot in one place. `usable` is False for a recalled or quarantined lot."""

    key: Hashable
    expires_on: date | None
    pieces: int
    usable: bool = True


@dataclass(frozen=True, slots=True)
class Choice:
    """Which lots to take: (key, pieces) in the order to take them, and what no lot could cover."""

    taken: tuple[tuple[Hashable, int], ...]
    short_pieces: int


def choose_lots(lots: Iterable[LotOnHand], *, needed_pieces: int, on: date, longest_first: bool = False) -> Choice:
    """Take the needed pieces from the lots that expire first, or `longest_first` from those that last longest.

    A lot can be used through the end of its expiry date (ISO 15223-1, symbol 5.1.4), so one that
    expires on `on` is still taken. A lot without a known date is taken last. Lots that expire
    together keep the caller's order. Balances of zero or below hold nothing to take.

    Raises ValueError when fewer than zero pieces are asked for.
    """
    if needed_pieces < 0:
        raise ValueError("Cannot take fewer than zero pieces.")
    in_date = [lot for lot in lots if lot.usable and (lot.expires_on is None or lot.expires_on >= on)]
    in_date.sort(key=lambda lot: lot.expires_on or (date.min if longest_first else date.max), reverse=longest_first)

    taken = []
    missing = needed_pieces
    for lot in in_date:
        pieces = min(lot.pieces, missing)
        if pieces > 0:
            taken.append((lot.key, pieces))
            missing -= pieces
    return Choice(taken=tuple(taken), short_pieces=missing)
