"""Tell which kind of code was scanned, and have it read."""

from __future__ import annotations

import re
from datetime import date

from ..barcodes import GTIN_LENGTHS, NotAGtin, normal_gtin
from . import words
from .gs1 import read_bracketed, read_elements, read_link
from .hibc import is_primary, read_hibc
from .labels import is_own_label, read_own_label
from .people import begins_with_a_person, holds_a_glued_person, is_about_a_person
from .scan import PersonCode, Scan, Unreadable

MOST_CHARACTERS = 600
SHORTEST_HIDDEN = 12  # of a code of a pack that a person's number can stand behind
# ISO/IEC 15424: a bracket, the letter of the symbology and a modifier, which many scanners send first.
_SYMBOLOGY = re.compile(r"\]([A-Za-z])([0-9A-Za-z])")
_ELEMENT_STRINGS = {"]C1", "]e0", "]d2", "]Q3", "]J1"}
_WITH_CAPS_LOCK = {"]c1", "]D2", "]q3"}
_LOOKS_SCANNED = re.compile(
    r"^[\]+=&*(@{\\]|^\S+:|://|^9?1?EVENFILL|\d{5}|[\x1c-\x1f␝↔|~^]|<GS>|\{GS\}|<<", re.IGNORECASE
)


def looks_scanned(text: str) -> bool:
    """Whether a text that may be words for a search could be a scan, or hold anybody's number.

    Such a text belongs into no address, list or log: five digits in a row are enough to be somebody's.
    """
    return bool(_LOOKS_SCANNED.search(text.strip()))


def holds_a_person(text: str) -> bool:
    """Whether a text that was typed or scanned into any field is a code about a person.

    Narrower than what a scan box refuses: a number, a lot or a seal may well begin with 725. Scanners send the
    recipient's number with what follows, which tells such codes apart.
    """
    symbology = _SYMBOLOGY.match(text)
    code = (text[symbology.end() :] if symbology else text).strip()
    if is_about_a_person(code) or holds_a_glued_person(code):
        return True
    if len(code) < SHORTEST_HIDDEN or code.startswith("725"):
        return False
    try:
        read_scan(text, today=date(2000, 1, 1))
    except PersonCode:
        return True
    except Unreadable:
        return False
    return False


def is_item_number(text: str) -> bool:
    """Whether this is an item as `Scan.item` gives it: a 14-digit GTIN whose check digit fits, or HIBC's."""
    try:
        return is_primary(text) or normal_gtin(text) == text
    except NotAGtin:
        return False


def read_scan(text: str, *, today: date) -> Scan:
    """What the scanned or typed text of one code says about stock.

    today: the department's date, which decides the century of two-digit years.
    Raises PersonCode for anything about a person, whole, and Unreadable for anything else that is no code of a pack or
    does not hold together. Neither repeats any part of the text.
    """
    text = text.strip("\r\n\t \x00")
    symbology = _SYMBOLOGY.match(text)
    # FNC1 in first position, which some scanners send as a separator.
    code = (text[symbology.end() :] if symbology else text).lstrip("\x1d")
    if is_about_a_person(code):
        raise PersonCode
    if not code:
        raise Unreadable(words.EMPTY)
    if len(code) > MOST_CHARACTERS:
        raise Unreadable(words.TOO_LONG)
    if symbology and symbology[0] in _WITH_CAPS_LOCK:
        raise Unreadable(words.CAPS_LOCK)
    return _read(code, symbology[0] if symbology else "", today)


def _read(code: str, symbology: str, today: date) -> Scan:
    if is_own_label(code):
        return read_own_label(code)
    if code[:4].lower() == "http":
        return read_link(code, today)
    if code.startswith(("+", "*+")):
        return read_hibc(code, today)
    if code.startswith(("=", "&")):
        raise Unreadable(words.TISSUE)
    if code.startswith(("(", "{")):
        return read_bracketed(code, today)
    if symbology not in _ELEMENT_STRINGS and code.isascii() and code.isdecimal() and len(code) in GTIN_LENGTHS:
        return _item_number(code)
    if begins_with_a_person(code):
        raise PersonCode
    if code[:2].isdecimal():
        return read_elements(code, today)
    raise Unreadable(words.NOT_A_CODE)


def _item_number(digits: str) -> Scan:
    try:
        return Scan(item=normal_gtin(digits))
    except NotAGtin:
        raise Unreadable(words.CHECK_DIGIT) from None
