"""What a form says of a field that cannot be: how to mend it, in place of the framework's own words.

None of them repeats what was typed, which may be about a person.
"""

from django import forms
from django.core import validators
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext_lazy

CHOOSE = _("choose")
NONE = _("none")
NOT_KEPT = _("A character in it cannot be kept: type it again.")

_WORDS = {
    forms.Field: {"required": _("Fill this in.")},
    forms.IntegerField: {"invalid": _("Type a whole number, such as 3.")},
    forms.FloatField: {"invalid": _("Type a number.")},
    forms.DecimalField: {"invalid": _("Type a number.")},
    forms.TimeField: {"invalid": _("Type a time, such as 07:30.")},
    forms.DateField: {"invalid": _("This day is in no calendar: choose another, or type it as 2026-03-05.")},
    forms.FileField: {
        "required": _("Choose a file."),
        "missing": _("Choose a file."),
        "invalid": _("No file came with it: choose it again."),
        "empty": _("This file is empty: choose another."),
    },
    forms.ChoiceField: {"required": _("Choose one."), "invalid_choice": _("Choose one of those that are offered.")},
    forms.MultipleChoiceField: {
        "required": _("Choose at least one."),
        "invalid_choice": _("Choose among those that are offered."),
    },
    forms.ModelChoiceField: {
        "required": _("Choose one."),
        "invalid_choice": _("This is not there any more: choose another."),
    },
    forms.ModelMultipleChoiceField: {
        "required": _("Choose at least one."),
        "invalid_choice": _("One of them is not there any more: choose again."),
        "invalid_pk_value": _("One of them is not there any more: choose again."),
    },
}


def say_how_to_mend() -> None:
    """Give every form of the site these words. Called once, when the site starts."""
    for field, words in _WORDS.items():
        field.default_error_messages = {**field.default_error_messages, **words}
    validators.MinValueValidator.message = _("At least %(limit_value)s.")
    validators.MaxValueValidator.message = _("At most %(limit_value)s.")
    validators.MaxLengthValidator.message = ngettext_lazy(
        "Shorten it to %(limit_value)d character; there are %(show_value)d.",
        "Shorten it to %(limit_value)d characters; there are %(show_value)d.",
        "limit_value",
    )
    validators.MinLengthValidator.message = ngettext_lazy(
        "At least %(limit_value)d character.", "At least %(limit_value)d characters.", "limit_value"
    )
    # No field that a person fills in has a pattern: it is a key that came with the page.
    validators.RegexValidator.message = _("This page is too old or not whole: open it again, and send it once more.")
    validators.ProhibitNullCharactersValidator.message = NOT_KEPT
