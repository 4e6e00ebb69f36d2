"""What people call the choices of whatever they load with: options of a command, or fields of a page.

Messages that tell how to mend a sheet name these choices, and a person at a page has no options of a command.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _


@dataclass(frozen=True)
class Ways:
    """Half sentences. own_headings, date_order: how to say what they mean. only_pars: how to leave counts alone.

    keep_unmatched, correct, superseded: how to keep use of cases that are on no list, how to record a correction,
    how to record a list that a newer one replaced.
    """

    own_headings: str | Promise
    date_order: str | Promise
    only_pars: str | Promise
    keep_unmatched: str | Promise
    correct: str | Promise
    superseded: str | Promise


COMMAND_LINE = Ways(
    own_headings=_("a column map (--columns) translates your own headings"),
    date_order=_('say in the column map (--columns) which comes first: date_order = "dmy" or "mdy"'),
    only_pars=_("load the sheet with --only-pars instead (--dry-run tells this beforehand)"),
    keep_unmatched=_("or load with --keep-unmatched, which keeps it as use of that room and day"),
    correct=_("confirm it with --correct"),
    superseded=_("confirm it with --superseded"),
)
_ways: ContextVar[Ways] = ContextVar("ways", default=COMMAND_LINE)


def ways() -> Ways:
    """The choices that messages name now."""
    return _ways.get()


@contextmanager
def named_as(chosen: Ways) -> Iterator[None]:
    """Let messages name these choices."""
    token = _ways.set(chosen)
    try:
        yield
    finally:
        _ways.reset(token)
