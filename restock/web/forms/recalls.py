"""What people type about a recall, checked."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Consumable, Place, Recall
from inventory.models.notes import about_stock_only
from inventory.recalls import Candidate

from ..form_words import CHOOSE

MOST_PIECES = 99999


class KeyForm(forms.Form):
    """A key made with the form, so that a form sent twice acts once."""

    key = forms.RegexField(r"^[A-Za-z0-9-]{8,40}$", widget=forms.HiddenInput)


class RecallForm(forms.Form):
    """A notice about one line, and which of its lots it means."""

    notice = forms.CharField(label=_("Number or title of the notice"), max_length=120)
    recall_class = forms.ChoiceField(
        label=_("Class (21 CFR 7.3)"),
        choices=[
            (Recall.Class.NOT_STATED, _("not stated")),
            (Recall.Class.I, _("I: may cause death or serious harm")),
            (Recall.Class.II, _("II: may cause harm that passes, or serious harm is remote")),
            (Recall.Class.III, _("III: not likely to cause harm")),
        ],
        required=False,
    )
    instruction = forms.CharField(
        label=_("What the notice asks for"), max_length=200, required=False, validators=[about_stock_only]
    )
    all_lots = forms.BooleanField(label=_("The whole line, whatever its lot"), required=False)
    lot_from = forms.CharField(label=_("First lot of a range"), max_length=60, required=False)
    lot_to = forms.CharField(label=_("Last lot of the range"), max_length=60, required=False)
    others = forms.CharField(
        label=_("Lots that are not on record here"),
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text=_("One on each line. A pack of such a lot is held when it comes in."),
    )
    barcode = forms.CharField(max_length=80, required=False, widget=forms.HiddenInput)
    drill = forms.BooleanField(label=_("A drill: nothing is put out of reach and no stock moves"), required=False)

    def __init__(self, *args, consumable: Consumable, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.consumable = consumable

    def clean_others(self) -> list[str]:
        return [line.strip() for line in self.cleaned_data["others"].splitlines() if line.strip()]


def not_judged(candidates: list[Candidate]) -> list[Candidate]:
    """Lots whose number cannot be compared with the range: a person has to look at each."""
    return [one for one in candidates if one.within is None]


class AnswerForm(KeyForm):
    """What was found at a place. Empty figures are 0; what is neither returned nor destroyed stays put aside."""

    recall_place = forms.IntegerField(widget=forms.HiddenInput)
    found = forms.IntegerField(label=_("Found"), min_value=0, max_value=MOST_PIECES)
    returned = forms.IntegerField(label=_("Sent back"), min_value=0, max_value=MOST_PIECES, required=False)
    destroyed = forms.IntegerField(label=_("Destroyed"), min_value=0, max_value=MOST_PIECES, required=False)
    note = forms.CharField(label=_("Remark"), max_length=200, required=False, validators=[about_stock_only])

    def clean_returned(self) -> int:
        return self.cleaned_data["returned"] or 0

    def clean_destroyed(self) -> int:
        return self.cleaned_data["destroyed"] or 0


class EndForm(forms.Form):
    """The closing signature, or the notice withdrawn."""

    note = forms.CharField(label=_("Remark"), max_length=200, required=False, validators=[about_stock_only])


class PlaceForm(forms.Form):
    """A further place to search."""

    place = forms.ModelChoiceField(
        label=_("Another place to search"), queryset=Place.objects.none(), empty_label=CHOOSE
    )

    def __init__(self, *args, recall: Recall, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        asked = recall.places.values("place")
        self.fields["place"].queryset = recall.department.places.physical().exclude(pk__in=asked)
