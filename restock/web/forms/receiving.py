"""What people type at the receiving table, checked."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Consumable, Department

from .acting import UndoForm
from .days import DayField

MOST_PACKS, MOST_PIECES = 999, 9999
LONGEST_LOT = 60


class TypedPacksForm(UndoForm):
    """Packs that carry no code."""

    line = forms.ModelChoiceField(label=_("Line"), queryset=Consumable.objects.none(), empty_label=_("choose a line"))
    packs = forms.IntegerField(label=_("Packs"), min_value=1, max_value=MOST_PACKS, initial=1)
    holds = forms.IntegerField(
        label=_("Pieces in a pack"), min_value=1, max_value=MOST_PIECES, required=False,
        help_text=_("Empty: as the catalogue says."),
    )  # fmt: skip
    lot = forms.CharField(label=_("Lot"), max_length=LONGEST_LOT, required=False)
    expires_on = DayField(_("Use by"), required=False)

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, auto_id="typed-%s", **kwargs)
        self.fields["line"].queryset = department.consumables.order_by("section", "name", "size_position", "code")


class PrintedForm(forms.Form):
    """Lot and last day as printed on a pack."""

    lot = forms.CharField(max_length=LONGEST_LOT, required=False)
    expires_on = DayField(_("Use by"), required=False)
