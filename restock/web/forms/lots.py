"""What people type about a lot, checked."""

from django import forms
from django.utils.translation import gettext_lazy as _

from inventory.models.notes import about_stock_only

from .recalls import KeyForm


class HoldForm(KeyForm):
    """Why a lot is put out of reach or let back."""

    reason = forms.CharField(label=_("Why"), max_length=120, validators=[about_stock_only])
