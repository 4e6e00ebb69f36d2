"""What a cell may hold: one small class per type, each reading a cell into a typed value.

A cell arrives as None, str, bool, int, float, date, datetime, time, or a `FaultyCell` from a
workbook. Text arrives stripped and never empty. `read` returns the value or raises `Unfit`.
"""

import re
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from typing import Protocol

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.barcodes import GTIN_LENGTHS, NotAGtin, normal_gtin
from inventory.importing.ways import ways
from inventory.scanning import holds_a_person

# Text such as 03/04/2026 is read only where the department says which of the two is the day.
DATE_ORDERS = {"dmy": gettext_lazy("day/month/year"), "mdy": gettext_lazy("month/day/year")}

# A spreadsheet keeps 15 significant digits of a number; the rest become zeros.
EXACT_DIGITS = 15

AS_TEXT = gettext_lazy("format the column as text and type the value again")

_SCIENTIFIC = re.compile(r"\d+([.,]\d+)?[eE]\+?\d+")
_DECIMAL = re.compile(r"[+-]?\d{1,15}(\.\d{1,15})?")
_WHOLE = re.compile(r"([+-]?\d{1,15})(\.0+)?")
_DAY_NUMBER = re.compile(r"\d{5}(\.\d+)?")
_ISO_DATE = re.compile(r"(\d{4}-\d{2}-\d{2})([T ]\d{2}:\d{2}(:\d{2})?)?")
_DAY_AND_MONTH = re.compile(r"(\d{1,2})([/.-])(\d{1,2})\2(\d{4})( \d{2}:\d{2}(:\d{2})?)?")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?|(\d{2})(\d{2})")


class Unfit(Exception):
    """A cell that does not hold what its column needs; the message completes "expected ...".

    keep_hidden: no error may repeat what the cell holds.
    """

    def __init__(self, expected: str, *, keep_hidden: bool = False) -> None:
        super().__init__(expected)
        self.keep_hidden = keep_hidden


@dataclass(frozen=True, slots=True)
class FaultyCell:
    """A workbook cell without a usable value, such as #REF!; both parts are phrases safe to show."""

    found: str
    expected: str


class ShownNumber(float):
    """A number whose cell shows it with zeros behind the point, such as 7.0; `shown` is what a person sees there."""

    shown: str

    def __new__(cls, number: float, shown: str) -> "ShownNumber":
        made = super().__new__(cls, number)
        made.shown = shown
        return made

    def __str__(self) -> str:
        return _as_typed(float(self))


class ValueType(Protocol):
    """How a column's cells are read, and how the column is laid out in a blank workbook."""

    describes: str

    def read(self, cell: object) -> object: ...


@dataclass(frozen=True, slots=True)
class Text:
    """Words on one line. Numbers are taken as they would be typed (7, 7.5), or as their cell shows them (7.0)."""

    longest: int = 200

    @property
    def describes(self) -> str:
        return _("text of at most %(longest)s characters") % {"longest": self.longest}

    def read(self, cell: object) -> str:
        typed = cell.shown if isinstance(cell, ShownNumber) else _as_typed(cell)
        text = " ".join(typed.split())
        if len(text) > self.longest or not text.isprintable():
            raise Unfit(self.describes)
        return text


@dataclass(frozen=True, slots=True)
class Code:
    """A short name that must come out exactly as it was typed, leading zeros included."""

    longest: int = 60

    @property
    def describes(self) -> str:
        return _("a code of at most %(longest)s characters on one line") % {"longest": self.longest}

    def read(self, cell: object) -> str:
        if isinstance(cell, float) and not cell.is_integer():
            raise Unfit(
                _("a code kept as text, because a number loses its last zeros: %(as_text)s") % {"as_text": AS_TEXT}
            )
        text = _as_typed(cell)
        if _SCIENTIFIC.fullmatch(text) and "+" in text:
            raise Unfit(_("a code, not a number that a spreadsheet shortened: %(as_text)s") % {"as_text": AS_TEXT})
        if len(text) > self.longest or not text.isprintable():
            raise Unfit(self.describes)
        return text


