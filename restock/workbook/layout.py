"""How a sheet looks on screen and on paper: cells that are never formulas, headings, rules, page set-up."""

import re
import textwrap
from collections.abc import Iterable, Sequence
from copy import copy
from datetime import date
from enum import Enum
from functools import lru_cache
from typing import NamedTuple

from django.utils.translation import gettext as _
from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.header_footer import HeaderFooterItem
from openpyxl.worksheet.page import PageMargins
from openpyxl.worksheet.worksheet import Worksheet

from inventory.importing.writing import put_text

# Metric-compatible stand-ins for Arial are everywhere, so widths hold in every program; its figures are tabular.
FONT = "Arial"
INK, GREY = "000000", "595959"  # grey on white at 7:1, still readable from a tired printer
TICK_BOX = "☐"

PLAIN = Font(name=FONT, size=10, color=INK)
BOLD = Font(name=FONT, size=10, bold=True, color=INK)
TITLE = Font(name=FONT, size=16, bold=True, color=INK)
BOX = Font(name=FONT, size=14, color=INK)
FAINT = Font(name=FONT, size=9, color=GREY)

HAIR, LINE = Side(style="thin", color="BFBFBF"), Side(style="thin", color=INK)
HEADING_FILL = PatternFill("solid", fgColor="E7E6E3")

LONGEST_SHEET_NAME = 31  # a limit of the file format (Excel), not ours
LONGEST_IN_HEADER = 60  # three such parts fit side by side, and within the 255 characters of the format
_NOT_IN_SHEET_NAME = re.compile(r"[\[\]:*?/\\\x00-\x1f]")
_RESERVED_SHEET_NAMES = ("history",)
POINTS_PER_LINE = 12.75  # of 10 point text
LEAST_ROW_POINTS = 19  # room to write a number by hand, also where the page is shrunk to fit
CHARACTERS_PER_WIDTH = 1.12  # running text is narrower than the digits that column widths are counted in


class Paper(Enum):
    """The paper a department prints on; the numbers are those of the file format."""

    A4 = 9
    LETTER = 1


class TableRow(NamedTuple):
    """A row of a table. `ruled` draws a full line above it; `faint` names columns that only repeat the row above."""

    values: Sequence[str | int | date | None]
    ruled: bool = True
    faint: Sequence[str] = ()


class Heading(NamedTuple):
    """One column of a table: its title, its width in characters, and how its cells stand.

    The title is English; it is written in the language of the moment.
    """

    title: str
    width: float
    align: str = "left"
    font: Font = PLAIN
    format: str = "General"
    boxed: bool = False
    indent: int = 0


def use_own_font(workbook: Workbook) -> None:
    """Make our font the workbook's own, because column widths are counted in digits of that one."""
    workbook._named_styles["Normal"].font = PLAIN


def put(cell: Cell, value: str | int | None, *, font: Font = PLAIN, alignment: Alignment | None = None) -> None:
    """Write a value in a font; running text wraps and begins at the top."""
    cell.font = font
    cell.alignment = alignment or Alignment(vertical="top", wrap_text=True)
    put_value(cell, value)


def put_value(cell: Cell, value: str | int | date | None) -> None:
    """Write a value that stays what it is: text that looks like a formula is text, for every program."""
    if value is None or isinstance(value, int | date):
        cell.value = value
    else:
        put_text(cell, str(value))  # a sentence or a label of no language yet, too


def sheet_name(wanted: str, taken: Iterable[str]) -> str:
    """A name for a sheet: what the format forbids taken out, shortened, and unlike all `taken`."""
    name = _NOT_IN_SHEET_NAME.sub(" ", wanted)
    name = " ".join(name.split()).strip("' ") or _("Sheet")
    used = {*(other.casefold() for other in taken), *_RESERVED_SHEET_NAMES}
    candidate = name[:LONGEST_SHEET_NAME].strip("' ")
    number = 2
    while candidate.casefold() in used:
        suffix = f" ({number})"
        candidate = name[: LONGEST_SHEET_NAME - len(suffix)].rstrip("' ") + suffix
        number += 1
    return candidate


def put_title(sheet: Worksheet, title: str, lines: Sequence[str], columns: int) -> int:
    """Write a title and short lines of text above a table, across `columns`; return the next row."""
    put(sheet.cell(1, 1), title, font=TITLE, alignment=Alignment(vertical="center"))
    sheet.row_dimensions[1].height = 24
    for row, line in enumerate(lines, start=2):
        put_across(sheet, row, 1, columns, line)
    return len(lines) + 2


def put_across(sheet: Worksheet, row: int, first: int, last: int, text: str, *, font: Font = PLAIN) -> None:
    """Write running text over merged columns, in a row as high as it needs."""
    put(sheet.cell(row, first), text, font=font)
    sheet.merge_cells(start_row=row, start_column=first, end_row=row, end_column=last)
    width = sum(sheet.column_dimensions[get_column_letter(n)].width for n in range(first, last + 1))
    sheet.row_dimensions[row].height = _lines(sheet.cell(row, first), width) * POINTS_PER_LINE + 3


