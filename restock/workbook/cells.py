"""Cells of a sheet that came back: what they hold, where they stand, and what is said where that does not fit."""

import zipfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from django.conf import settings
from django.utils.translation import gettext as _
from django.utils.translation import ngettext, override

from inventory.importing.problems import NOT_SHOWN, Problem, SheetRefused, quoted
from inventory.importing.values import Code, FaultyCell, Unfit, ValueType
from inventory.models.notes import NUMBER

MAY_BE_SOMEBODYS = 100_000  # no count of pieces comes near; record numbers begin about here


class NotRead(Exception):
    """A cell that does not hold what its column needs; both parts are phrases."""

    def __init__(self, found: str, expected: str) -> None:
        self.found, self.expected = found, expected
        super().__init__(found, expected)


def check_is_workbook(path: Path, wanted: str) -> None:
    """Refuse what is no whole .xlsx file. `wanted`: what was expected, as a phrase. Raises SheetRefused."""
    try:
        is_zip = zipfile.is_zipfile(path)
    except OSError as reason:
        raise SheetRefused(
            Problem(path.name, _("no readable file (%(strerror)s)") % {"strerror": reason.strerror}, wanted)
        ) from None
    if not path.is_file():
        raise SheetRefused(Problem(path.name, _("no such file"), wanted))
    if not is_zip:
        raise SheetRefused(
            Problem(
                path.name,
                _("a file that is not .xlsx, is cut short or is locked with a password"),
                _("%(wanted)s, whole and without a password") % {"wanted": wanted},
            )
        )


def columns_in(
    file: str, sheet: str, row: int, cells: Sequence[object], titles: Sequence[str], problems: list[Problem]
) -> dict[str, int] | None:
    """Positions of `titles` in a heading row, in whatever language they are written there.

    None (and a problem) where one does not stand there once.
    """
    texts = [cell if isinstance(cell, str) else "" for cell in cells]
    places = {title: [at for at, text in enumerate(texts) if text in in_every_language(title)] for title in titles}
    faults = {title: len(at) for title, at in places.items() if len(at) != 1}
    for title, times in faults.items():
        name = quoted(_(title))
        found = ngettext("%(times)s column %(name)s", "%(times)s columns %(name)s", times)
        if not times:
            found = _("no column %(name)s")
        expected = _("the columns %(titles)s, once each, as they were written") % {"titles": ", ".join(map(_, titles))}
        found = found % {"times": times, "name": name}
        problems.append(Problem(file, found, expected, sheet=sheet, row=row))
    return None if faults else {title: at for title, (at,) in places.items()}


@cache
def in_every_language(text: str) -> frozenset[str]:
    """What a sheet may hold for this text: it was written in the language of whoever took it along."""
    written = {text}
    for code, _name in settings.LANGUAGES:
        with override(code):
            written.add(_(text))
    return frozenset(written)


def read_cell(kind: ValueType, cell: object, expected: str = "{}") -> object:
    """The typed value of a cell that holds something. `expected` frames the kind's own words. Raises NotRead."""
    if isinstance(cell, FaultyCell):
        raise NotRead(cell.found, cell.expected)
    try:
        return kind.read(cell)
    except Unfit as unfit:
        found = NOT_SHOWN if unfit.keep_hidden else shown(cell)
        raise NotRead(found, expected.format(unfit)) from None


def words_in(cell: object) -> str | None:
    """What stands in a cell, to be compared with what was printed."""
    if cell is None:
        return None
    try:
        return Code().read(cell)
    except (Unfit, TypeError):
        return cell.found if isinstance(cell, FaultyCell) else str(cell)


def texts_in(cells: Sequence[object]) -> list[str]:
    return [cell for cell in cells if isinstance(cell, str)]


def shown(cell: object) -> str:
    """A cell as an error may repeat it: people write onto these sheets beside patients."""
    if isinstance(cell, FaultyCell):
        return cell.found
    if NUMBER.search(cell) if isinstance(cell, str) else isinstance(cell, int | float) and cell >= MAY_BE_SOMEBODYS:
        return _("a long number, which is not repeated")
    return quoted(cell)
