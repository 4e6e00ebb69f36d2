"""What a supervisor types about a shortage or a par, checked."""

from __future__ import annotations

from datetime import date

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models import Place
from restock.models import ShortageAction
from restock.models.notes import about_stock_only

from .days import DayField

MOST_PIECES = 9999
Kind = ShortageAction.Kind


class UndoForm(forms.Form):
    """A key made with the form, so that a form sent twice acts once."""

    key = forms.RegexField(r"^[A-Za-z0-9-]{8,40}$", widget=forms.HiddenInput)


class ActForm(UndoForm):
    """What every act has in common."""

    kind: Kind
    button = _("Save")

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, auto_id=f"{self.kind}-%s", **kwargs)


class MoveForm(ActForm):
    """Pieces carried from another place. `spare` are the places offered, with what each can spare."""

    kind, button = Kind.MOVED, _("I have moved them")
    source = forms.ModelChoiceField(label=_("From"), queryset=Place.objects.none(), empty_label=None)
    pieces = forms.IntegerField(label=_("Pieces"), min_value=1, max_value=MOST_PIECES)

    def __init__(self, *args, spare, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        can_give = {one.place.pk: one for one in spare}
        source = self.fields["source"]
        source.queryset = Place.objects.filter(pk__in=can_give)
        source.label_from_instance = lambda place: (
            _("%(place)s: %(spare)d to spare")
            % {
                "place": place.name,
                "spare": can_give[place.pk].spare,
            }
        )


class RaiseParForm(ActForm):
    kind, button = Kind.PAR, _("Raise par")
    par = forms.IntegerField(label=_("New par"), min_value=1, max_value=MOST_PIECES)
    reason = forms.CharField(label=_("Why"), max_length=200, validators=[about_stock_only])


class OrderedForm(ActForm):
    """A note that pieces are on their way."""

    kind, button = Kind.ORDERED, _("Mark as ordered")
    pieces = forms.IntegerField(label=_("Pieces"), min_value=1, max_value=MOST_PIECES)
    expected_on = DayField(_("Expected on"))
    note = forms.CharField(label=_("Note"), max_length=200, required=False, validators=[about_stock_only])

    def __init__(self, *args, today: date, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_expected_on(self) -> date:
        day = self.cleaned_data["expected_on"]
        if day < self.today:
            raise forms.ValidationError(_("This day has passed: choose today or a later day."))
        return day


class AcceptForm(ActForm):
    kind, button = Kind.ACCEPTED, _("Accept it as it is")
    note = forms.CharField(label=_("Why"), max_length=200, validators=[about_stock_only])