def set_widths(sheet: Worksheet, widths: Sequence[float]) -> None:
    for number, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(number)].width = width


def put_table(sheet: Worksheet, heading_row: int, headings: Sequence[Heading], rows: Sequence[TableRow]) -> None:
    """Write a table whose heading stays in sight on screen and comes back on every page, to be filtered and sorted."""
    _put_headings(sheet, heading_row, headings)
    last_row = heading_row + len(rows)
    styles = {}  # a style is looked up once for each kind of cell: for each cell it would take most of the time
    for number, row in enumerate(rows, start=heading_row + 1):
        for column, (heading, value) in enumerate(zip(headings, row.values, strict=True), start=1):
            cell = sheet.cell(number, column)
            kind = (column, row.ruled, heading.title in row.faint)
            if kind not in styles:
                _put_style(cell, heading, ruled=row.ruled, faint=heading.title in row.faint)
                styles[kind] = copy(cell._style)
            cell._style = copy(styles[kind])
            put_value(cell, value)
        fit_height(sheet, number, len(headings))
    for column in range(1, len(headings) + 1):
        sheet.cell(last_row + 1, column).border = Border(top=LINE)
    sheet.auto_filter.ref = f"A{heading_row}:{get_column_letter(len(headings))}{last_row}"


def _put_headings(sheet: Worksheet, row: int, headings: Sequence[Heading]) -> None:
    for column, heading in enumerate(headings, start=1):
        cell = sheet.cell(row, column)
        alignment = Alignment(horizontal=heading.align, vertical="bottom", wrap_text=True, indent=heading.indent)
        put(cell, heading.title and _(heading.title), font=BOLD, alignment=alignment)
        cell.fill = HEADING_FILL
        cell.border = Border(top=LINE, bottom=LINE)
    sheet.row_dimensions[row].height = 2 * POINTS_PER_LINE + 3
    sheet.freeze_panes = sheet.cell(row + 1, 1)
    sheet.print_title_rows = f"{row}:{row}"


def _put_style(cell: Cell, heading: Heading, *, ruled: bool, faint: bool) -> None:
    cell.font = FAINT if faint else heading.font
    cell.alignment = Alignment(horizontal=heading.align, vertical="center", wrap_text=True, indent=heading.indent)
    cell.number_format = heading.format
    box = Border(top=LINE, bottom=LINE, left=LINE, right=LINE)
    cell.border = box if heading.boxed else Border(top=LINE if ruled else HAIR)


def fit_height(sheet: Worksheet, row: int, columns: int) -> None:
    """Make a row as high as its wrapped cells need: not every program does so by itself when it opens a file."""
    filled = [cell for n in range(1, columns + 1) if (cell := sheet.cell(row, n)).value is not None]
    lines = max(_lines(cell, sheet.column_dimensions[cell.column_letter].width) for cell in filled)
    sheet.row_dimensions[row].height = max(lines * POINTS_PER_LINE + 4, LEAST_ROW_POINTS)


def _lines(cell: Cell, width: float) -> int:
    """Lines that a cell's wrapped text takes in a column, or merged columns, of that width."""
    characters = width * CHARACTERS_PER_WIDTH * PLAIN.size / cell.font.size
    return _wrapped_lines(str(cell.value), max(int(characters), 1))


@lru_cache(maxsize=4096)
def _wrapped_lines(text: str, characters: int) -> int:
    """Names stand on many carts, and most fit: wrapping each cell anew took a third of the writing."""
    return 1 if len(text) <= characters else len(textwrap.wrap(text, characters))


def set_up_page(
    sheet: Worksheet,
    *,
    paper: Paper,
    landscape: bool,
    one_page: bool,
    left: str,
    centre: str,
    right: str,
    caution: str,
) -> None:
    """Fit the sheet to the paper's width; say on every page what it is, for which day, and which page of how many."""
    sheet.page_setup.paperSize = paper.value
    sheet.page_setup.orientation = "landscape" if landscape else "portrait"
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 1 if one_page else 0
    sheet.page_setup.blackAndWhite = True
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_margins = PageMargins(left=0.4, right=0.4, top=0.7, bottom=0.6, header=0.3, footer=0.3)
    sheet.print_options.horizontalCentered = True
    sheet.sheet_view.showGridLines = False
    for item, text in ((sheet.oddHeader.left, left), (sheet.oddHeader.center, centre), (sheet.oddHeader.right, right)):
        _put_in_header(item, text, size=9)
    sheet.oddFooter.left.text, sheet.oddFooter.left.size = str(caution), 8
    sheet.oddFooter.right.text, sheet.oddFooter.right.size = _("page &P of &N"), 9


def _put_in_header(item: HeaderFooterItem, text: str, *, size: int) -> None:
    # An ampersand begins a command here, so one that is text stands twice.
    text = textwrap.shorten(ILLEGAL_CHARACTERS_RE.sub(" ", text), LONGEST_IN_HEADER, placeholder=" …")
    item.text, item.size = text.replace("&", "&&"), size
