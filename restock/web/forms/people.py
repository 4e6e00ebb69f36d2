"""What a supervisor says about a person of the department."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from restock.setting_up.departments import ROLES

ROLE_WORDS = {
    "clinician": _("clinician: logs what cases use"),
    "technician": _("technician: turns rooms over, restocks, counts"),
    "supervisor": _("supervisor: all of it, and the set-up"),
}


def _password(label: str) -> forms.CharField:
    return forms.CharField(
        label=label,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text=_("Tell it to nobody else; its owner changes it under My account."),
    )


class RolesForm(forms.Form):
    """What a person does here."""

    roles = forms.MultipleChoiceField(
        label=_("Roles"), choices=[(role, ROLE_WORDS[role]) for role in ROLES], widget=forms.CheckboxSelectMultiple
    )


class NewPersonForm(RolesForm):
    """A person who is to sign in."""

    username = forms.CharField(
        label=_("Name to sign in with"),
        max_length=150,
        help_text=_("Colleagues see it beside what was done. Letters, digits and @ . + - _ only."),
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "none"}),
    )
    password = _password(_("First password"))
    field_order = ("username", "roles", "password")


class PersonForm(RolesForm):
    """A person who is here already."""

    is_active = forms.BooleanField(
        label=_("Signs in"), required=False, help_text=_("Without it the person has left; what they recorded stays.")
    )


class PasswordForm(forms.Form):
    """A password for who has none yet or lost it."""

    password = _password(_("New password"))
