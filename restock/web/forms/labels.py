"""Which labels, on which sheet."""

from __future__ import annotations

from django import forms
from django.conf import settings
from django.utils.translation import gettext_lazy as _

from inventory.labelling import bin_labels, lot_labels
from inventory.labels.codes import CodeKind
from inventory.labels.layout import Label, Page, laid_out
from inventory.models import Consumable, Department, Lot, Place

MOST_LABELS = 600
FARTHEST_SHIFT_MM = 10.0


class LabelForm(forms.Form):
    """Labels for all bins of a place, for every place of one line, or for pieces of one lot."""

    place = forms.ModelChoiceField(
        label=_("Bins of"), queryset=Place.objects.none(), required=False, empty_label=_("choose a cart or storeroom")
    )
    line = forms.ModelChoiceField(queryset=Consumable.objects.none(), required=False, widget=forms.HiddenInput)
    lot = forms.ModelChoiceField(queryset=Lot.objects.none(), required=False, widget=forms.HiddenInput)
    copies = forms.IntegerField(label=_("How many"), required=False, min_value=1, max_value=MOST_LABELS)
    sheet = forms.ChoiceField(
        label=_("Sheet"),
        help_text=_("Measures are from memory: hold a page printed on plain paper against a sheet first."),
    )
    code = forms.ChoiceField(
        label=_("Code"),
        choices=[(CodeKind.QR, _("QR, for phones and scanners")), (CodeKind.DATAMATRIX, _("GS1 DataMatrix, smaller"))],
    )
    gone = forms.IntegerField(label=_("Labels gone from the first sheet"), required=False, min_value=0, max_value=199)
    right_mm = forms.FloatField(
        label=_("Shift right, mm"),
        required=False,
        min_value=-FARTHEST_SHIFT_MM,
        max_value=FARTHEST_SHIFT_MM,
        widget=forms.NumberInput(attrs={"step": "0.1"}),
    )
    down_mm = forms.FloatField(
        label=_("Shift down, mm"),
        required=False,
        min_value=-FARTHEST_SHIFT_MM,
        max_value=FARTHEST_SHIFT_MM,
        widget=forms.NumberInput(attrs={"step": "0.1"}),
    )

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["place"].queryset = department.places.physical().order_by("walk_order", "code")
        self.fields["line"].queryset = department.consumables.all()
        self.fields["lot"].queryset = Lot.objects.filter(consumable__department=department).select_related("consumable")
        self.fields["sheet"].choices = [(sheet.key, sheet.words) for sheet in settings.LABEL_SHEETS.values()]

    def clean(self) -> dict:
        told = super().clean()
        if not self.errors and not (told.get("place") or told.get("line") or told.get("lot")):
            self.add_error("place", _("Choose what the labels are for."))
        if told.get("sheet") and (told.get("gone") or 0) >= settings.LABEL_SHEETS[told["sheet"]].per_page:
            self.add_error("gone", _("The sheet has no more labels than that: start a new one."))
        return told

    def labels(self) -> list[Label]:
        """The labels in walking order. Raises inventory.labelling.TooLong."""
        told = self.cleaned_data
        if told["lot"]:
            return lot_labels(told["lot"], copies=told["copies"] or 1)
        if told["line"]:
            lines = told["line"].stocking_lines.order_by("place__walk_order", "place__code")
        else:
            lines = told["place"].stocking_lines.in_drawer_order()
        return bin_labels(lines.select_related("consumable", "place", "bin")[:MOST_LABELS])

    def pages(self) -> list[Page]:
        """The sheets to print. Raises inventory.labelling.TooLong."""
        told = self.cleaned_data
        return laid_out(
            self.labels(),
            settings.LABEL_SHEETS[told["sheet"]],
            CodeKind(told["code"]),
            first=told["gone"] or 0,
            right_mm=told["right_mm"] or 0.0,
            down_mm=told["down_mm"] or 0.0,
        )
