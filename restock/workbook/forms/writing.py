"""A form on sheets: title, what it is about, the table, and on every page the day, page n of m and the cautions."""

import textwrap
from collections.abc import Iterable, Sequence
from datetime import datetime
from io import BytesIO

from django.utils.translation import gettext as _
from openpyxl import Workbook
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from inventory.importing.values import Choice, Date, Whole, YesNo
from inventory.models import Department

from ..layout import (
    BOLD,
    FAINT,
    PLAIN,
    Heading,
    Paper,
    TableRow,
    put_across,
    put_table,
    put_title,
    set_up_page,
    set_widths,
    sheet_name,
    use_own_font,
)
from .form import REFERENCE, Asked, Form, Row
from .references import Fingerprint

LONGEST_FOOTER = 180  # characters of the cautions on every page; in full they stand under the table
WIDEST_PORTRAIT = 95  # characters; a wider table is printed across
LONGEST_HINT = 255  # the format's own limits for what a cell tells who types there
LONGEST_HINT_TITLE = 32


def write_form(
    form: Form,
    rows: Iterable[Row],
    *,
    department: Department,
    about: str,
    lines: Sequence[str],
    made_at: datetime,
    paper: Paper = Paper.A4,
) -> bytes:
    """An .xlsx workbook with a sheet for each `Row.sheet`, in the order given; one sheet where there is no row.

    about: what this is a sheet of, for the feature that reads it (“round-12”); it comes back in Filled. lines: above
    the table, such as the day and the places.
    """
    by_sheet: dict[str, list[Row]] = {}
    for row in rows:
        by_sheet.setdefault(row.sheet, []).append(row)
    by_sheet = by_sheet or {"": []}
    fingerprint = Fingerprint.of(form.kind, department.code, about, made_at, len(by_sheet))
    workbook = Workbook()
    use_own_font(workbook)
    workbook.remove(workbook.active)
    made = department.local_time(made_at)
    for name, of_sheet in by_sheet.items():
        sheet = workbook.create_sheet(sheet_name(name or _(form.title), workbook.sheetnames))
        title = f"{_(form.title)}: {name}" if name else _(form.title)
        _write_sheet(sheet, form, title, lines, of_sheet, fingerprint)
        headings = _headings(form)
        set_up_page(
            sheet,
            paper=paper,
            landscape=sum(heading.width for heading in headings) > WIDEST_PORTRAIT,
            one_page=False,
            left=department.name,
            centre=title,
            right=_("made %(made)s") % {"made": f"{made:%Y-%m-%d %H:%M}"},
            caution=textwrap.shorten(" ".join(map(_, form.cautions)), LONGEST_FOOTER, placeholder=" …").replace(
                "&", "&&"
            ),
        )
    workbook.properties.title, workbook.properties.creator = _(form.title), "Evenfill"
    written = BytesIO()
    workbook.save(written)
    return written.getvalue()


def _headings(form: Form) -> list[Heading]:
    printed = [
        Heading(column.title, column.width, column.align, BOLD if column.bold else PLAIN) for column in form.printed
    ]
    asked = [_asked_heading(asked) for asked in form.asked]
    return [*printed, *asked, Heading(REFERENCE, 22, "center", FAINT)]


def _asked_heading(asked: Asked) -> Heading:
    format = {Whole: "0", Date: "yyyy-mm-dd"}.get(type(asked.kind), "@")
    return Heading(asked.title, asked.width, "left" if asked.is_text else "center", BOLD, format, boxed=True)


def _write_sheet(
    sheet: Worksheet, form: Form, title: str, lines: Sequence[str], rows: Sequence[Row], fingerprint: Fingerprint
) -> None:
    headings = _headings(form)
    set_widths(sheet, [heading.width for heading in headings])
    above = [*lines, _(form.how_to), _("Sort or filter whole rows only, and leave the column Reference alone.")]
    heading_row = put_title(sheet, title, above, len(headings)) + 1
    put_across(sheet, heading_row - 1, 1, len(headings), str(fingerprint), font=FAINT)
    put_table(sheet, heading_row, headings, [_table_row(form, row, fingerprint) for row in rows])
    if rows:
        for number, asked in enumerate(form.asked, start=len(form.printed) + 1):
            letter = sheet.cell(heading_row, number).column_letter
            checked = _validation(asked)
            checked.add(f"{letter}{heading_row + 1}:{letter}{heading_row + len(rows)}")
            sheet.add_data_validation(checked)
    if form.cautions:
        below = heading_row + len(rows) + 2  # a row left free, so that sorting never takes the words for a row
        put_across(sheet, below, 1, len(headings), " ".join(map(_, form.cautions)))


def _table_row(form: Form, row: Row, fingerprint: Fingerprint) -> TableRow:
    identity = [value for column, value in zip(form.printed, row.printed, strict=True) if column.identifies]
    filled = [row.filled.get(asked.name) for asked in form.asked]
    return TableRow([*row.printed, *filled, fingerprint.reference(row.key, identity)])


def _validation(asked: Asked) -> DataValidation:
    """What a spreadsheet program checks while a person types. The reading checks again."""
    kind = asked.kind
    match kind:
        case Whole():
            checked = DataValidation(
                "whole", operator="between", formula1=str(kind.at_least), formula2=str(kind.at_most)
            )
        case Date():
            first, last = (f"DATE({day.year},{day.month},{day.day})" for day in (kind.earliest, kind.latest))
            checked = DataValidation("date", operator="between", formula1=first, formula2=last)
        case YesNo():
            checked = DataValidation("list", formula1=f'"{_("yes")},{_("no")}"')
        case Choice():
            checked = DataValidation("list", formula1=f'"{",".join(kind.choices)}"')
        case _:
            longest = getattr(kind, "longest", LONGEST_HINT)
            checked = DataValidation("textLength", operator="lessThanOrEqual", formula1=str(longest))
    checked.allow_blank = checked.showErrorMessage = True
    checked.errorTitle = _(asked.title)[:LONGEST_HINT_TITLE]
    checked.error = (_("Write %(describes)s.") % {"describes": kind.describes})[:LONGEST_HINT]
    if asked.hint:
        checked.showInputMessage = True
        checked.promptTitle, checked.prompt = _(asked.title)[:LONGEST_HINT_TITLE], _(asked.hint)[:LONGEST_HINT]
    return checked
