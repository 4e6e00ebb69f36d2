"""A day of the calendar."""

from __future__ import annotations

from datetime import date

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

FIRST_YEAR, LAST_YEAR = 2000, 2099  # of what a department plans, counts or reads on a pack


class DayField(forms.DateField):
    """A day of this century, chosen in the browser's own calendar."""

    default_error_messages = {"year": _("Read the year again.")}

    def __init__(self, label: str, *, required: bool = True) -> None:
        # Browsers take and give the value of a date field in ISO 8601 only, whatever the language.
        widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
        super().__init__(label=label, required=required, widget=widget)

    def to_python(self, value: object) -> date | None:
        day = super().to_python(value)
        if day and not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise ValidationError(self.error_messages["year"], code="year")
        return day
