"""Forms of signing in, of coming back, and of one's own account."""

from __future__ import annotations

from collections.abc import Sequence

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.models import AbstractBaseUser
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

LONGEST_CODE = 200  # of a badge; a scanner that runs wild sends more


def _secret(label: str, help_text: str = "", *, required: bool = False, digits: bool = False) -> forms.CharField:
    attrs = {"autocomplete": "off"} | ({"inputmode": "numeric"} if digits else {})
    widget = forms.PasswordInput(attrs=attrs)
    return forms.CharField(
        label=label, help_text=help_text, required=required, max_length=LONGEST_CODE, strip=True, widget=widget
    )


class SignInForm(AuthenticationForm):
    """Name and password, and whether others use this device too."""

    shared = forms.BooleanField(
        label=_("Others use this device too"),
        required=False,
        help_text=_("It then signs you out after a few minutes, and a PIN or badge brings you back that day."),
    )


class ComeBackForm(forms.Form):
    """Who comes back, and the PIN; or nobody chosen, and a badge."""

    person = forms.ChoiceField(label=_("Who are you?"), required=False, widget=forms.RadioSelect)
    code = _secret(_("PIN, or scan your badge"), required=True)

    def __init__(self, *args, people: Sequence[AbstractBaseUser], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self._by_key = {str(person.pk): person for person in people}
        self.fields["person"].choices = [
            (key, one.get_full_name() or one.username) for key, one in self._by_key.items()
        ]

    @property
    def chosen(self) -> AbstractBaseUser | None:
        return self._by_key.get(self.cleaned_data.get("person", ""))


class CodesForm(forms.Form):
    """A new PIN, a new badge, or none any more."""

    pin = _secret(_("New PIN"), _("4 to 8 digits. Leave it empty to keep the one you have."), digits=True)
    badge = _secret(_("New badge"), _("Scan it here. Leave it empty to keep the one you have."))
    neither = forms.BooleanField(label=_("Take my PIN and my badge away"), required=False)
    password = _secret(_("Your password"), _("So that nobody else sets them for you."), required=True)

    def clean(self) -> dict:
        told = self.cleaned_data
        told["new_pin"] = told["new_badge"] = "" if told.get("neither") else None
        if not told.get("neither"):
            told["new_pin"], told["new_badge"] = told.get("pin") or None, told.get("badge") or None
            if not self.errors and told["new_pin"] is None and told["new_badge"] is None:
                self.add_error("pin", _("Type a PIN, scan a badge, or take both away."))
        return told

    def take(self, error: ValidationError) -> None:
        """Put what was refused at its field."""
        by_field = getattr(error, "error_dict", None) or {None: error}
        for name, words in by_field.items():
            self.add_error(name if name in self.fields else "badge", words)  # only a badge can be somebody else's
