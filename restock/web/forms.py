"""What people type, checked."""

from datetime import date

from django import forms
from django.utils.translation import gettext_lazy as _


class PlanForm(forms.Form):
    """For which day to plan."""

    # Browsers take and give the value of a date field in ISO 8601 only, whatever the language.
    for_date = forms.DateField(
        label=_("Day to cover"), widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )

    def __init__(self, *args, today: date, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.today = today

    def clean_for_date(self) -> date:
        day = self.cleaned_data["for_date"]
        if day < self.today:
            raise forms.ValidationError(_("This day has passed: choose today or a later day."))
        return day
