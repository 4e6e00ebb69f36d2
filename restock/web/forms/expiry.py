"""What a person says about pieces that end soon, checked."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Department, Place

from .acting import MOST_PIECES, UndoForm
from .days import DayField

THROWN_AWAY, CARRIED, NOT_THERE = "thrown-away", "carried", "not-there"


class PullForm(UndoForm):
    """What was done with the pieces of one row. `row` is `Dated.key`."""

    row = forms.RegexField(r"^[0-9]{1,18}\.[0-9]{1,18}\.([0-9]{1,18}|earliest)$")
    act = forms.ChoiceField(choices=[(act, act) for act in (THROWN_AWAY, CARRIED, NOT_THERE)])
    pieces = forms.IntegerField(min_value=1, max_value=MOST_PIECES)
    destination = forms.ModelChoiceField(queryset=None, required=False)

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["destination"].queryset = Place.objects.filter(department=department).physical()
        self.fields["pieces"].error_messages |= {
            "required": _("Not saved: type a number of pieces."),
            "invalid": _("Not saved: type a number of pieces."),
        }

    def clean(self) -> dict:
        told = super().clean()
        if told.get("act") == CARRIED and not told.get("destination") and "destination" not in self.errors:
            self.add_error("destination", _("Not saved: say where they were carried to."))
        return told


class TakenBackForm(forms.Form):
    """Which act is taken back, by its key."""

    act = forms.CharField(max_length=80)


class CountedForm(UndoForm):
    """All pieces of a line that a person counted at a place."""

    place = forms.ModelChoiceField(queryset=None)
    consumable = forms.ModelChoiceField(queryset=None)
    counted = forms.IntegerField(min_value=0, max_value=MOST_PIECES)

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["place"].queryset = Place.objects.filter(department=department).physical()
        self.fields["consumable"].queryset = department.consumables.all()


class DateReadForm(forms.Form):
    """The earliest date that a person read on the packs of one line, or that no pack has one."""

    day = DayField(_("Earliest date read"), required=False)
    none = forms.BooleanField(label=_("no date on them"), required=False)

    def clean(self) -> dict:
        told = super().clean()
        if told.get("day") and told.get("none"):
            raise forms.ValidationError(_("Either a date, or none on the packs: not both."))
        return told
