"""Cells of a sheet that came back: what they hold, where they stand, and what is said where that does not fit."""

import zipfile
from collections.abc import Sequence
from pathlib import Path

from inventory.importing.problems import Problem, SheetRefused, quoted
from inventory.importing.values import Code, FaultyCell, Unfit, ValueType


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
        raise SheetRefused(Problem(path.name, f"no readable file ({reason.strerror})", wanted)) from None
    if not path.is_file():
        raise SheetRefused(Problem(path.name, "no such file", wanted))
    if not is_zip:
        raise SheetRefused(
            Problem(
                path.name,
                "a file that is not .xlsx, is cut short or is locked with a password",
                f"{wanted}, whole and without a password",
            )
        )


def columns_in(
    file: str, sheet: str, row: int, cells: Sequence[object], titles: Sequence[str], problems: list[Problem]
) -> dict[str, int] | None:
    """Positions of `titles` in a heading row, or None (and a problem) where one does not stand there once."""
    texts = [cell if isinstance(cell, str) else "" for cell in cells]
    faults = [(title, texts.count(title)) for title in titles if texts.count(title) != 1]
    for title, times in faults:
        found = f"no column {quoted(title)}" if not times else f"{times} columns {quoted(title)}"
        expected = f"the columns {', '.join(titles)}, once each, as they were written"
        problems.append(Problem(file, found, expected, sheet=sheet, row=row))
    return None if faults else {title: texts.index(title) for title in titles}


def read_cell(kind: ValueType, cell: object, expected: str = "{}") -> object:
    """The typed value of a cell that holds something. `expected` frames the kind's own words. Raises NotRead."""
    if isinstance(cell, FaultyCell):
        raise NotRead(cell.found, cell.expected)
    try:
        return kind.read(cell)
    except Unfit as unfit:
        raise NotRead(shown(cell), expected.format(unfit)) from None


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
    """A cell as an error may repeat it."""
    return cell.found if isinstance(cell, FaultyCell) else quoted(cell)
