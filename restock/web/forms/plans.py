"""What people type about the evening and its plan, checked."""

from datetime import date

from django import forms
from django.utils.translation import gettext_lazy as _

from .days import DayField

MOST_BYTES = 5_000_000  # of an uploaded pick list; one of a large department has a tenth


class PlanForm(forms.Form):
    """For which day to plan."""

    for_date = DayField(_("Day to cover"))

    def __init__(self, *args, today: date, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_for_date(self) -> date:
        day = self.cleaned_data["for_date"]
        if day < self.today:
            raise forms.ValidationError(_("This day has passed: choose today or a later day."))
        return day


class CampaignForm(forms.Form):
    """From which day a campaign ran, and how many days before and after it are held against each other."""

    since = DayField(_("First day of the campaign"))
    days = forms.TypedChoiceField(
        label=_("Days before and after"), coerce=int, choices=[(28, "28"), (56, "56"), (84, "84")], initial=28
    )

    def __init__(self, *args, today: date, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
        self.fields["since"].widget.attrs["max"] = today.isoformat()

    def clean_since(self) -> date:
        day = self.cleaned_data["since"]
        if day > self.today:
            raise forms.ValidationError(
                _("This day is still to come: there is no use to hold against the days before.")
            )
        return day


class PickListBackForm(forms.Form):
    """A pick list that was filled in and comes back."""

    workbook = forms.FileField(label=_("Filled-in pick list"), widget=forms.FileInput(attrs={"accept": ".xlsx"}))
    correct = forms.BooleanField(
        label=_("Its numbers are right where others were recorded before"),
        required=False,
        help_text=_("Otherwise an older copy could undo a newer one, so a difference is refused."),
    )
    superseded = forms.BooleanField(label=_("The pieces were carried although a newer list was made"), required=False)

    def clean_workbook(self):
        workbook = self.cleaned_data["workbook"]
        if workbook.size > MOST_BYTES:
            raise forms.ValidationError(
                _("This file is larger than any pick list: choose the one that was written here.")
            )
        return workbook
