"""What a log's form sends, checked: pieces by line, a key, and how long it waited on a device."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext as _

from inventory.models import Department
from restock.cases.case_log import Opened
from restock.models import CaseLog

from .many import ManyField

_PIECES = re.compile(r"^(used|unused)-(\d{1,18})$")
MOST_PIECES = 999
LONGEST_NUMBER = 10  # digits that are read at all
KEY_LENGTH = CaseLog._meta.get_field("key").max_length


class SentForm(forms.Form):
    """What every entry carries that may have waited on a device.

    `waited_seconds` is told by the device's own clock, which need not be right: only the difference is used.
    """

    key = forms.RegexField(r"^[A-Za-z0-9-]+$", min_length=8, max_length=KEY_LENGTH, strip=True)
    waited_seconds = forms.FloatField(required=False, min_value=0, max_value=timedelta(days=7).total_seconds())

    def entered_at(self, now: datetime) -> datetime:
        return now - timedelta(seconds=self.cleaned_data["waited_seconds"] or 0)


@dataclass(frozen=True)
class Sent:
    """A log as it was sent."""

    key: str
    at: datetime
    lines: list[Opened]
    in_addition: bool


def read_log(posted: QueryDict, *, department: Department, now: datetime) -> Sent:
    """Raises ValidationError, with words for who sent it, where a number or a line cannot be."""
    form = SentForm(posted)
    if not form.is_valid():
        raise forms.ValidationError(_("This entry is not complete. Open the page again and log the case once more."))
    pieces: dict[int, dict[str, int]] = {}
    for name, value in posted.items():
        if (field := _PIECES.match(name)) and value.strip():
            pieces.setdefault(int(field[2]), {})[field[1]] = _number(value)
    pieces = {line: told for line, told in pieces.items() if any(told.values())}
    lines = department.consumables.in_bulk(pieces)
    if len(lines) < len(pieces):
        raise forms.ValidationError(_("A line of this entry is not in the catalogue any more."))
    return Sent(
        key=form.cleaned_data["key"],
        at=form.entered_at(now),
        lines=[Opened(lines[pk], told.get("used", 0), told.get("unused", 0)) for pk, told in pieces.items()],
        in_addition=posted.get("in_addition") == "1",
    )


def _number(value: str) -> int:
    value = value.strip()
    if not value.isdecimal() or len(value) > LONGEST_NUMBER or int(value) > MOST_PIECES:
        raise forms.ValidationError(_("Pieces are whole numbers from 0 to %(most)d.") % {"most": MOST_PIECES})
    return int(value)


class AddCaseForm(SentForm):
    """A case that is on no list: what it is, how big the person is in the department's classes, what was booked."""

    case_type = forms.ModelChoiceField(queryset=None)
    size_class = forms.ModelChoiceField(queryset=None)
    extras = ManyField(queryset=None, required=False)

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["case_type"].queryset = department.case_types.all()
        self.fields["size_class"].queryset = department.size_classes.all()
        self.fields["extras"].queryset = department.extras.all()


class BorrowForm(SentForm):
    """Pieces of one line that were taken from one place."""

    consumable = forms.ModelChoiceField(queryset=None)
    source = forms.ModelChoiceField(queryset=None)
    quantity = forms.IntegerField(min_value=1, max_value=MOST_PIECES)

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["consumable"].queryset = department.consumables.all()
        self.fields["source"].queryset = department.places.physical()
