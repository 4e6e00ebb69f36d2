"""Set-up rows as their history keeps them, and the history as people read it.

What is kept is the same in every language; words for it are found when it is read.
"""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Model
from django.utils.translation import gettext as _

from restock.setting_up.setup_history import Step

from .setup_pages import SetupPage


def as_stored(row: Model, fields: Iterable[str]) -> dict[str, str]:
    """The fields of a row by name: as text, the rows that it names by their own names, nothing as nothing."""
    stored = {}
    for name in fields:
        field = row._meta.get_field(name)
        if field.many_to_many:
            stored[name] = ", ".join(sorted(str(other) for other in getattr(row, name).all()))
        else:
            value = getattr(row, name)
            stored[name] = "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
    return stored


def steps_as_read(steps: Iterable[Step], page: SetupPage) -> list[tuple[Step, list[tuple[str, str, str]]]]:
    """Each step with (label, before, after) of what changed in it."""
    return [
        (step, [(page.label(name), _read(page, name, was), _read(page, name, now)) for name, was, now in step.changes])
        for step in steps
    ]


def _read(page: SetupPage, name: str, value: str) -> str:
    field = page.model._meta.get_field(name)
    words = {str(key): str(label) for key, label in field.flatchoices} if field.choices else {}
    words |= {"True": _("yes"), "False": _("no")} if field.get_internal_type() == "BooleanField" else {}
    return words.get(value, value) or _("nothing")
