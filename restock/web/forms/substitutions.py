"""What people type about a substitution, checked."""

from __future__ import annotations

from datetime import date

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models.notes import about_stock_only
from restock.stock_life.substitutions import Differences

from .days import DayField

KINDS = ("size", "connector", "latex", "single_use")


class CardForm(forms.Form):
    """A card as it is proposed. What the catalogue says to differ is ticked, and cannot be unticked."""

    in_words = forms.CharField(
        label=_("What differs, in words for who picks it up"), max_length=200, validators=[about_stock_only]
    )
    size = forms.BooleanField(label=_("Differs in size"), required=False)
    connector = forms.BooleanField(label=_("Differs in its connector"), required=False)
    latex = forms.BooleanField(label=_("Differs in latex"), required=False)
    single_use = forms.BooleanField(label=_("Differs in how often it is used"), required=False)
    why = forms.CharField(label=_("Why it is needed"), max_length=120, required=False, validators=[about_stock_only])
    until = DayField(_("Last day on which it may stand in"))

    def __init__(self, *args, found: Differences, today: date, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
        for kind in KINDS:
            if getattr(found, kind):
                self.fields[kind].disabled = True
                self.initial[kind] = True
        self.initial.setdefault("in_words", "; ".join(found.words))

    def clean_until(self) -> date:
        day = self.cleaned_data["until"]
        if day < self.today:
            raise forms.ValidationError(_("This day has passed: choose today or a later day."))
        return day

    @property
    def marked(self) -> set[str]:
        return {kind for kind in KINDS if self.cleaned_data[kind]}


class EndingForm(forms.Form):
    """Why a card is refused, withdrawn or ended."""

    note = forms.CharField(max_length=120, required=False, validators=[about_stock_only])
