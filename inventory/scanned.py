"""Find in the catalogue what a scan names."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables

from .barcodes import GTIN_LENGTHS
from .models import Bin, Consumable, Department, Lot, Packaging, Place
from .scanning import Scan, Unreadable, is_item_number, words

_HIBC_CHECKS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"


@dataclass(frozen=True)
class Found:
    """A scan with what the catalogue knows about it.

    packaging: None where one of our own labels was scanned: it stands for single pieces.
    lot: the lot's number as printed, None where the scan gives none or it is in doubt (`possible_lots`, one of which a
      person confirms); it need not be on record yet (`known_lot`).
    expires_on: what the code says or, where it says nothing, what is on record for the lot.
    place, bin: where the label belongs, if it is one.
    pieces: what one scan brings, in pieces: pieces per pack, times the packs inside of a delivery unit.
    warnings: sentences in English to be translated and shown.
    """

    consumable: Consumable
    packaging: Packaging | None
    lot: str | None
    expires_on: date | None
    pieces_per_pack: int
    pieces: int
    known_lot: Lot | None = None
    possible_lots: tuple[str, ...] = ()
    place: Place | None = None
    bin: Bin | None = None
    warnings: tuple[str, ...] = ()


def find(department: Department, scan: Scan) -> Found | None:
    """What the catalogue knows about a scan, or None where it does not know the pack (or the label's line) yet.

    Where separators may be missing and one of the possible lots is on record, that one is taken, and the warning stays.
    Raises Unreadable for a scan that names no item: lot or expiry alone belong to the other code of the same pack.
    """
    if not scan.names_something:
        raise Unreadable(words.NO_ITEM)
    place = bin = packaging = None
    if scan.label:
        consumable = department.consumables.filter(code=scan.label.line).first()
        if scan.label.place:
            place = department.places.physical().filter(code=scan.label.place).first()
        if place and scan.label.bin:
            bin = place.bins.filter(code=scan.label.bin).first()
    else:
        packaging = packaging_of(department, scan.item)
        consumable = packaging.consumable if packaging else None
    if consumable is None:
        return None
    known = _known_lot(consumable, scan)
    per_pack = packaging.pieces_per_pack if packaging else 1
    return Found(
        consumable=consumable,
        packaging=packaging,
        lot=known.number if known else scan.lot,
        expires_on=scan.expires_on or (known.expires_on if known else None),
        pieces_per_pack=per_pack,
        pieces=scan.pieces or per_pack * (scan.packs or 1),
        known_lot=known,
        possible_lots=() if known else scan.possible_lots,
        place=place,
        bin=bin,
        warnings=scan.warnings,
    )


@sensitive_variables("text")
def find_code(department: Department, text: str) -> Found | None:
    """The line with exactly this code, or the pack with exactly this barcode, which may follow no standard."""
    packs = Packaging.objects.filter(department=department).select_related("consumable")
    packaging = packs.filter(barcode=text).first() if text else None
    consumable = packaging.consumable if packaging else department.consumables.filter(code__iexact=text).first()
    if consumable is None:
        return None
    per_pack = packaging.pieces_per_pack if packaging else 1
    return Found(consumable, packaging, lot=None, expires_on=None, pieces_per_pack=per_pack, pieces=per_pack)


def packaging_of(department: Department, item: str) -> Packaging | None:
    """The pack with this item number, at whichever length or with whichever check character it was entered."""
    packs = Packaging.objects.filter(department=department).select_related("consumable__department")
    return packs.filter(barcode__in=spellings(item)).first()


def spellings(item: str) -> list[str]:
    """The forms in which a catalogue may hold an item number: without leading zeros, or with HIBC's check character."""
    if item.startswith("+"):
        return [item, *(item + sign for sign in _HIBC_CHECKS)]
    return [item] + [item[-length:] for length in GTIN_LENGTHS if item[:-length].strip("0") == ""]


def same_item_at_other_levels(department: Department, item: str) -> list[Packaging]:
    """Packs on record whose number differs only by packing level: GTIN-14's indicator digit, HIBC's last digit.

    GS1 General Specifications: the indicator 1 to 8 and a new check digit make the number of a larger pack from that
    of the item inside. Makers may also give each level a number of its own, which nothing here can tell.
    """
    packs = department.packagings.exclude(barcode="").select_related("consumable")
    if item.startswith("+"):
        alike = packs.filter(barcode__startswith=item[:-1])
        return [
            pack
            for pack in alike
            if len(pack.barcode) - len(item) in (0, 1) and pack.barcode[len(item) - 1].isdecimal()
        ]
    body = item[1:13]
    shortest = body.lstrip("0")
    alike = packs.filter(Q(barcode__contains=shortest)) if shortest else packs.none()
    return [pack for pack in alike if pack.barcode.isdecimal() and pack.barcode.zfill(14)[1:13] == body]


@transaction.atomic
def learn_pack(*, department: Department, item: str, consumable: Consumable, pieces_per_pack: int) -> Packaging:
    """Remember that the pack with this item number holds so many pieces of this line.

    Where the line already has packs of that size without a barcode, they get this one. Raises ValidationError, with
    words for who asked, where the number is none or belongs to another line.
    """
    if not is_item_number(item):
        raise ValidationError(_("This is no item number of GS1 or HIBC."))
    known = packaging_of(department, item)
    if known and (known.consumable_id, known.pieces_per_pack) == (consumable.pk, pieces_per_pack):
        return known
    if known:
        raise ValidationError(_("This barcode already belongs to a pack. Correct it under Set-up, Packs and barcodes."))
    without = consumable.packagings.filter(department=department, pieces_per_pack=pieces_per_pack, barcode="")
    pack = without.first() or Packaging(department=department, consumable=consumable, pieces_per_pack=pieces_per_pack)
    pack.barcode = item
    pack.full_clean()
    pack.save()
    return pack


def _known_lot(consumable: Consumable, scan: Scan) -> Lot | None:
    numbers = [scan.lot] if scan.lot else list(scan.possible_lots)
    if not numbers:
        return None
    known = {lot.number: lot for lot in Lot.objects.filter(consumable=consumable, number__in=numbers)}
    return next((known[number] for number in numbers if number in known), None)
