"""What came through the door: every scan kept at once, each line and lot judged, nothing on the shelf's record yet.

The list belongs to a storeroom and, where people receive against one, to an order. It lives on the server, so a flat
battery loses nothing. `inventory.receiving` puts on record what nothing stands against.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from .models import ArrivedPack, Consumable, Department, Lot, Order, OrderLine, Packaging, Place, Recall
from .orders import LineStanding, standings
from .recalls.lots import is_named
from .scanned import Found, spellings
from .scanning import PersonCode, Scan, Unreadable, holds_a_person, words

State = ArrivedPack.State
DAYS_PER_MONTH = 365.25 / 12


class ArrivalRefused(ValueError):
    """Nothing was kept; the message says to a person why."""


class Against:
    """What stands against putting a pack on record as it is."""

    UNKNOWN = "unknown"
    LOT_IN_DOUBT = "lot_in_doubt"
    DATE_WITHOUT_LOT = "date_without_lot"
    OTHER_DATE = "other_date"
    EXPIRED = "expired"
    HELD = "held"
    RECALLED = "recalled"
    NOT_ORDERED = "not_ordered"


MENDED_BY_READING = frozenset({Against.LOT_IN_DOUBT, Against.DATE_WITHOUT_LOT, Against.OTHER_DATE})


@dataclass(frozen=True)
class ShortDated:
    """When a pack is short-dated on arrival: with fewer `days` left, or less than `share` of the usual shelf life."""

    days: int
    share: float | None = None

    def fits(self, consumable: Consumable, expires_on: date | None, *, today: date) -> bool:
        """Whether a pack of the line with this last day is short-dated today."""
        if expires_on is None:
            return False
        least = self.days
        if self.share and consumable.shelf_life_months:
            least = max(least, self.share * consumable.shelf_life_months * DAYS_PER_MONTH)
        return expires_on - today < timedelta(days=least)


@dataclass(frozen=True)
class Arrival:
    """Waiting packs of one line, lot and last day, with what is known of them.

    standing: the line of the order that they answer. against: why they cannot go on record as they are, empty where
    they can. over: pieces beyond what the order still waits for, the lines above counted first.
    """

    packs: tuple[ArrivedPack, ...]
    consumable: Consumable | None
    lot_number: str
    expires_on: date | None
    pieces: int | None
    standing: LineStanding | None
    against: str
    recall: Recall | None
    known_expires_on: date | None
    short_dated: bool
    over: int

    @property
    def first(self) -> ArrivedPack:
        return self.packs[0]

    @property
    def pack_count(self) -> int:
        return sum(pack.packs for pack in self.packs)

    @property
    def may_be_mended(self) -> bool:
        """Whether reading lot and date on the pack would settle it."""
        return self.against in MENDED_BY_READING


def keep_scan(
    scan: Scan,
    found: Found | None,
    *,
    storeroom: Place,
    order: Order | None,
    by,
    at: datetime,
    key: str,
) -> ArrivedPack:
    """Keep one scan on the list, with what the catalogue knows of it (`inventory.scanned.find`).

    A pack that the catalogue does not know is kept by its own number. A scan that names no item is the other code of
    the pack scanned last, and adds its lot and date to it. The same key again is the same scan. Raises Unreadable where
    there is no such pack, and ArrivalRefused; both keep nothing.
    """
    known = ArrivedPack.objects.filter(Q(key=key) | Q(second_key=key)).first()
    if known is not None:
        return known
    if found is None and scan.item is None:
        return _add_to_last(scan, storeroom=storeroom, order=order, by=by, key=key)
    pack = ArrivedPack(storeroom=storeroom, order=order, by=by, at=at, key=key, item=scan.item or "")
    if found is None:
        pack.lot_number, pack.possible_lots, pack.expires_on = scan.lot or "", list(scan.possible_lots), scan.expires_on
        pack.packs, pack.pieces_per_pack = scan.packs or 1, scan.pieces
    else:
        pack.consumable, pack.pieces_per_pack = found.consumable, found.pieces
        pack.lot_number, pack.possible_lots = found.lot or "", list(found.possible_lots)
        pack.expires_on = found.expires_on
    return _kept(pack)


def keep_typed(
    *,
    consumable: Consumable,
    packs: int,
    pieces_per_pack: int,
    lot_number: str,
    expires_on: date | None,
    storeroom: Place,
    order: Order | None,
    by,
    at: datetime,
    key: str,
) -> ArrivedPack:
    """Keep packs that carry no code. The same key again is the same line. Raises ArrivalRefused."""
    known = ArrivedPack.objects.filter(key=key).first()
    if known is not None:
        return known
    return _kept(
        ArrivedPack(
            storeroom=storeroom,
            order=order,
            consumable=consumable,
            packs=packs,
            pieces_per_pack=pieces_per_pack,
            lot_number=lot_as_typed(lot_number),
            expires_on=expires_on,
            by=by,
            at=at,
            key=key,
        )
    )


def correct(packs: Iterable[ArrivedPack], *, lot_number: str, expires_on: date | None) -> int:
    """Say what is printed on waiting packs. Returns how many. Raises ArrivalRefused for a code about a person."""
    waiting = _waiting(packs)
    return waiting.update(lot_number=lot_as_typed(lot_number), expires_on=expires_on, possible_lots=[])


def want(packs: Iterable[ArrivedPack]) -> int:
    """Receive waiting packs although nobody ordered them here."""
    return _waiting(packs).update(wanted=True)


def put_aside(packs: Iterable[ArrivedPack]) -> int:
    """Keep waiting packs out of stock: they go back, or wait for a supervisor."""
    return _waiting(packs).update(state=State.ASIDE)


def take_off(packs: Iterable[ArrivedPack]) -> int:
    """Take waiting packs off the list: they were scanned by mistake."""
    return _waiting(packs).update(state=State.REMOVED)


def bring_back(packs: Iterable[ArrivedPack]) -> int:
    """Undo `put_aside` and `take_off`."""
    ids = [pack.pk for pack in packs]
    gone = ArrivedPack.objects.filter(pk__in=ids, state__in=[State.ASIDE, State.REMOVED])
    return gone.update(state=State.WAITING)


def arrivals(storeroom: Place, order: Order | None, *, today: date, short_dated: ShortDated) -> list[Arrival]:
    """The waiting list, each line, lot and last day once, in the order of their first scans. No more queries for many
    packs than for one."""
    packs = list(
        ArrivedPack.objects.filter(storeroom=storeroom, order=order, state=State.WAITING)
        .select_related("consumable", "by")
        .order_by("pk")
    )
    if not packs:
        return []
    _name_known(storeroom.department, packs)
    consumables = {pack.consumable_id for pack in packs} - {None}
    numbers = {pack.lot_number for pack in packs}
    lots = {
        (lot.consumable_id, lot.number): lot
        for lot in Lot.objects.filter(consumable__in=consumables, number__in=numbers)
    }
    recalls = list(
        Recall.objects.filter(consumable__in=consumables, drill=False, withdrawn=False).prefetch_related("lots__lot")
    )
    lines = standings(OrderLine.objects.filter(order=order)) if order else []
    by_consumable = {one.line.consumable_id: one for one in lines}
    room = {one.line.consumable_id: max(one.line.pieces - one.received, 0) for one in lines}

    groups: dict[tuple, list[ArrivedPack]] = {}
    for pack in packs:
        groups.setdefault(_alike(pack), []).append(pack)
    dates = {key: lot.expires_on for key, lot in lots.items()}
    for pack in packs:  # the first of several dates of a lot that is new is held against the others
        if dates.get((pack.consumable_id, pack.lot_number)) is None:
            dates[pack.consumable_id, pack.lot_number] = pack.expires_on
    return [
        _judged(tuple(group), order, lots, dates, recalls, by_consumable, room, today=today, short_dated=short_dated)
        for group in groups.values()
    ]


def _alike(pack: ArrivedPack) -> tuple:
    line = pack.consumable_id or pack.item
    return line, pack.lot_number, pack.expires_on, tuple(pack.possible_lots), pack.wanted


def _judged(
    packs: tuple[ArrivedPack, ...],
    order: Order | None,
    lots: Mapping[tuple[int, str], Lot],
    dates: Mapping[tuple[int, str], date | None],
    recalls: list[Recall],
    by_consumable: Mapping[int, LineStanding],
    room: dict[int, int],
    *,
    today: date,
    short_dated: ShortDated,
) -> Arrival:
    first = packs[0]
    consumable = first.consumable
    lot_key = first.consumable_id, first.lot_number
    known, known_expires_on = (lots.get(lot_key), dates[lot_key]) if first.lot_number else (None, None)
    expires_on = first.expires_on or known_expires_on
    recall = next(
        (one for one in recalls if one.consumable_id == first.consumable_id and is_named(one, first.lot_number)), None
    )
    standing = by_consumable.get(first.consumable_id)
    pieces = sum(pack.packs * pack.pieces_per_pack for pack in packs) if consumable else None
    over = 0
    against = _against(first, order, standing, known, known_expires_on, expires_on, recall, today)
    if standing and not against:
        left = room[first.consumable_id]
        over = max(pieces - left, 0)
        room[first.consumable_id] = max(left - pieces, 0)
    return Arrival(
        packs=packs,
        consumable=consumable,
        lot_number=first.lot_number,
        expires_on=expires_on,
        pieces=pieces,
        standing=standing,
        against=against,
        recall=recall,
        known_expires_on=known_expires_on,
        short_dated=bool(consumable) and short_dated.fits(consumable, expires_on, today=today),
        over=over,
    )


def _against(
    pack: ArrivedPack,
    order: Order | None,
    standing: LineStanding | None,
    known: Lot | None,
    known_expires_on: date | None,
    expires_on: date | None,
    recall: Recall | None,
    today: date,
) -> str:
    """The gravest first: what keeps a pack off the shelf whatever else is said about it."""
    if pack.consumable_id is None:
        return Against.UNKNOWN
    if recall is not None:
        return Against.RECALLED
    if known and known.quarantined_at:
        return Against.HELD
    if expires_on and expires_on < today:
        return Against.EXPIRED
    if pack.possible_lots and not pack.lot_number:
        return Against.LOT_IN_DOUBT
    if pack.expires_on and not pack.lot_number:
        return Against.DATE_WITHOUT_LOT
    if pack.expires_on and known_expires_on and known_expires_on != pack.expires_on:
        return Against.OTHER_DATE
    if order is not None and standing is None and not pack.wanted:
        return Against.NOT_ORDERED
    return ""


def _name_known(department: Department, packs: list[ArrivedPack]) -> None:
    """Give packs that nobody knew the line that a supervisor has attached since. In memory; recording stores it."""
    unknown = [pack for pack in packs if pack.consumable_id is None]
    if not unknown:
        return
    spelled = {spelling: pack.item for pack in unknown for spelling in spellings(pack.item)}
    found = Packaging.objects.filter(department=department, barcode__in=spelled).select_related("consumable")
    by_item = {spelled[packaging.barcode]: packaging for packaging in found}
    for pack in unknown:
        if packaging := by_item.get(pack.item):
            pack.consumable = packaging.consumable
            pack.pieces_per_pack = pack.pieces_per_pack or packaging.pieces_per_pack


def lot_as_typed(text: str) -> str:
    """A lot's number as typed. Raises PersonCode or ArrivalRefused for a code that was scanned into the field."""
    text = text.strip()
    if holds_a_person(text):
        raise PersonCode
    if text.startswith(("]", "(", "+")) or "://" in text:
        raise ArrivalRefused(_("This is a whole code, not a lot: scan it into the scan box."))
    return text


