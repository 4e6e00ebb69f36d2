"""HIBC supplier labels (ANSI/HIBC 2, Health Industry Bar Code Supplier Labeling Standard).

No maintained library reads them, so this small reader does: a primary code with labeller, item and packing level, a
secondary one with expiry, lot and quantity, or both in one. The forms of the date follow the standard as its examples
are repeated in public parsers; the standard itself was not at hand. Quantity as pieces in the pack is from memory.
"""

from __future__ import annotations

import re
from datetime import date

from . import words
from .dates import from_yyjjj, from_yymmdd, full_year, month_end, real_date
from .scan import Scan, Unreadable

# Modulo 43: each character counts its place here; the check character is the remainder of the sum (ANSI/HIBC 2).
ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"

_PRIMARY = re.compile(r"\+[A-Z][A-Z0-9]{3}[A-Z0-9]{1,18}[0-9]")
_QUANTITY = re.compile(r"8(\d{2})|9(\d{5})")
# How many digits the date after each flag has; without a flag it is MMYY, whose month begins with 0 or 1.
_DATE_DIGITS = {"2": 6, "3": 6, "4": 8, "5": 5, "6": 7, "7": 0}


def check_character(body: str) -> str:
    """The check character of a code given without it. Raises ValueError for a sign that HIBC does not have."""
    return ALPHABET[sum(ALPHABET.index(sign) for sign in body) % len(ALPHABET)]


def is_primary(text: str) -> bool:
    """Whether this is an item of HIBC as `Scan.item` gives it: a primary code without its check character."""
    return bool(_PRIMARY.fullmatch(text))


def read_hibc(text: str, today: date) -> Scan:
    """A primary, a secondary or a combined code, its first sign a plus. Raises Unreadable.

    A check character that does not fit is a warning, since such labels exist; the lot is then for a person to confirm.
    """
    code = text.strip("*")
    if any(sign not in ALPHABET for sign in code) or len(code) < 3:
        raise Unreadable(words.HIBC_FORM)
    # Space is one of the 43 check characters, and typing fields lose it at the end.
    fits = check_character(code[:-1]) == code[-1]
    if not fits and check_character(code) == " ":
        code, fits = code + " ", True
    body = code[:-1]
    primary, *fields = body.split("/")
    if _PRIMARY.fullmatch(primary):
        item = primary
    elif re.match(r"\+(\$|\d{5})", primary):
        item = None
        # The sign before the check character links this code to its primary one, whose check character it repeats.
        fields = [primary[1:-1], *fields] if not fields else [primary[1:], *fields]
    else:
        raise Unreadable(words.HIBC_FORM)
    lot, expires_on, quantity = _secondary(fields, today)
    if not (item or lot or expires_on):
        raise Unreadable(words.HIBC_FORM)
    return Scan(
        item=item,
        lot=lot if fits else None,
        expires_on=expires_on,
        pieces=quantity,
        possible_lots=() if fits or not lot else (lot,),
        warnings=() if fits else (words.HIBC_CHECK,),
    )


def _secondary(fields: list[str], today: date) -> tuple[str | None, date | None, int | None]:
    """(lot, last day, quantity) of a secondary code's fields; serial numbers are dropped."""
    lot = expires_on = quantity = None
    for field in fields:
        if field.startswith("$$"):
            is_serial = field.startswith("$$+")
            said_quantity, rest = _quantity(field.removeprefix("$$").removeprefix("+"))
            expires_on, rest = _flagged_date(rest, today)
            quantity = quantity or said_quantity
            lot = lot if is_serial else rest or lot
        elif field.startswith("$"):
            lot = lot if field.startswith("$+") else field[1:] or lot
        elif field.startswith("14D"):
            expires_on = _eight_digits(field[3:])
        elif field.startswith("16D"):
            _eight_digits(field[3:])
        elif field.startswith("Q") and field[1:].isdecimal():
            quantity = int(field[1:])
        elif re.match(r"\d{5}", field):
            expires_on, lot = from_yyjjj(field[:5], today), field[5:] or lot
        elif not field.startswith("S"):
            raise Unreadable(words.HIBC_FORM)
    return lot, expires_on, quantity


def _quantity(text: str) -> tuple[int | None, str]:
    if found := _QUANTITY.match(text):
        return int(found[1] or found[2]), text[found.end() :]
    return None, text


def _flagged_date(text: str, today: date) -> tuple[date | None, str]:
    flag = text[:1]
    if flag in ("0", "1"):
        digits, rest = text[:4], text[4:]
    elif flag in _DATE_DIGITS:
        length = _DATE_DIGITS[flag]
        digits, rest = text[1 : 1 + length], text[1 + length :]
        if len(digits) < length:
            raise Unreadable(words.HIBC_FORM)
    else:
        return None, text
    if digits and not digits.isdecimal():
        raise Unreadable(words.BAD_DATE)
    match flag:
        case "7":
            return None, rest
        case "2":
            return from_yymmdd(digits[4:6] + digits[:4], today)[0], rest
        case "3" | "4":
            return from_yymmdd(digits[:6], today)[0], rest
        case "5" | "6":
            return from_yyjjj(digits[:5], today), rest
    if len(digits) < 4:
        raise Unreadable(words.HIBC_FORM)
    return month_end(full_year(int(digits[2:4]), today), int(digits[:2])), rest


def _eight_digits(text: str) -> date:
    if len(text) != 8 or not text.isdecimal():
        raise Unreadable(words.BAD_DATE)
    return real_date(int(text[:4]), int(text[4:6]), int(text[6:8]))
