"""The invented department's last days, piece by piece: deliveries, restocks, use, and borrowing next door.

A plain re-enactment of what people do with a flat par: evening restock to par, a call to the storeroom when a drawer
runs empty, then to another cart. Its events go through the ledger like real ones. All choices here are invented.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import Enum
from math import ceil

DELIVERY_WEEKDAYS = (0, 3)
DELIVER_BELOW = 0.6  # of a storeroom's par
BACK_ORDER_DAYS = 6  # for so long before the evening nothing came of a back-ordered line: four or five working days
BACK_ORDER_SHARE = 0.3  # of par, to which a small parcel each day filled it before: less than four working days' use

# Minutes of the day: deliveries come before the lists, the round after them.
DELIVERY_MINUTE = 6 * 60
RESTOCK_MINUTE = 19 * 60


class What(Enum):
    DELIVERY = "delivery"
    RESTOCK = "restock"
    USE = "use"


@dataclass(frozen=True)
class Layout:
    """Where things are kept. Keys are primary keys; pieces throughout.

    par: for each (place, consumable) that is stocked. storerooms: for each cart those that
    fill it, in their order. shelf_life_days: None where a line has no date. back_ordered: consumables.
    """

    par: dict[tuple[int, int], int]
    storerooms: dict[int, tuple[int, ...]]
    pieces_per_pack: dict[int, int]
    shelf_life_days: dict[int, int | None]
    back_ordered: frozenset[int]


@dataclass(slots=True)
class LotHeld:
    """Pieces of a lot in one place. `lot` is a primary key, a number of a lot yet to be made, or None."""

    lot: int | str | None
    expires_on: date | None
    pieces: int


@dataclass(frozen=True, slots=True)
class Demand:
    """A line that a case (or the opening of a room) takes: `row` is for the caller to know it again by."""

    minute: int
    place: int
    consumable: int
    used: int
    opened_unused: int
    row: int


@dataclass(frozen=True, slots=True)
class Event:
    """Pieces of one lot that went from `source` (None: the supplier) to `destination` (None: used)."""

    what: What
    date: date
    minute: int
    source: int | None
    destination: int | None
    consumable: int
    lot: int | str | None
    pieces: int
    opened_unused: int = 0
    row: int | None = None


@dataclass
class Shelves:
    """What every place holds, first-expiring first, as the days go by."""

    layout: Layout
    held: dict[tuple[int, int], list[LotHeld]]
    new_lots: dict[str, tuple[int, date]] = field(default_factory=dict)  # number -> consumable, expires on

    def __post_init__(self) -> None:
        self._keeping: dict[int, list[int]] = defaultdict(list)
        for place, consumable in self.layout.par:
            if place in self.layout.storerooms:
                self._keeping[consumable].append(place)

    def pieces(self, place: int, consumable: int, *, on: date) -> int:
        return sum(lot.pieces for lot in self._in_date(place, consumable, on))

    def play_day(self, day: date, demands: Iterable[Demand], *, evening: date) -> list[Event]:
        """Events of one day in their order. On the `evening` itself nobody has restocked yet."""
        events: list[Event] = []
        self._deliver(day, evening, events)
        for demand in sorted(demands, key=lambda d: (d.minute, d.row)):
            self._meet(day, demand, events)
        if day != evening:
            for (place, consumable), par in self.layout.par.items():
                if place in self.layout.storerooms:
                    missing = par - self.pieces(place, consumable, on=day)
                    if missing > 0:
                        self._fetch(day, RESTOCK_MINUTE, place, consumable, missing, events)
        return events

    def _deliver(self, day: date, evening: date, events: list[Event]) -> None:
        for (place, consumable), par in self.layout.par.items():
            if place in self.layout.storerooms:
                continue
            if consumable in self.layout.back_ordered:
                owed = (evening - day).days < BACK_ORDER_DAYS
                level = order_below = 0 if owed else par * BACK_ORDER_SHARE
            else:
                level, order_below = par, par * DELIVER_BELOW if day.weekday() in DELIVERY_WEEKDAYS else 0
            here = self.pieces(place, consumable, on=day)
            if here < order_below:
                pack = self.layout.pieces_per_pack[consumable]
                pieces = ceil((level - here) / pack) * pack
                lot = self._new_lot(place, consumable, day, pieces)
                self._add(place, consumable, lot)
                events.append(Event(What.DELIVERY, day, DELIVERY_MINUTE, None, place, consumable, lot.lot, lot.pieces))

    def _new_lot(self, place: int, consumable: int, day: date, pieces: int) -> LotHeld:
        life_days = self.layout.shelf_life_days[consumable]
        if life_days is None:
            return LotHeld(None, None, pieces)
        number = f"N{len(self.new_lots) + 1:05d}"
        spread = (consumable * 7 + place) % 10 / 10  # packs arrive with 70 to 95 % of their life
        expires_on = day + timedelta(days=int(life_days * (0.7 + 0.25 * spread)))
        self.new_lots[number] = consumable, expires_on
        return LotHeld(number, expires_on, pieces)

    def _meet(self, day: date, demand: Demand, events: list[Event]) -> None:
        """Take a demand from its place. What is missing there is fetched, then borrowed, then done without."""
        wanted = demand.used + demand.opened_unused
        missing = wanted - self.pieces(demand.place, demand.consumable, on=day)
        if missing > 0:
            missing -= self._fetch(day, demand.minute, demand.place, demand.consumable, missing, events)
        if missing > 0:
            for other in self._keeping[demand.consumable]:
                if other != demand.place and missing > 0:
                    missing -= self._carry(day, demand.minute, other, demand.place, demand.consumable, missing, events)
        unused = demand.opened_unused
        for lot, pieces in self._take(demand.place, demand.consumable, wanted - max(missing, 0), on=day):
            unused_here, unused = min(unused, pieces), max(unused - pieces, 0)
            events.append(
                Event(What.USE, day, demand.minute, demand.place, None, demand.consumable, lot.lot, pieces,
                      unused_here, demand.row)
            )  # fmt: skip

    def _fetch(self, day: date, minute: int, cart: int, consumable: int, wanted: int, events: list[Event]) -> int:
        """Carry from the storerooms that fill the cart; returns the pieces carried."""
        carried = 0
        for storeroom in self.layout.storerooms.get(cart, ()):
            if carried < wanted:
                carried += self._carry(day, minute, storeroom, cart, consumable, wanted - carried, events)
        return carried

    def _carry(
        self, day: date, minute: int, source: int, destination: int, consumable: int, wanted: int, events: list[Event]
    ) -> int:
        carried = 0
        for lot, pieces in self._take(source, consumable, wanted, on=day):
            self._add(destination, consumable, LotHeld(lot.lot, lot.expires_on, pieces))
            events.append(Event(What.RESTOCK, day, minute, source, destination, consumable, lot.lot, pieces))
            carried += pieces
        return carried

    def _take(self, place: int, consumable: int, wanted: int, *, on: date) -> list[tuple[LotHeld, int]]:
        taken = []
        for lot in self._in_date(place, consumable, on):
            pieces = min(lot.pieces, wanted)
            if pieces > 0:
                lot.pieces -= pieces
                wanted -= pieces
                taken.append((lot, pieces))
        return taken

    def _in_date(self, place: int, consumable: int, on: date) -> list[LotHeld]:
        return [
            lot
            for lot in self.held.get((place, consumable), ())
            if lot.pieces > 0 and (lot.expires_on is None or lot.expires_on >= on)
        ]

    def _add(self, place: int, consumable: int, lot: LotHeld) -> None:
        lots = self.held.setdefault((place, consumable), [])
        for known in lots:
            if known.lot == lot.lot:
                known.pieces += lot.pieces
                return
        lots.append(lot)
        lots.sort(key=lambda held: held.expires_on or date.max)