@dataclass(frozen=True, slots=True)
class LotNumber(Code):
    """A lot as the maker prints it. A hand scanner types wherever the cursor stands, so no refused text is repeated."""

    def read(self, cell: object) -> str:
        try:
            text = cell if isinstance(cell, str) and holds_a_person(cell) else Code.read(self, cell)
        except Unfit as unfit:
            raise Unfit(str(unfit), keep_hidden=isinstance(cell, str | int | float)) from None
        if holds_a_person(text):
            raise Unfit(
                _("the lot number that stands on the pack (this code is about a person and was refused)"),
                keep_hidden=True,
            )
        return text


@dataclass(frozen=True, slots=True)
class Barcode:
    """The code printed on the maker's pack: a GS1 item number, or another standard's text (HIBC)."""

    describes = gettext_lazy(
        "the pack's barcode: 8, 12, 13 or 14 digits with their check digit, or a code with letters"
    )

    def read(self, cell: object) -> str:
        text = Code().read(cell)
        if not text.isdigit():
            return text
        if len(text) not in GTIN_LENGTHS:
            raise Unfit(
                _("8, 12, 13 or 14 digits, not %(text)s: zeros in front may have been lost, so %(as_text)s")
                % {"text": len(text), "as_text": AS_TEXT}
            )
        try:
            normal_gtin(text)
        except NotAGtin:
            raise Unfit(
                _(
                    "a barcode whose check digit fits: the last digit does not fit the others: a digit is wrong, "
                    "missing or swapped"
                )
            ) from None
        return text


@dataclass(frozen=True, slots=True)
class Whole:
    """Whole pieces, days, months, places in an order."""

    at_least: int = 0
    at_most: int = 1_000_000

    @property
    def describes(self) -> str:
        return _("a whole number from %(at_least)s to %(at_most)s") % {
            "at_least": self.at_least,
            "at_most": self.at_most,
        }

    def read(self, cell: object) -> int:
        number = None
        if type(cell) is int:
            number = cell
        elif isinstance(cell, float) and cell.is_integer():
            number = int(cell)
        elif isinstance(cell, str) and (match := _WHOLE.fullmatch(cell)):
            number = int(match[1])
        if number is None or not self.at_least <= number <= self.at_most:
            raise Unfit(self.describes)
        return number


@dataclass(frozen=True, slots=True)
class Number:
    """A number with decimals, kept exactly as written so that loading a file twice changes nothing."""

    at_least: Decimal = Decimal(0)
    at_most: Decimal = Decimal(1_000_000)

    @property
    def describes(self) -> str:
        return _("a number from %(at_least)s to %(at_most)s, with a point before the decimals") % {
            "at_least": self.at_least,
            "at_most": self.at_most,
        }

    def read(self, cell: object) -> Decimal:
        number = None
        if isinstance(cell, int | float) and not isinstance(cell, bool):
            number = Decimal(repr(float(cell)) if isinstance(cell, ShownNumber) else repr(cell))
        elif isinstance(cell, str) and _DECIMAL.fullmatch(cell):
            number = Decimal(cell)
        if number is None or not self.at_least <= number <= self.at_most:
            raise Unfit(self.describes)
        return number


@dataclass(frozen=True, slots=True)
class Probability:
    """A share from 0 to 1."""

    describes = gettext_lazy("a probability from 0 to 1, such as 0.25 (not 25 and not 25%)")

    def read(self, cell: object) -> Decimal:
        try:
            return Number(at_most=Decimal(1)).read(cell)
        except Unfit:
            raise Unfit(self.describes) from None


