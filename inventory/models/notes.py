"""Free text that staff may leave: about stock, never about a person who is treated."""

import re

from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

NUMBER = re.compile(r"\d(?:[ ./-]?\d){4,}")  # a record or telephone number, and any date with its year


def about_stock_only(text: str) -> None:
    """Refuse what looks like a number of a person or a date. Raises ValidationError; the text is not repeated."""
    if NUMBER.search(text):
        raise ValidationError(
            _("Leave out dates and numbers of five digits or more: a note is about stock, never about a person.")
        )
