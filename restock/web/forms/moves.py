"""What somebody says about a move beside the pick list, checked."""

from __future__ import annotations

from datetime import date

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Consumable, Department, Lot, Place

from .acting import MOST_PIECES, UndoForm


class MovedForm(UndoForm):
    """Pieces carried from one place to another; `advised` is what the page had proposed. day: when they are needed."""

    source = forms.ModelChoiceField(queryset=Place.objects.none())
    destination = forms.ModelChoiceField(queryset=Place.objects.none())
    consumable = forms.ModelChoiceField(queryset=Consumable.objects.none())
    lot = forms.ModelChoiceField(queryset=Lot.objects.none(), required=False)
    swap = forms.BooleanField(required=False)
    advised = forms.IntegerField(min_value=0, max_value=MOST_PIECES)
    pieces = forms.IntegerField(
        min_value=1,
        max_value=MOST_PIECES,
        error_messages={
            "required": _("Say how many pieces were moved."),
            "invalid": _("Pieces are a whole number: 3, not 3.5."),
            "min_value": _("At least one piece: leave a move alone that was not made."),
            "max_value": _("So many pieces do not fit on a trolley: type the number again."),
        },
    )

    def __init__(self, *args, department: Department, day: date, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.day = day
        places = Place.objects.physical().filter(department=department)
        self.fields["source"].queryset = self.fields["destination"].queryset = places
        self.fields["consumable"].queryset = department.consumables.all()
        self.fields["lot"].queryset = Lot.objects.filter(consumable__department=department)

    def clean(self) -> dict:
        told = super().clean()
        lot, line = told.get("lot"), told.get("consumable")
        if lot and line and lot.consumable_id != line.pk:
            raise forms.ValidationError(_("This lot is of another line: open the page again."))
        return told