@transaction.atomic
def _add_to_last(scan: Scan, *, storeroom: Place, order: Order | None, by, key: str) -> ArrivedPack:
    """Join a code that names no item to the pack that the same person scanned last, under the key of its scan."""
    last = (
        ArrivedPack.objects.select_for_update(of=("self",), no_key=True)
        .filter(storeroom=storeroom, order=order, by=by, state=State.WAITING)
        .order_by("-pk")
        .first()
    )
    if last is not None and last.second_key == key:
        return last  # of two that sent it at once this one waited
    if last is None or last.lot_number or (scan.lot is None and not scan.possible_lots and scan.expires_on is None):
        raise Unreadable(words.NO_ITEM)
    last.second_key = key
    last.lot_number, last.possible_lots = scan.lot or "", list(scan.possible_lots)
    last.expires_on = scan.expires_on or last.expires_on
    last.pieces_per_pack = scan.pieces or last.pieces_per_pack
    last.save(update_fields=["second_key", "lot_number", "possible_lots", "expires_on", "pieces_per_pack"])
    return last


def _kept(pack: ArrivedPack) -> ArrivedPack:
    try:
        pack.full_clean()
    except ValidationError as error:
        raise ArrivalRefused(" ".join(error.messages)) from None
    pack.save()
    return pack


def _waiting(packs: Iterable[ArrivedPack]):
    return ArrivedPack.objects.filter(pk__in=[pack.pk for pack in packs], state=State.WAITING)
