"""What came back: the fingerprint on the cover and the picked pieces, row by row. No database is asked.

A list may come back to another language than it was written in: titles are known in every language of the site.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, gettext_noop
from openpyxl.utils import get_column_letter

from inventory.importing.problems import NOTHING, Problem, SheetRefused
from inventory.importing.values import LotNumber, Whole
from inventory.importing.xlsx import Workbook

from .cells import NotRead, check_is_workbook, columns_in, in_every_language, read_cell, shown, texts_in, words_in
from .references import Fingerprint, parse_fingerprint

PICKED, REFERENCE, LOT = gettext_noop("Picked"), gettext_noop("Reference"), gettext_noop("Lot")
CODE, FOR_CART = gettext_noop("Code"), gettext_noop("For cart")
COLUMNS = (PICKED, REFERENCE, LOT, CODE, FOR_CART)  # those that are read back
PICK_FROM = gettext_noop("Pick from %(storeroom)s")  # the title of a storeroom's sheet
ANY_LOT = gettext_noop("any in date")  # stands where the storeroom's record knows no lot
MOST_PICKED = 9999

A_PICK_LIST = gettext_lazy("a pick list as this tool wrote it, saved as .xlsx")


@dataclass(frozen=True, slots=True)
class BackRow:
    """One row of a storeroom sheet.

    `picked` is pieces, or None where nothing was written. `lot`, `code` and `cart` stand as they do there, None where
    empty. `storeroom` is the name in the sheet's title, None where the title is gone. `letters` are those of COLUMNS.
    """

    sheet: str
    row: int
    letters: Mapping[str, str]
    reference: str
    lot: str | None
    code: str | None
    cart: str | None
    storeroom: str | None
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

    Rows are known by their reference: sorted, filtered and missing rows are all well. Whether the rest of a row still
    belongs to its reference is for the reader of the plan to check. An empty Picked says nothing; 0 says that none was
    found. Raises SheetRefused for a file that is no pick list at all.
    """
    path = Path(path)
    check_is_workbook(path, A_PICK_LIST)
    with Workbook(path) as workbook:
        found = None
        pick_sheets = 0
        rows: list[BackRow] = []
        problems: list[Problem] = []
        marks = in_every_language(PICKED) | in_every_language(REFERENCE)
        for sheet in workbook.sheets:
            numbered = workbook.rows(sheet)
            columns = storeroom = None
            for number, cells in numbered:
                found = found or next(filter(None, map(parse_fingerprint, texts_in(cells))), None)
                storeroom = storeroom or next(filter(None, map(_storeroom, texts_in(cells))), None)
                if marks & set(texts_in(cells)):
                    columns = columns_in(path.name, sheet, number, cells, COLUMNS, problems)
                    break
            if columns is not None:
                pick_sheets += 1
                rows.extend(_read_rows(path.name, sheet, storeroom, numbered, columns, problems))
    if found is None:
        raise SheetRefused(
            Problem(
                path.name, _("no sheet with the line “Evenfill pick list ...” that stands on the cover"), A_PICK_LIST
            )
        )
    return WorkbookBack(path.name, found, pick_sheets, tuple(rows), tuple(problems))


def problem_at(file: str, row: BackRow, found: str, expected: str, *, column: str = PICKED) -> Problem:
    """A problem of one cell, named by sheet, row and column."""
    return Problem(file, found, expected, sheet=row.sheet, row=row.row, column=f"{row.letters[column]}, {_(column)}")


def _read_rows(
    file: str,
    sheet: str,
    storeroom: str | None,
    rows: Iterator[tuple[int, list[object]]],
    columns: Mapping[str, int],
    problems: list[Problem],
) -> Iterator[BackRow]:
    width = max(columns.values()) + 1
    letters = {name: get_column_letter(position + 1) for name, position in columns.items()}
    for number, cells in rows:
        cells.extend([None] * (width - len(cells)))
        picked, reference, lot, code, cart = (cells[columns[name]] for name in COLUMNS)
        if picked is None and reference is None:
            continue
        if not isinstance(reference, str):
            problems.append(
                Problem(
                    file,
                    NOTHING if reference is None else shown(reference),
                    _("the reference that was printed in this row; a row added by hand cannot be recorded"),
                    sheet=sheet,
                    row=number,
                    column=f"{letters[REFERENCE]}, {_(REFERENCE)}",
                )
            )
            continue
        row = BackRow(sheet, number, letters, reference, None, words_in(code), words_in(cart), storeroom, None)
        if picked is not None:
            try:
                row = replace(row, picked=read_cell(Whole(0, MOST_PICKED), picked, _("{}, or an empty cell")))
                row = replace(row, lot=read_cell(LotNumber(), lot, "{}") if row.picked and lot is not None else None)
            except NotRead as wrong:
                column = PICKED if row.picked is None else LOT
                problems.append(problem_at(file, row, wrong.found, wrong.expected, column=column))
                continue
        yield row


def _storeroom(text: str) -> str | None:
    """The storeroom's name where the text is the title of its sheet."""
    for title in in_every_language(PICK_FROM):
        before, after = title.split("%(storeroom)s")
        if text.startswith(before) and text.endswith(after):
            return text.removeprefix(before).removesuffix(after)
    return None
