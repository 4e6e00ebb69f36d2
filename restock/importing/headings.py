"""What a department's headings mean: guessed from the standard ones and from the last time, told by a person, kept.

A choice is a mapping from column name to the position (from 0) of the heading that stands for it, or None where the
sheet has no such column.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from django.utils.crypto import salted_hmac

from inventory.importing.columns import shown_heading
from inventory.importing.sheets import open_headings
from inventory.importing.values import alike
from inventory.importing.xlsx import Workbook
from inventory.models import Department
from restock.models import HeadingMap

from .kinds import Kind

Choice = Mapping[str, int | None]


@dataclass(frozen=True)
class Headings:
    """The first filled row of a sheet as it may be shown, and what it probably means.

    `shown` has a word for every filled cell, by position. Where the kind has private columns and no heading is known,
    the row may be a person's data: it is `hidden`, and `shown` is empty until a person vouches for it.
    """

    sheet: str | None
    note: str
    cells: tuple[object, ...]
    shown: Mapping[int, str]
    guess: Choice
    hidden: bool

    def column_map(self, choice: Choice) -> dict[str, str]:
        """Heading -> column name as the loader wants it; a standard heading that nobody chose is left out ("")."""
        names = {position: name for name, position in choice.items() if position is not None}
        standard = {alike(name) for name in choice}
        return {
            str(cell): names.get(position, "")
            for position, cell in enumerate(self.cells)
            if position in names or (cell is not None and alike(str(cell)) in standard)
        }


def read_headings(
    path: Path, kind: Kind, department: Department, *, sheet: str | None = None, show: bool = False
) -> Headings:
    """The headings of a sheet. `show` says that a person vouches for the first row being headings.

    Raises SheetRefused for what is not a spreadsheet.
    """
    opened = open_headings(path, kind.columns, sheet=sheet)
    keys = {position: alike(str(cell)) for position, cell in enumerate(opened.cells) if cell is not None}
    standard = {alike(column.name): column.name for column in kind.columns}
    kept = HeadingMap.objects.filter(department=department, kind=kind.name).first()
    told = kept.columns if kept else {}
    guess: dict[str, int | None] = {column.name: None for column in kind.columns}
    known = False
    for position, key in keys.items():
        name = told.get(_hashed(department, key), standard.get(key))
        known |= name is not None
        if name in guess and guess[name] is None:
            guess[name] = position
    hidden = not (known or show) and any(column.private for column in kind.columns)
    shown = {} if hidden else {place: shown_heading(str(opened.cells[place]), place) for place in keys}
    return Headings(opened.sheet, opened.note, tuple(opened.cells), shown, guess, hidden)


def remember(headings: Headings, choice: Choice, *, kind: Kind, department: Department) -> None:
    """Keep what the headings mean, beside what is known of others, for the next sheet of this kind."""
    kept, _ = HeadingMap.objects.get_or_create(department=department, kind=kind.name)
    told = {_hashed(department, alike(text)): name for text, name in headings.column_map(choice).items()}
    kept.columns = kept.columns | told
    kept.save(update_fields=["columns"])


def sheet_names(path: Path) -> Sequence[str]:
    """The visible sheets of a workbook; none for a CSV file, which has only itself."""
    with Workbook(path) as workbook:
        return [name for name, visible in workbook.sheets.items() if visible]


def _hashed(department: Department, heading: str) -> str:
    return salted_hmac(f"restock.heading:{department.code}", heading, algorithm="sha256").hexdigest()
