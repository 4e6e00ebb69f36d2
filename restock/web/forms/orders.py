"""What a supervisor types about orders, checked."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Consumable, Order, Place
from inventory.orders import MOST_PACKS
from restock.models import OrderPolicy
from restock.models.notes import about_stock_only

from .acting import UndoForm
from .days import DayField
from .receiving import MOST_PIECES
from .setup import ConstraintsAtFields

LONGEST_NUMBER = 40


class NewOrderForm(forms.Form):
    """For which storeroom an order is begun by hand."""

    storeroom = forms.ModelChoiceField(label=_("Storeroom"), queryset=Place.objects.none(), empty_label=None)

    def __init__(self, *args, department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["storeroom"].queryset = Place.objects.filter(department=department).storerooms()


class AddOrderLineForm(forms.Form):
    """A line that the order does not have yet."""

    line = forms.ModelChoiceField(label=_("Line"), queryset=Consumable.objects.none(), empty_label=_("choose a line"))
    packs = forms.IntegerField(label=_("Packs"), min_value=1, max_value=MOST_PACKS, initial=1)
    holds = forms.IntegerField(
        label=_("Pieces in a pack"), min_value=1, max_value=MOST_PIECES, required=False,
        help_text=_("Empty: as the catalogue says."),
    )  # fmt: skip

    def __init__(self, *args, order: Order, **kwargs) -> None:
        super().__init__(*args, auto_id="add-%s", **kwargs)
        lines = Consumable.objects.filter(department=order.storeroom.department_id).exclude(order_lines__order=order)
        self.fields["line"].queryset = lines.order_by("section", "name", "size_position", "code")


class PlaceOrderForm(forms.Form):
    """The number under which the order goes out."""

    number = forms.CharField(label=_("Number of the order"), max_length=LONGEST_NUMBER)


class BackOrderForm(UndoForm):
    """What the supplier said about a line that is late."""

    expected_on = DayField(_("Now expected"), required=False)
    pieces = forms.IntegerField(label=_("Pieces"), min_value=1, max_value=MOST_PIECES, required=False)
    note = forms.CharField(label=_("Note"), max_length=200, required=False, validators=[about_stock_only])


POLICY_FIELDS = (
    "method", "review_days", "lead_days", "lead_spread_days", "lead_fixed", "order_pieces", "measure", "service",
)  # fmt: skip
POLICY_WORDS = {
    "method": _("Orders go out"),
    "review_days": _("Days between orders"),
    "lead_days": _("Days to delivery"),
    "lead_spread_days": _("Days early or late"),
    "lead_fixed": _("Keep these days, whatever receipts teach"),
    "order_pieces": _("Pieces of a fixed order"),
    "measure": _("Service is"),
    "service": _("Service level"),
}


class OrderPolicyForm(ConstraintsAtFields):
    """How one storeroom line is ordered."""

    class Meta:
        model = OrderPolicy
        fields = POLICY_FIELDS
        labels = POLICY_WORDS


YES_NO = [("", _("as it is")), ("yes", _("yes")), ("no", _("no"))]


class ManyPoliciesForm(forms.Form):
    """The same for many lines at once. What is left empty stays as it is for each of them."""

    method = forms.ChoiceField(label=POLICY_WORDS["method"], required=False)
    review_days = forms.IntegerField(label=POLICY_WORDS["review_days"], min_value=1, max_value=365, required=False)
    lead_days = forms.IntegerField(label=POLICY_WORDS["lead_days"], min_value=0, max_value=365, required=False)
    lead_spread_days = forms.IntegerField(
        label=POLICY_WORDS["lead_spread_days"], min_value=0, max_value=365, required=False
    )
    lead_fixed = forms.ChoiceField(label=POLICY_WORDS["lead_fixed"], choices=YES_NO, required=False)
    measure = forms.ChoiceField(label=POLICY_WORDS["measure"], required=False)
    service = forms.FloatField(
        label=POLICY_WORDS["service"], min_value=0.01, max_value=0.9999, required=False,
        help_text=_("From 0 to 1: 0.98, not 98."),
    )  # fmt: skip

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, auto_id="many-%s", **kwargs)
        as_it_is = ("", _("as it is"))
        self.fields["method"].choices = [as_it_is, *OrderPolicy.Method.choices]
        self.fields["measure"].choices = [as_it_is, *OrderPolicy.Measure.choices]

    def clean(self) -> dict:
        told = super().clean()
        if not self.errors and not self.values():
            raise forms.ValidationError(_("Say at least one thing that should change."))
        return told

    def values(self) -> dict[str, object]:
        """What changes, by field."""
        said = {name: value for name, value in self.cleaned_data.items() if value not in ("", None)}
        if "lead_fixed" in said:
            said["lead_fixed"] = said["lead_fixed"] == "yes"
        return said
