"""What came back: the fingerprint on the cover and the picked pieces, row by row. No database is asked."""

import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from openpyxl.utils import get_column_letter

from inventory.importing.problems import NOTHING, Problem, SheetRefused, quoted
from inventory.importing.values import Code, FaultyCell, Unfit, Whole
from inventory.importing.xlsx import Workbook

from .references import Fingerprint, parse_fingerprint

PICKED, REFERENCE, LOT = "Picked", "Reference", "Lot"
ANY_LOT = "any in date"  # stands where the storeroom's record knows no lot
MOST_PICKED = 9999

A_PICK_LIST = "a pick list as this tool wrote it, saved as .xlsx"


@dataclass(frozen=True, slots=True)
class BackRow:
    """One row of a storeroom sheet. `picked` is pieces, or None where nothing was written; `lot` as it stands there."""

    sheet: str
    row: int
    column: str
    reference: str
    lot: str | None
    picked: int | None


@dataclass(frozen=True, slots=True)
class WorkbookBack:
    """A workbook that came back. `problems` are those of single cells; the other rows are good.

    `pick_sheets` counts the sheets that have a Picked and a Reference column, with rows or without.
    """

    file: str
    fingerprint: Fingerprint
    pick_sheets: int
    rows: tuple[BackRow, ...]
    problems: tuple[Problem, ...]


def read_back(path: Path) -> WorkbookBack:
    """Read a filled-in pick list.

    Rows are known by their reference alone: sorted, filtered, moved and missing rows are all well. An empty Picked
    says nothing; 0 says that none was found. Raises SheetRefused for a file that is no pick list at all.
    """
    path = Path(path)
    _check_is_zip(path)
    with Workbook(path) as workbook:
        found = None
        pick_sheets = 0
        rows: list[BackRow] = []
        problems: list[Problem] = []
        for sheet in workbook.sheets:
            numbered = workbook.rows(sheet)
            columns = None
            for number, cells in numbered:
                found = found or next(filter(None, map(parse_fingerprint, _texts(cells))), None)
                if {PICKED, REFERENCE} & set(_texts(cells)):
                    columns = _columns(path.name, sheet, number, cells, problems)
                    break
            if columns is not None:
                pick_sheets += 1
                rows.extend(_read_rows(path.name, sheet, numbered, columns, problems))
    if found is None:
        raise SheetRefused(
            Problem(path.name, "no sheet with the line “Evenfill pick list ...” that stands on the cover", A_PICK_LIST)
        )
    return WorkbookBack(path.name, found, pick_sheets, tuple(rows), tuple(problems))


def problem_at(file: str, row: BackRow, found: str, expected: str, *, column: str = PICKED) -> Problem:
    """A problem of one cell, named by sheet, row and column."""
    column = f"{row.column}, {PICKED}" if column == PICKED else column
    return Problem(file, found, expected, sheet=row.sheet, row=row.row, column=column)


def _check_is_zip(path: Path) -> None:
    try:
        is_zip = zipfile.is_zipfile(path)
    except OSError as reason:
        raise SheetRefused(Problem(path.name, f"no readable file ({reason.strerror})", A_PICK_LIST)) from None
    if not path.is_file():
        raise SheetRefused(Problem(path.name, "no such file", A_PICK_LIST))
    if not is_zip:
        raise SheetRefused(
            Problem(
                path.name,
                "a file that is not .xlsx, is cut short or is locked with a password",
                f"{A_PICK_LIST}, whole and without a password",
            )
        )


def _columns(
    file: str, sheet: str, row: int, cells: Sequence[object], problems: list[Problem]
) -> tuple[int, int, int] | None:
    """Positions of Picked, Reference and Lot in a heading row, or None (and a problem) where one is not there once."""
    texts = [cell if isinstance(cell, str) else "" for cell in cells]
    names = (PICKED, REFERENCE, LOT)
    faults = [(name, texts.count(name)) for name in names if texts.count(name) != 1]
    for name, times in faults:
        found = f"no column {quoted(name)}" if not times else f"{times} columns {quoted(name)}"
        expected = f"the columns {', '.join(names)}, once each, as they were written"
        problems.append(Problem(file, found, expected, sheet=sheet, row=row))
    return None if faults else tuple(map(texts.index, names))


def _read_rows(
    file: str,
    sheet: str,
    rows: Iterator[tuple[int, list[object]]],
    columns: tuple[int, int, int],
    problems: list[Problem],
) -> Iterator[BackRow]:
    picked_at, reference_at, lot_at = columns
    width = max(columns) + 1
    whole = Whole(0, MOST_PICKED)
    for number, cells in rows:
        cells.extend([None] * (width - len(cells)))
        picked, reference = cells[picked_at], cells[reference_at]
        if picked is None and reference is None:
            continue
        letter = get_column_letter(picked_at + 1)
        if not isinstance(reference, str):
            found = NOTHING if reference is None else _shown(reference)
            problems.append(
                Problem(
                    file,
                    found,
                    "the reference that was printed in this row; a row added by hand cannot be recorded",
                    sheet=sheet,
                    row=number,
                    column=f"{get_column_letter(reference_at + 1)}, {REFERENCE}",
                )
            )
            continue
        row = BackRow(sheet, number, letter, reference, _lot(cells, lot_at), None)
        if picked is not None:
            try:
                pieces = whole.read(picked) if not isinstance(picked, FaultyCell) else None
            except Unfit as unfit:
                problems.append(problem_at(file, row, _shown(picked), f"{unfit}, or an empty cell"))
                continue
            if pieces is None:
                problems.append(problem_at(file, row, picked.found, picked.expected))
                continue
            row = replace(row, picked=pieces)
        yield row


def _lot(cells: Sequence[object], position: int) -> str | None:
    """The lot in a cell; a number stays as it would be typed, and what is no lot at all will match none."""
    cell = cells[position]
    try:
        return None if cell is None else Code().read(cell)
    except (Unfit, TypeError):
        return _shown(cell)


def _texts(cells: Sequence[object]) -> list[str]:
    return [cell for cell in cells if isinstance(cell, str)]


def _shown(cell: object) -> str:
    return cell.found if isinstance(cell, FaultyCell) else quoted(cell)
