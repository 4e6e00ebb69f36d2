"""What a person says about bundles made up and taken apart, checked."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Department, Lot, Place

from ..form_words import CHOOSE
from .acting import MOST_PIECES, UndoForm


class _AtPlace(UndoForm):
    place = forms.ModelChoiceField(queryset=None)
    bundles = forms.IntegerField(label=_("Bundles"), min_value=1, max_value=MOST_PIECES)

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["place"].queryset = Place.objects.filter(department=department).physical()


class MakeUpForm(_AtPlace):
    """So many bundles of a kind, made up at a place."""

    bundle = forms.ModelChoiceField(label=_("Bundle"), queryset=None, empty_label=CHOOSE)

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, department=department, **kwargs)
        bundles = department.consumables.filter(bundle_pieces__isnull=False).distinct()
        self.fields["bundle"].queryset = bundles


class TakeApartForm(_AtPlace):
    """So many bundles of a lot, taken apart at a place."""

    lot = forms.ModelChoiceField(label=_("Lot"), queryset=None, empty_label=CHOOSE)

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, department=department, **kwargs)
        self.fields["lot"].queryset = Lot.objects.filter(
            consumable__department=department, assemblies__isnull=False
        ).distinct()