@dataclass(frozen=True, slots=True)
class Date:
    """A day: a date cell, or text in the ISO 8601 form, which every country reads alike.

    `order`, one of DATE_ORDERS, is how the department writes its dates beside that.
    """

    earliest: date = date(2000, 1, 1)
    latest: date = date(2099, 12, 31)
    order: str | None = None

    @property
    def describes(self) -> str:
        if not self.order:
            return _("a date cell, or text such as 2026-03-04 (year-month-day)")
        return _("a date cell, or text such as 2026-03-04 (year-month-day or %(own)s)") % {
            "own": DATE_ORDERS[self.order]
        }

    def read(self, cell: object) -> date:
        if isinstance(cell, datetime):
            day = cell.date()
        elif isinstance(cell, date):
            day = cell
        elif isinstance(cell, str) and (match := _ISO_DATE.fullmatch(cell)):
            try:
                day = date.fromisoformat(match[1])
            except ValueError:
                raise Unfit(_("a day that exists in the calendar, written year-month-day")) from None
        elif type(cell) in (int, float, ShownNumber) or (isinstance(cell, str) and _DAY_NUMBER.fullmatch(cell)):
            raise Unfit(
                _("%(describes)s; a bare number may be a spreadsheet's day count, so format the column as a date")
                % {"describes": self.describes}
            )
        elif self.order and isinstance(cell, str) and (match := _DAY_AND_MONTH.fullmatch(cell)):
            first, second, year = int(match[1]), int(match[3]), int(match[4])
            month, day_of_month = (second, first) if self.order == "dmy" else (first, second)
            try:
                day = date(year, month, day_of_month)
            except ValueError:
                raise Unfit(
                    _("a day that exists in the calendar, written %(date_orders)s as you said")
                    % {"date_orders": DATE_ORDERS[self.order]}
                ) from None
        elif isinstance(cell, str) and re.match(r"\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}(\D|$)", cell):
            if self.order:
                raise Unfit(
                    _("a date with all four digits of its year, written %(date_orders)s")
                    % {"date_orders": DATE_ORDERS[self.order]}
                )
            raise Unfit(
                _("a date that can be read one way only: write it year-month-day, such as 2026-03-04, or %(way)s")
                % {"way": ways().date_order}
            )
        else:
            raise Unfit(self.describes)
        if not self.earliest <= day <= self.latest:
            raise Unfit(
                _(
                    "a date from %(earliest)s to %(latest)s: check the year, and whether the workbook counts its "
                    "days from 1904"
                )
                % {"earliest": self.earliest, "latest": self.latest}
            )
        return day


@dataclass(frozen=True, slots=True)
class Clock:
    """A time of day on the 24-hour clock."""

    describes = gettext_lazy("a time on the 24-hour clock, such as 08:30")

    def read(self, cell: object) -> time:
        if isinstance(cell, datetime):
            return cell.time()
        if isinstance(cell, time):
            return cell
        if isinstance(cell, str) and (match := _CLOCK.fullmatch(cell)):
            hour, minute, second = match[1] or match[4], match[2] or match[5], match[3] or 0
            try:
                return time(int(hour), int(minute), int(second))
            except ValueError:
                pass
        raise Unfit(self.describes)


@dataclass(frozen=True, slots=True)
class YesNo:
    """A yes or a no."""

    describes = gettext_lazy("yes or no")

    def read(self, cell: object) -> bool:
        if isinstance(cell, bool):
            return cell
        answer = str(cell).casefold()
        if answer in ("yes", "y", "sí", "si", "true", "1"):
            return True
        if answer in ("no", "n", "false", "0"):
            return False
        raise Unfit(self.describes)


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words; capitals, spaces, hyphens and underscores do not matter."""

    choices: tuple[str, ...]

    @property
    def describes(self) -> str:
        return _("one of %(choices)s") % {"choices": ", ".join(self.choices)}

    def read(self, cell: object) -> str:
        wanted = alike(_as_typed(cell))
        for choice in self.choices:
            if alike(choice) == wanted:
                return choice
        raise Unfit(self.describes)


@dataclass(frozen=True, slots=True)
class TextList:
    """Several codes or names in one cell, separated by semicolons; each is kept once, in order."""

    describes = gettext_lazy("one or more names separated by semicolons, such as first; second")

    def read(self, cell: object) -> tuple[str, ...]:
        parts = (Text().read(part) for part in _as_typed(cell).split(";") if part.strip())
        return tuple(dict.fromkeys(parts))


def alike(words: str) -> str:
    """Words as they are compared: without capitals and with one form of space, hyphen, underscore."""
    return "_".join(words.casefold().replace("-", " ").replace("_", " ").split())


def _as_typed(cell: object) -> str:
    """The text a person typed into a cell; a whole number comes back without a decimal point."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, date | time):
        raise Unfit(
            _("text; the spreadsheet turned what was typed into a date or time: %(as_text)s") % {"as_text": AS_TEXT}
        )
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, int | float):
        if abs(cell) >= 10**EXACT_DIGITS:
            raise Unfit(
                _("text; a spreadsheet keeps only %(exact_digits)s digits of a number: %(as_text)s")
                % {"exact_digits": EXACT_DIGITS, "as_text": AS_TEXT}
            )
        return str(int(cell)) if float(cell).is_integer() else repr(cell)
    raise TypeError(f"A cell cannot hold {type(cell).__name__}.")
