"""Find a line by what a person types or a scanner sends."""

from __future__ import annotations

import re

from django.db.models import Q

from inventory.barcodes import NotAGtin, normal_gtin
from inventory.models import Consumable, Department

FOUND_AT_MOST = 30
# ISO/IEC 15424 symbology identifier, which many scanners send first, then GS1 application identifier 01.
_ITEM_NUMBER = re.compile(r"^(?:\][A-Za-z]\d)?\(?01\)?(\d{14})")


def scanned_item(typed: str) -> str:
    """The item number in a scan, in its 14-digit form, or what was typed as it is."""
    in_scan = _ITEM_NUMBER.match(typed)
    digits = in_scan[1] if in_scan else typed
    try:
        return normal_gtin(digits)
    except NotAGtin:
        return typed


def find_lines(department: Department, typed: str) -> list[Consumable]:
    """Lines with this barcode or code, or else those whose names hold every word that was typed."""
    typed = typed.strip()
    if not typed:
        return []
    lines = department.consumables.order_by("section", "code")
    barcodes = {typed, scanned_item(typed)}
    exact = lines.filter(Q(code__iexact=typed) | Q(packagings__barcode__in=barcodes)).distinct()
    if found := list(exact[:FOUND_AT_MOST]):
        return found
    for word in typed.split():
        lines = lines.filter(Q(name__icontains=word) | Q(size__icontains=word) | Q(code__icontains=word))
    return list(lines[:FOUND_AT_MOST])
