"""Write an empty workbook for a kind of sheet: headings, explanations, choices, nothing else."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from inventory.importing.columns import Column
from inventory.importing.values import Barcode, Choice, Clock, Code, Date, Text, TextList, Whole, YesNo
from inventory.importing.writing import put_text

LAST_CHECKED_ROW = 100_000  # choices are offered this far down; rows below still load
LONGEST_SHEET_NAME = 31  # characters, a limit of the file format
LONGEST_CHOICES = 255  # characters that the file format allows in a list of choices

EXPLAINED = (
    gettext_lazy("column"),
    gettext_lazy("meaning"),
    gettext_lazy("required"),
    gettext_lazy("expected"),
    gettext_lazy("example"),
)

TEXT_FORMAT = "@"  # keeps leading zeros and keeps the program from guessing dates
NUMBER_FORMATS = {
    Text: TEXT_FORMAT,
    Code: TEXT_FORMAT,
    Barcode: TEXT_FORMAT,
    TextList: TEXT_FORMAT,
    Date: "yyyy-mm-dd",
    Clock: "hh:mm",
}


def write_blank(path: Path, kinds: Mapping[str, Sequence[Column]]) -> None:
    """Write an empty .xlsx sheet for each kind with a note on every heading, and a page of explanations.

    `kinds` maps the name of a kind, which names its sheet, to its columns. Raises OSError where the file cannot be
    written.
    """
    book = Workbook()
    book.remove(book.active)
    for kind, columns in kinds.items():
        sheet = book.create_sheet(kind)
        for position, column in enumerate(columns, start=1):
            _write_heading(sheet, position, column)
        sheet.freeze_panes = "A2"
    _write_explanations(book.create_sheet(_("How to fill this in")[:LONGEST_SHEET_NAME]), kinds)
    book.save(path)


def _write_heading(sheet: Worksheet, position: int, column: Column) -> None:
    heading = sheet.cell(row=1, column=position)
    put_text(heading, column.name)
    heading.font = Font(bold=column.required)
    heading.comment = Comment("\n".join(_explanation(column)), "Evenfill", width=320, height=160)

    letter = get_column_letter(position)
    sheet.column_dimensions[letter].width = max(12, len(column.name) + 4)
    if number_format := NUMBER_FORMATS.get(type(column.type)):
        sheet.column_dimensions[letter].number_format = number_format
    if validation := _validation(column):
        validation.add(f"{letter}2:{letter}{LAST_CHECKED_ROW}")
        sheet.add_data_validation(validation)


def _validation(column: Column) -> DataValidation | None:
    """What the spreadsheet program itself can check while a person types."""
    match column.type:
        case Choice(choices=choices):
            validation = _list_of(choices)
        case YesNo():
            validation = _list_of(("yes", "no"))
        case Whole(at_least=least, at_most=most):
            validation = DataValidation("whole", operator="between", formula1=str(least), formula2=str(most))
        case _:
            return None
    if validation is not None:
        validation.allow_blank = not column.required
        validation.showErrorMessage = True
        validation.errorTitle = column.name[:32]
        validation.error = (_("Expected: %(expected)s.") % {"expected": column.type.describes})[:225]
    return validation


def _list_of(choices: Sequence[str]) -> DataValidation | None:
    listed = ",".join(choices)
    if len(listed) > LONGEST_CHOICES or any("," in choice or '"' in choice for choice in choices):
        return None
    return DataValidation("list", formula1=f'"{listed}"')


def _explanation(column: Column) -> list[str]:
    lines = [
        f"{column.meaning}.",
        _("Required.") if column.required else _("May be left blank."),
        _("Expected: %(describes)s.") % {"describes": column.type.describes},
    ]
    if column.example:
        lines.append(f"Example: {column.example}")
    return lines


def _write_explanations(sheet: Worksheet, kinds: Mapping[str, Sequence[Column]]) -> None:
    introduction = (
        ngettext(
            "Fill in the sheet %(sheets)s, one line to a row, below the headings.",
            "Fill in the sheets %(sheets)s, one line to a row, below the headings.",
            len(kinds),
        )
        % {"sheets": ", ".join(f"“{kind}”" for kind in kinds)},
        _("Columns with a bold heading are required. The others may be left blank or deleted."),
        _("The order of columns does not matter. Columns of your own are ignored."),
        _("No name, number or other detail of a patient belongs in any column."),
    )
    for row, sentence in enumerate(introduction, start=1):
        put_text(sheet.cell(row=row, column=1), sentence)

    row = len(introduction) + 2
    for kind, columns in kinds.items():
        if len(kinds) > 1:
            title = sheet.cell(row=row, column=1)
            put_text(title, kind)
            title.font = Font(bold=True, size=13)
            row += 1
        row = _write_columns(sheet, row, columns) + 1
    for letter, width in zip("ABCDE", (20, 48, 10, 56, 24), strict=True):
        sheet.column_dimensions[letter].width = width


def _write_columns(sheet: Worksheet, row: int, columns: Sequence[Column]) -> int:
    """Write the table that explains these columns; returns the row below it."""
    for position, title in enumerate(EXPLAINED, start=1):
        heading = sheet.cell(row=row, column=position)
        put_text(heading, str(title))
        heading.font = Font(bold=True)
    for column in columns:
        row += 1
        required = _("yes") if column.required else _("no")
        cells = (column.name, column.meaning, required, column.type.describes, column.example)
        for position, text in enumerate(cells, start=1):
            cell = sheet.cell(row=row, column=position)
            put_text(cell, str(text))
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    return row + 1
