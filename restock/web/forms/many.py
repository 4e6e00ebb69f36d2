"""Several rows of a table, ticked."""

from __future__ import annotations

from django import forms
from django.core.exceptions import ValidationError

from ..keys import key_in


class ManyField(forms.ModelMultipleChoiceField):
    """Django's own, but a key that no database holds is not looked up: it fails there instead of finding nothing."""

    def clean(self, value):
        if not all(key_in(str(key)) for key in self.prepare_value(value or [])):
            raise ValidationError(self.error_messages["invalid_choice"], code="invalid_choice")
        return super().clean(value)
