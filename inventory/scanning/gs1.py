"""GS1 element strings, as scanned and as printed, and GS1 Digital Links.

biip knows the application identifiers and the form of their values. What it leaves open is decided here: a wrong check
digit, a separator that a scanner left out, elements that may not stand beside each other, and what is about a person.
Rules: GS1 General Specifications; machine-readable in github.com/gs1/gs1-syntax-dictionary.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from biip import ParseConfig, ParseError
from biip.gs1_digital_link_uris import GS1DigitalLinkURI
from biip.gs1_element_strings import GS1ElementString

from ..barcodes import check_digit
from . import words
from .dates import from_yymmdd
from .people import PERSON_AIS, begins_with_a_person, holds_a_glued_person
from .scan import PersonCode, Scan, Unreadable

# FNC1 as scanners send it: character 29, or a sign that no GS1 value may hold. 0x1D shows as an arrow in code page 437.
SEPARATORS = ("\x1d", "\x1e", "\x1f", "␝", "↔", "|", "~", "^", " ")
_CONFIG = ParseConfig(separator_chars=SEPARATORS)
_SPELT_OUT = re.compile(r"<GS>|<FNC1>|\{GS\}|\{FNC1\}|\[GS\]|\[FNC1\]|\^\]|\\x1d|\\u001d|\\F", re.IGNORECASE)
_BRACKETED = re.compile(r"[({]\s*(\d{2,4})\s*[)}]([^({]+)")
# Healthcare packs made since then must give the day (GSCN 21-040, notices of gs1uk.org and gs1.se).
REAL_DAY_SINCE = date(2025, 1, 1)

# ISO 3166-1 numeric codes, which (422) gives as the country of origin, lie within these; 900 to 999 are anybody's own.
COUNTRY_CODES = range(4, 900)

# What may have been glued to a lot: dates, a serial number, a count, another number of the maker's. Only one that
# nothing else in the scan already gives. A count of more than three digits is taken to be part of the lot.
_DAY = r"\d{2}(?:0[1-9]|1[0-2])(?:[0-2]\d|3[01])"
_SWALLOWED = {"11": _DAY, "17": _DAY, "21": ".+", "240": ".+", "30": r"[1-9]\d{0,2}"}


@dataclass(frozen=True)
class _Element:
    ai: str
    value: str
    separated: bool  # a separator, a bracket or a slash says where it ends


def read_elements(text: str, today: date) -> Scan:
    """An element string as a scanner sends it. Raises PersonCode or Unreadable."""
    rest = spelt_out_separators_replaced(text)
    elements = []
    while rest := rest.lstrip("".join(SEPARATORS)):
        element = _first_element(rest)
        rest = rest[len(element) :]
        separated = rest.startswith(SEPARATORS)
        if rest and element.ai.separator_required and not separated:
            if holds_a_glued_person(element.value + rest):
                raise PersonCode
            raise Unreadable(words.GLUED)
        elements.append(_Element(element.ai.ai, element.value, separated))
    return _scan_of(elements, today)


def read_bracketed(text: str, today: date) -> Scan:
    """What is printed beside a code: (01)...(17)...; early FDA examples print braces.

    Raises PersonCode or Unreadable.
    """
    printed = "".join(text.split())
    parts = list(_BRACKETED.finditer(printed))
    if "".join(part[0] for part in parts) != printed:
        raise Unreadable(words.DAMAGED)
    return _scan_of([_element(part[1], part[2]) for part in parts], today)


def read_link(text: str, today: date) -> Scan:
    """A GS1 Digital Link URI (GS1 Digital Link Standard: URI Syntax). Raises Unreadable."""
    try:
        link = GS1DigitalLinkURI.parse(text)
    except ParseError as problem:
        # biip tells by its words alone whether this is no product at all or one in another order.
        out_of_order = "qualifier" in str(problem)
        raise Unreadable(words.LINK_ORDER if out_of_order else words.OTHER_LINK) from None
    except ValueError:  # an address that no browser would open either
        raise Unreadable(words.OTHER_LINK) from None
    return _scan_of([_Element(part.ai.ai, part.value, True) for part in link.element_strings], today)


def spelt_out_separators_replaced(text: str) -> str:
    """The text with one separator character wherever a scanner or a person wrote one out, such as <GS>."""
    return _SPELT_OUT.sub("\x1d", text)


def _first_element(rest: str) -> GS1ElementString:
    if begins_with_a_person(rest):
        raise PersonCode
    try:
        element = GS1ElementString.extract(rest, config=_CONFIG)
    except ParseError:
        if holds_a_glued_person(rest):
            raise PersonCode from None
        raise Unreadable(words.BAD_DATE if rest[:2] in ("11", "17") else words.DAMAGED) from None
    if element.ai.ai in PERSON_AIS:
        raise PersonCode
    return element


def _element(ai: str, value: str) -> _Element:
    if ai in PERSON_AIS:
        raise PersonCode
    try:
        parsed = GS1ElementString.parse(ai + value, config=_CONFIG)
    except ParseError:
        raise Unreadable(words.BAD_DATE if ai in ("11", "17") else words.DAMAGED) from None
    if parsed.ai.ai != ai:  # digits in the brackets that are no identifier, but begin like one
        raise Unreadable(words.DAMAGED)
    return _Element(ai, parsed.value, True)


def _scan_of(elements: list[_Element], today: date) -> Scan:
    if any(element.ai in PERSON_AIS or holds_a_glued_person(element.value) for element in elements):
        raise PersonCode
    said: dict[str, str] = {}
    for element in elements:
        if said.setdefault(element.ai, element.value) != element.value:
            raise Unreadable(words.SAID_TWICE)
    if "422" in said and int(said["422"]) not in COUNTRY_CODES:
        raise Unreadable(words.DAMAGED)
    warnings = []
    item, packs = _item_and_packs(said, warnings)
    expires_on = _expiry(said, today, warnings)
    lot, possible_lots = said.get("10"), ()
    if lot and not any(element.separated for element in elements):
        possible_lots = _readings(lot, said)
    if possible_lots:
        warnings.append(words.LOT_IN_DOUBT)
        lot = None
    if not (item or lot or possible_lots or expires_on):
        raise Unreadable(words.DELIVERY_UNIT if "00" in said else words.NO_STOCK)
    return Scan(
        item=item,
        lot=lot,
        expires_on=expires_on,
        pieces=int(said["30"]) if said.get("30") else None,
        packs=packs,
        possible_lots=possible_lots,
        warnings=tuple(warnings),
    )


def _item_and_packs(said: dict[str, str], warnings: list[str]) -> tuple[str | None, int | None]:
    if "01" in said and ("02" in said or "37" in said):
        raise Unreadable(words.COUNT_WITHOUT_CONTENT if "37" in said else words.SAID_TWICE)
    if ("37" in said) != ("02" in said):
        raise Unreadable(words.COUNT_WITHOUT_CONTENT)
    if "00" in said and not _fits_check_digit(said["00"]):
        raise Unreadable(words.UNIT_CHECK_DIGIT)
    item = said.get("01") or said.get("02")
    if item and not _fits_check_digit(item):
        raise Unreadable(words.CHECK_DIGIT)
    if "37" in said and "00" not in said:
        warnings.append(words.CONTENT_WITHOUT_UNIT)
    return item, int(said["37"]) if "37" in said else None


def _fits_check_digit(number: str) -> bool:
    return check_digit(number[:-1]) == number[-1]


def _expiry(said: dict[str, str], today: date, warnings: list[str]) -> date | None:
    made_on = from_yymmdd(said["11"], today)[0] if "11" in said else None
    if "17" not in said:
        # 7003 is the expiry to the minute, for what does not last a day; the day is what counts here.
        return from_yymmdd(said["7003"][:6], today)[0] if "7003" in said else None
    expires_on, day_given = from_yymmdd(said["17"], today)
    if not day_given and (made_on is None or made_on >= REAL_DAY_SINCE):
        warnings.append(words.DAY_UNKNOWN)
    return expires_on


def _readings(lot: str, said: Iterable[str]) -> tuple[str, ...]:
    """The lots that a string without separators can mean, the longest first; empty where it can mean one only."""
    tails = "|".join(f"{ai}{form}" for ai, form in _SWALLOWED.items() if ai not in said)
    shorter = [lot[:end] for end in range(len(lot) - 1, 0, -1) if re.fullmatch(f"(?:{tails})+", lot[end:])]
    return (lot, *shorter) if shorter else ()
