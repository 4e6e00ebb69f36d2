"""Dates in codes: two-digit years, months without a day, and days of the year."""

from __future__ import annotations

import calendar
from datetime import date, timedelta

from . import words
from .scan import Unreadable


def full_year(two_digits: int, today: date) -> int:
    """The year that a code means. GS1 General Specifications 7.12, "Determination of century in dates": the year that
    lies nearest, 49 years ahead at most and 50 back. HIBC names no rule of its own; the same one is taken."""
    year = today.year - today.year % 100 + two_digits
    if two_digits - today.year % 100 >= 51:
        return year - 100
    if two_digits - today.year % 100 <= -50:
        return year + 100
    return year


def from_yymmdd(text: str, today: date) -> tuple[date, bool]:
    """The date of six digits YYMMDD, and whether its day was given: day 00 is the last day of the month.

    GS1 General Specifications, AI 17. Raises Unreadable for what is no date.
    """
    year, month, day = full_year(int(text[:2]), today), int(text[2:4]), int(text[4:6])
    if day == 0 and 1 <= month <= 12:
        return month_end(year, month), False
    return real_date(year, month, day), True


def from_yyjjj(text: str, today: date) -> date:
    """The date of five digits: a year and a day of that year. Raises Unreadable for what is no date."""
    year, day_of_year = full_year(int(text[:2]), today), int(text[2:5])
    found = real_date(year, 1, 1) + timedelta(days=day_of_year - 1)
    if day_of_year == 0 or found.year != year:
        raise Unreadable(words.BAD_DATE)
    return found


def month_end(year: int, month: int) -> date:
    """The last day of a month: a use-by month runs to its end (ISO 15223-1, 5.1.4). Raises Unreadable."""
    if not 1 <= month <= 12:
        raise Unreadable(words.BAD_DATE)
    return date(year, month, calendar.monthrange(year, month)[1])


def real_date(year: int, month: int, day: int) -> date:
    """Raises Unreadable for a day that no calendar has."""
    try:
        return date(year, month, day)
    except ValueError:
        raise Unreadable(words.BAD_DATE) from None
