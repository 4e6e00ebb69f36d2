"""How many of the pieces that end soon are likely to be left unused, and what carrying them elsewhere would save.

The arithmetic and its sources are those of restock.forecasting.outdating: each place uses what expires first, demand
is that of the published lists and of the usual cases beyond them. Pieces; money only where a line's price is known.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from functools import cache

from inventory.models import Consumable, Department, Place

from ..advising.ahead import line_demand, look_ahead
from ..advising.dates import Dates, advise_dates, places_demand, short_dated
from ..advising.moves import Move, Walk
from ..advising.past import believe
from ..learning.forecast import Frame, read_frame
from ..learning.tallies import read_tallies
from ..models import Policy, policy_of
from ..stock_life.expiry import Dated


@dataclass(frozen=True, slots=True)
class Sum:
    """Pieces, and what those of them cost whose price is known; None where no price is."""

    pieces: float
    money: Decimal | None


@dataclass(frozen=True)
class ExpectedWaste:
    """What is likely to be wasted within `days` of `today` as things lie, and after `walks` of exchanged pieces.

    by_row: expected pieces for each (place, consumable, last day) by primary keys.
    """

    today: date
    days: int
    before: Sum
    after: Sum
    walks: tuple[Walk, ...]
    by_row: dict[tuple[int, int, date], float]

    def of(self, dated: Dated) -> float | None:
        """Pieces of a row that are likely to be wasted: all that have ended. None where it was not worked out."""
        if dated.has_ended(self.today):
            return float(dated.pieces)
        return self.by_row.get((dated.place.pk, dated.consumable.pk, dated.expires_on))

    def better_place(self, dated: Dated) -> Place | None:
        """Where it is worth carrying pieces of this row to, if anywhere."""
        for walk in self.walks:
            if walk.source == dated.place and any(move.consumable == dated.consumable for move in walk.moves):
                return walk.destination
        return None


def expected_waste(department: Department, *, today: date, days: int) -> ExpectedWaste:
    """Work out what ends from tomorrow until `days` after today, from the stored tallies and balances."""
    policy, day = policy_of(department), today + timedelta(days=1)
    held = short_dated(department, on=day, within_days=days - 1)
    if not any(one.lots for one in held):
        return summed(Dates((), (), 0.0), policy, today=today, days=days)
    frame, tallies = read_frame(department), read_tallies(department, day)
    ahead = look_ahead(department, today=today, days=days)
    dated = {one.consumable.pk for one in held}
    few = Frame(tuple(line for line in frame.lines if line.consumable_id in dated), frame.routes, frame.setups)
    beliefs = believe(few, tallies, ahead.kinds)

    @cache
    def on_lines(after_days: int, until_days: int):
        return line_demand(beliefs, ahead, tallies, after_days, until_days)

    dates = advise_dates(held, places_demand(few, held, on_lines), policy, today=today)
    return summed(dates, policy, today=today, days=days)


def summed(dates: Dates, policy: Policy, *, today: date, days: int) -> ExpectedWaste:
    """Put the advice about dates into sums: before the swaps, and after them."""
    wasted: dict[Consumable, float] = defaultdict(float)
    by_row: dict[tuple[int, int, date], float] = {}
    for waste in dates.wastes:
        wasted[waste.consumable] += waste.expected
        by_row[waste.place.pk, waste.consumable.pk, waste.expires_on] = waste.expected
    saved: dict[Consumable, float] = defaultdict(float)
    for walk in dates.swaps:
        for move in walk.moves:
            saved[move.consumable] += saved_pieces(move, policy)
    left = {line: max(pieces - saved[line], 0.0) for line, pieces in wasted.items()}
    return ExpectedWaste(today, days, _sum(wasted), _sum(left), dates.swaps, by_row)


def saved_pieces(move: Move, policy: Policy) -> float:
    """Pieces that a swap is likely to save. Its gain counts them as `Policy.wasted_piece`, less both ways' handling."""
    if not policy.wasted_piece:
        return 0.0
    return (move.gain + 2 * policy.handling_per_piece * move.pieces) / policy.wasted_piece


def _sum(pieces: dict[Consumable, float]) -> Sum:
    priced = [
        line.price_per_piece * Decimal(str(number))
        for line, number in pieces.items()
        if line.price_per_piece is not None
    ]
    money = sum(priced, Decimal()).quantize(Decimal("0.01")) if priced else None
    return Sum(sum(pieces.values()), money)
