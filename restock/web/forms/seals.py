"""What people type about a seal, and in the check of an opened cart."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext_lazy as _

from inventory.models import Place
from inventory.models.notes import about_stock_only
from inventory.seals import LineCheck, Unclear, unclear

from .days import DayField
from .recalls import MOST_PIECES, KeyForm


class OpenForm(KeyForm):
    """A seal that came off: broken on purpose, or found so."""

    seal_off = forms.CharField(label=_("Number of the seal that came off"), max_length=40, required=False)
    note = forms.CharField(label=_("Why"), max_length=200, required=False, validators=[about_stock_only])


class CloseForm(KeyForm):
    """A cart that was checked and closed. Nothing is filled in: the person who closes it writes what is on the cart."""

    seal_on = forms.CharField(label=_("Number of the new seal"), max_length=40)
    earliest_expires_on = DayField(_("Earliest date, as you wrote it on the outside"), required=False)
    note = forms.CharField(label=_("Remark"), max_length=200, required=False, validators=[about_stock_only])


class KeepForm(forms.Form):
    """A cart that is kept under a seal from now on."""

    place = forms.ModelChoiceField(label=_("Cart"), queryset=Place.objects.none(), empty_label=_("choose a cart"))

    def __init__(self, *args, department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["place"].queryset = department.places.carts().filter(sealed=False)


SEEN = "seen"  # stands for `counted` or `present`, whichever the line asks for
UNCLEAR = {
    Unclear.NOT_SEEN: (SEEN, _("Say what you saw: 0 or no where there is none.")),
    Unclear.DATE_OF_NONE: ("earliest", _("None is there, so there is no date to read.")),
    Unclear.DATE_AND_UNDATED: ("undated", _("There is a date beside it: leave this empty.")),
    Unclear.NO_DATE: ("earliest", _("Read the earliest date, or say that none is printed.")),
}


class LineForm(forms.Form):
    """What was seen of one line. `fields` are named by the line, so that many stand in one form on the page."""

    counted = forms.IntegerField(label=_("Counted"), min_value=0, max_value=MOST_PIECES, required=False)
    present = forms.TypedChoiceField(
        label=_("There?"),
        choices=[("", "–"), ("yes", _("yes")), ("no", _("no"))],
        coerce=lambda said: said == "yes",
        empty_value=None,
        required=False,
    )
    earliest = DayField(_("Earliest date printed"), required=False)
    undated = forms.BooleanField(label=_("No date on them"), required=False)

    def __init__(self, *args, check: LineCheck, **kwargs) -> None:
        super().__init__(*args, prefix=f"line{check.line.pk}", **kwargs)
        self.presence_only = check.presence_only
        self.seen = "present" if self.presence_only else "counted"
        del self.fields["counted" if self.presence_only else "present"]

    def clean(self) -> dict:
        told = super().clean()
        if not self.errors:
            wrong = unclear(seen=told[self.seen], earliest=told["earliest"], undated=told["undated"])
            if wrong:
                name, words = UNCLEAR[wrong]
                self.add_error(self.seen if name == SEEN else name, words)
        return told

    @property
    def is_empty(self) -> bool:
        """Whether nothing was told of the line."""
        seen = self[self.seen].value()
        return seen in (None, "") and not self["earliest"].value()


@dataclass(frozen=True)
class CheckRow:
    """One line of the check as the page shows it. own: the person who looks at the page has checked it."""

    check: LineCheck
    form: LineForm
    own: bool

    @property
    def refused(self) -> bool:
        return bool(self.form.is_bound and self.form.errors)


def check_rows(checks: Iterable[LineCheck], by, posted: QueryDict | None = None) -> list[CheckRow]:
    """A row for each line; those for which something was posted are bound."""
    rows = []
    for check in checks:
        form = LineForm(posted, check=check) if posted else LineForm(check=check)
        if posted and form.is_empty:
            form = LineForm(check=check)
        rows.append(CheckRow(check, form, own=check.is_checked and check.by == by))
    return rows
