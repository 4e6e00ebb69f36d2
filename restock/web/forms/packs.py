"""What a supervisor says about a pack that is scanned for the first time."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Consumable, Department, Packaging

MOST_PER_PACK = 100_000


class PackForm(forms.Form):
    """The line in the pack, and how many: in pieces, or in packs of the same item that are known already.

    `cleaned_data["pieces"]` is in pieces either way.
    """

    line = forms.ModelChoiceField(
        queryset=Consumable.objects.none(), error_messages={"required": _("Choose the line that is in the pack.")}
    )
    holds = forms.IntegerField(
        label=_("How many it holds"), min_value=1, max_value=MOST_PER_PACK, widget=forms.NumberInput()
    )
    of = forms.ChoiceField(label=_("Counted in"), required=False)

    def __init__(self, *args, department: Department, alike: list[Packaging], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["line"].queryset = department.consumables.all()
        packs = [(str(pack.pieces_per_pack), _("packs of %(n)d") % {"n": pack.pieces_per_pack}) for pack in alike]
        packs = [choice for choice in dict(packs).items() if choice[0] != "1"]
        self.fields["of"].choices = [("", _("single pieces")), *packs]

    def clean(self) -> dict:
        told = super().clean()
        if "holds" in told:
            told["pieces"] = told["holds"] * int(told.get("of") or 1)
            if told["pieces"] > MOST_PER_PACK:
                self.add_error("holds", _("No pack holds so many pieces."))
        return told
