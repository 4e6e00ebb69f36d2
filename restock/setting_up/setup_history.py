"""The history of a set-up row: every change that a person saved, and what changed in between by another way.

A page's form is not the only way in: spreadsheets, par sheets and repairs write rows too, many at once. A saved change
therefore keeps the whole row before and after, so that nothing between two of them goes unseen, whatever wrote it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from inventory.models import Department

from ..models import SetupChange

Values = Mapping[str, str]
SHOWN = 20


@dataclass(frozen=True)
class Step:
    """One line of the history. changes: (field, before, after). by, at: None for what changed by another way."""

    changes: tuple[tuple[str, str, str], ...]
    by: object | None = None
    at: datetime | None = None
    began: bool = False


def keep_change(
    *, department: Department, page: str, row: int, title: str, before: Values, after: Values, by, at: datetime
) -> SetupChange | None:
    """Keep what a person saved; None where nothing changed. before is empty for a new row, after for a removed one."""
    if before == after:
        return None
    return SetupChange.objects.create(
        department=department,
        page=page,
        row=row,
        title=title[:200],
        before=dict(before),
        after=dict(after),
        by=by,
        at=at,
    )


def history(department: Department, page: str, row: int, now: Values) -> list[Step]:
    """The last changes of a row, newest first: one query. now: the row as it reads now."""
    kept = SetupChange.objects.filter(department=department, page=page, row=row).select_related("by")[:SHOWN]
    steps, later = [], dict(now)
    for change in kept:
        if between := _differences(change.after, later):
            steps.append(Step(between))
        steps.append(Step(_differences(change.before, change.after), change.by, change.at, began=not change.before))
        later = change.before
    return steps


def _differences(before: Values, after: Values) -> tuple[tuple[str, str, str], ...]:
    """Fields that read otherwise. A field that only one of the two knows was not on the page then."""
    if not before:
        return tuple((name, "", value) for name, value in after.items() if value)
    both = [name for name in after if name in before]
    return tuple((name, before[name], after[name]) for name in both if before[name] != after[name])
