"""Which day is meant, as people say it, beside how old a count is (restock.ages)."""

from __future__ import annotations

from datetime import date, timedelta

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from restock.ages import age_words, counted_words, counts_words, seconds_words

__all__ = ["age_words", "counted_words", "counts_words", "day_words", "seconds_words"]


def day_words(day: date, today: date) -> str:
    """The day as people call it: today, tomorrow, or its weekday and date."""
    if day == today:
        return _("today")
    if day == today + timedelta(days=1):
        return _("tomorrow")
    return date_format(day, _("l j F"))
