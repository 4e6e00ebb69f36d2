"""What if: the form, and the supposition that it says."""

from __future__ import annotations

from collections.abc import Sequence

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Consumable, Department, Room
from restock.cases.setups import Slot
from restock.models import CaseType, Extra, SizeClass
from restock.supervising.supposing import MOST_LATE_DAYS, Supposition, cases_of_room

from ..form_words import CHOOSE
from .many import ManyField

MOST_CASES = 20


class SupposeForm(forms.Form):
    """Any of five changes of the day, together. Nothing is written."""

    add_room = forms.ModelChoiceField(
        label=_("In room"), queryset=Room.objects.none(), required=False, empty_label=_("none")
    )
    add_case_type = forms.ModelChoiceField(
        label=_("Case type"), queryset=CaseType.objects.none(), required=False, empty_label=_("none")
    )
    add_size_class = forms.ModelChoiceField(
        label=_("Size class"), queryset=SizeClass.objects.none(), required=False, empty_label=CHOOSE
    )
    add_extras = ManyField(
        label=_("Booked extras"),
        queryset=Extra.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    add_count = forms.IntegerField(label=_("How many"), min_value=1, max_value=MOST_CASES, required=False, initial=1)
    close_room = forms.ModelChoiceField(
        label=_("Room"), queryset=Room.objects.none(), required=False, empty_label=_("none")
    )
    close_to = forms.ModelChoiceField(
        label=_("Its list goes to"), queryset=Room.objects.none(), required=False, empty_label=_("nowhere: cancelled")
    )
    cancel_room = forms.ModelChoiceField(
        label=_("List of room"), queryset=Room.objects.none(), required=False, empty_label=_("none")
    )
    back_order = forms.ModelChoiceField(
        label=_("Line"), queryset=Consumable.objects.none(), required=False, empty_label=_("none")
    )
    late_days = forms.IntegerField(
        label=_("Days later than usual"), min_value=1, max_value=MOST_LATE_DAYS, required=False
    )

    def __init__(self, *args, department: Department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        rooms = department.rooms.order_by("walk_order", "code")
        for name in ("add_room", "close_room", "close_to", "cancel_room"):
            self.fields[name].queryset = rooms
        self.fields["add_case_type"].queryset = department.case_types.all()
        self.fields["add_size_class"].queryset = department.size_classes.order_by("position")
        default = department.size_classes.order_by("-is_default", "position").first()
        self.fields["add_size_class"].initial = default and default.pk
        self.fields["add_extras"].queryset = department.extras.all()
        kept = department.consumables.filter(stocking_lines__isnull=False).distinct()
        self.fields["back_order"].queryset = kept.order_by("name", "size_position", "code")
        self.fields["back_order"].label_from_instance = lambda line: line.label

    def clean(self) -> dict:
        told = super().clean()
        if bool(told.get("add_room")) != bool(told.get("add_case_type")) and not self.errors:
            missing = "add_case_type" if told.get("add_room") else "add_room"
            self.add_error(missing, _("A case that is added needs a room and a case type."))
        if told.get("add_case_type") and not told.get("add_size_class") and not self.errors:
            self.add_error("add_size_class", _("Say which size class."))
        if told.get("close_to") and told.get("close_to") == told.get("close_room"):
            self.add_error("close_to", _("Choose another room than the one that closes."))
        if not self.errors and not any(
            told.get(name) for name in ("add_room", "close_room", "cancel_room", "back_order", "late_days")
        ):
            self.add_error(None, _("Suppose at least one change: a case, a room, a list, a line or a delivery."))
        return told

    def supposition(self, listed: Sequence[Slot]) -> Supposition:
        """What the form says about a day with these listed cases."""
        told = self.cleaned_data
        cancelled, moved, added = set(), [], ()
        if told["cancel_room"]:
            cancelled |= set(cases_of_room(listed, told["cancel_room"].pk))
        if told["close_room"] and told["close_to"]:
            moved.append((told["close_room"].pk, told["close_to"].pk))
        elif told["close_room"]:
            cancelled |= set(cases_of_room(listed, told["close_room"].pk))
        if told["add_case_type"]:
            case_type, size = told["add_case_type"], told["add_size_class"]
            extras = frozenset(extra.pk for extra in told["add_extras"])
            slot = Slot(told["add_room"].pk, case_type.pk, case_type.technique_id, size.pk, extras)
            added = (slot,) * (told["add_count"] or 1)
        back_ordered = frozenset({told["back_order"].pk} if told["back_order"] else ())
        return Supposition(added, tuple(sorted(cancelled)), tuple(moved), back_ordered, told["late_days"] or 0)
