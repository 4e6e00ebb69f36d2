"""The fields of a line that is counted lot by lot: what stands in them, what a scan adds, what a person says so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from django.http import QueryDict
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from inventory.models import Lot
from inventory.models.notes import NUMBER
from inventory.scanned import Found
from restock.stock_life.counting import FoundLot

from .said_lines import LONGEST_NUMBER, Unreadable, key_in, pieces_in

WITHOUT = 0  # stands for pieces whose lot nobody can read, as a key beside those of lots
LONGEST_LOT = 60
EARLIEST_YEAR, LATEST_YEAR = 2000, 2099


@dataclass(frozen=True)
class TypedLot:
    """A lot that a person came upon, as it stands in its three fields."""

    number: str
    day: str
    pieces: str


@dataclass(frozen=True)
class Typed:
    """What stands in the fields of the open line.

    total: all pieces. by_lot: of each lot by its primary key, or WITHOUT. in_total: a line that may be counted by lot
    is counted in total.
    """

    total: str = ""
    by_lot: Mapping[int, str] = field(default_factory=dict)
    others: tuple[TypedLot, ...] = ()
    in_total: bool = False

    def after_refusal(self) -> Typed:
        """The same without what may be a person's number and was meant for no lot."""
        others = tuple(replace(one, number="" if NUMBER.search(one.number) else one.number) for one in self.others)
        return replace(self, others=others)


NOTHING_TYPED = Typed()


@dataclass(frozen=True)
class LotField:
    """One lot to count: its key in the field's name, its words, and what stands there. Never what is on record."""

    key: int
    words: str
    typed: str


def lot_fields(lots: Sequence[Lot], typed: Typed) -> tuple[LotField, ...]:
    """A field for each lot, what expires first in front, and one for pieces whose lot nobody can read."""
    return (
        *(LotField(lot.pk, lot_words(lot), typed.by_lot.get(lot.pk, "")) for lot in lots),
        LotField(
            WITHOUT,
            _("Pieces whose lot cannot be read") if lots else _("Pieces without a lot"),
            typed.by_lot.get(WITHOUT, ""),
        ),
    )


def lot_words(lot: Lot | None) -> str:
    """A lot as it is printed on the packs."""
    if lot is None:
        return _("lot not read")
    if lot.expires_on is None:
        return _("lot %(lot)s") % {"lot": lot.number}
    return _("lot %(lot)s, use by %(day)s") % {"lot": lot.number, "day": date_format(lot.expires_on, _("j M Y"))}


def typed_in(form: QueryDict) -> Typed:
    """What stands in the fields that came with a form."""
    total = form.get("counted", "").strip()
    others = zip(form.getlist("other-lot"), form.getlist("other-day"), form.getlist("other-pieces"), strict=False)
    return Typed(
        total=total[:LONGEST_NUMBER],
        by_lot={
            key_in(name.removeprefix("lot-")): text.strip()[:LONGEST_NUMBER]
            for name, text in form.items()
            if name.startswith("lot-")
        },
        others=tuple(
            TypedLot(number.strip()[:LONGEST_LOT], day.strip()[:10], pieces.strip()[:LONGEST_NUMBER])
            for number, day, pieces in others
            if number.strip() or pieces.strip()
        ),
        in_total=form.get("in-total") == "yes",
    )


def with_scan(typed: Typed, found: Found, lots: Sequence[Lot] | None) -> tuple[Typed, str]:
    """The fields once a pack was scanned, and words where it could not be added. lots: None for a count in total."""
    if lots is None or typed.in_total:
        return replace(typed, total=_added(typed.total, found.pieces)), ""
    if found.lot is None:
        return typed, _(
            "This code does not say the lot for certain. Read it on the pack, and type the pieces beside it."
        )
    for lot in lots:
        if lot.number == found.lot:
            return replace(typed, by_lot={**typed.by_lot, lot.pk: _added(typed.by_lot.get(lot.pk), found.pieces)}), ""
    others = list(typed.others)
    for n, one in enumerate(others):
        if one.number == found.lot:
            others[n] = replace(one, pieces=_added(one.pieces, found.pieces))
            break
    else:
        others.append(TypedLot(found.lot, found.expires_on.isoformat() if found.expires_on else "", str(found.pieces)))
    return replace(typed, others=tuple(others)), ""


def lots_said(form: QueryDict, typed: Typed, lots: Sequence[Lot]) -> tuple[dict[int | None, int], list[FoundLot]]:
    """Pieces of each lot of the line (None: without one), and of those that lay there besides. Raises Unreadable.

    A lot that came on record since the page was shown has no field there: it is asked for, not taken to be gone.
    """
    said: dict[int | None, int] = {None: pieces_in(form, f"lot-{WITHOUT}") or 0}
    for lot in lots:
        pieces = pieces_in(form, f"lot-{lot.pk}")
        if pieces is None:
            words = _("Not saved: say how many there are of lot %(lot)s too, 0 where you looked and found none.")
            raise Unreadable(words % {"lot": lot.number})
        said[lot.pk] = pieces
    found = []
    for one in typed.others:
        if not one.number or not one.pieces.isdecimal():
            raise Unreadable(_("Not saved: another lot needs its number and its pieces."))
        found.append(FoundLot(one.number, _day(one.day), int(one.pieces)))
    if not lots and not found and pieces_in(form, f"lot-{WITHOUT}") is None:
        raise Unreadable(_("Not saved: type a number of pieces, 0 where there is none."))
    return said, found


def _added(text: str | None, pieces: int) -> str:
    return str((int(text) if text and text.isdecimal() else 0) + pieces)


def _day(text: str) -> date | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = date.min
    if not EARLIEST_YEAR <= day.year <= LATEST_YEAR:
        raise Unreadable(_("Not saved: read the date on the pack again."))
    return day
