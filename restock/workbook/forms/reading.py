"""A filled-in form read back: typed answers, or every problem with its file, sheet, row and column. No database."""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.utils.translation import gettext as _
from openpyxl.utils import get_column_letter

from inventory.importing.problems import NOT_SHOWN, NOTHING, Problem, SheetRefused, quoted
from inventory.importing.values import Code
from inventory.importing.xlsx import Workbook
from inventory.models import Department

from ..cells import NotRead, check_is_workbook, columns_in, in_every_language, read_cell, shown, texts_in, words_in
from .form import REFERENCE, Asked, Form
from .references import FORMAT, Fingerprint, parse_fingerprint


@dataclass(frozen=True, slots=True)
class Answer:
    """One row that a person filled in.

    key: what the writer called the row. values: by name, None where a cell is empty; at least one is not.
    event_key: the same for the same row of the same sheet however often it comes back.
    """

    key: str
    values: Mapping[str, object]
    event_key: str
    file: str
    sheet: str
    row: int
    columns: Mapping[str, str]

    def __getitem__(self, name: str) -> object:
        return self.values[name]

    def problem(self, name: str, found: str, expected: str) -> Problem:
        """A problem of the cell of this answer. `found` has to be safe to show: pass contents through `quoted`."""
        return Problem(self.file, found, expected, sheet=self.sheet, row=self.row, column=self.columns[name])


@dataclass(frozen=True, slots=True)
class Filled:
    """A form that came back: what it is about, when it was written, and the rows with answers.

    sheet_key: the same for this very sheet however often it comes back; every `event_key` begins with it.
    """

    file: str
    sheet_key: str
    about: str
    made_at: datetime
    answers: tuple[Answer, ...]


def read_form(form: Form, path: Path, *, department: Department, about: str | None = None) -> Filled:
    """Read a filled-in form.

    Rows are known by their reference: sorted, filtered and missing rows are all well. A row where nothing is filled in
    says nothing. `about`: refuse a sheet about anything else. Raises SheetRefused with every problem of the file.
    """
    path = Path(path)
    wanted = _("the sheet “%(value)s” as this tool wrote it, saved as .xlsx") % {"value": _(form.title)}
    check_is_workbook(path, wanted)
    problems: list[Problem] = []
    tables: list[tuple[str, list[_RawRow]]] = []
    found: set[Fingerprint] = set()
    with Workbook(path) as workbook:
        for sheet in workbook.sheets:
            fingerprint, columns, rows = _read_sheet(path.name, workbook, sheet, form, problems)
            found |= {fingerprint} - {None}
            if columns:
                tables.append((sheet, rows))
    fingerprint = _judged(path.name, form, found, wanted, department=department, about=about)
    if len(tables) < fingerprint.sheets and not problems:
        there = _("%(tables)s of %(sheets)s sheets") % {"tables": len(tables), "sheets": fingerprint.sheets}
        problems.append(Problem(path.name, there, _("every sheet as it was written; delete rows rather than sheets")))
    seen: dict[str, _RawRow] = {}
    counted: Counter[str] = Counter()
    answers = [
        answer
        for _columns, rows in tables
        for row in rows
        if (answer := _answer(path.name, form, fingerprint, row, seen, counted, problems)) is not None
    ]
    if problems:
        raise SheetRefused(*problems)
    return Filled(path.name, _sheet_key(fingerprint), fingerprint.about, fingerprint.made_at, tuple(answers))


@dataclass(frozen=True, slots=True)
class _RawRow:
    sheet: str
    number: int
    cells: Mapping[str, object]  # by title
    columns: Mapping[str, str]  # letter and title, by title

    def problem(self, file: str, title: str, found: str, expected: str) -> Problem:
        return Problem(file, found, expected, sheet=self.sheet, row=self.number, column=self.columns[title])


def _read_sheet(
    file: str, workbook: Workbook, sheet: str, form: Form, problems: list[Problem]
) -> tuple[Fingerprint | None, dict[str, int] | None, list[_RawRow]]:
    fingerprint = columns = None
    numbered: Iterator[tuple[int, list[object]]] = workbook.rows(sheet)
    for number, cells in numbered:
        fingerprint = fingerprint or next(filter(None, map(parse_fingerprint, texts_in(cells))), None)
        if in_every_language(REFERENCE) & set(texts_in(cells)):
            columns = columns_in(file, sheet, number, cells, form.titles, problems)
            break
    if columns is None:
        return fingerprint, None, []
    letters = {title: f"{get_column_letter(at + 1)}, {_(title)}" for title, at in columns.items()}
    width = max(columns.values()) + 1
    rows = []
    for number, cells in numbered:
        cells.extend([None] * (width - len(cells)))
        rows.append(_RawRow(sheet, number, {title: cells[at] for title, at in columns.items()}, letters))
    return fingerprint, columns, rows


def _judged(
    file: str, form: Form, found: set[Fingerprint], wanted: str, *, department: Department, about: str | None
) -> Fingerprint:
    """The one fingerprint of a workbook that may be read here. Raises SheetRefused."""
    if not found:
        raise SheetRefused(Problem(file, _("no line “Evenfill sheet ...” above the table"), wanted))
    if len(found) > 1:
        raise SheetRefused(
            Problem(
                file,
                _("sheets of different workbooks in one"),
                _("%(wanted)s; bring each back by itself") % {"wanted": wanted},
            )
        )
    fingerprint = next(iter(found))
    of = _("a sheet %(kind)s of department %(department)s") % {
        "kind": quoted(fingerprint.kind),
        "department": quoted(fingerprint.department),
    }
    if fingerprint.kind != form.kind:
        raise SheetRefused(Problem(file, of, _("%(wanted)s; bring this one back on its own page") % {"wanted": wanted}))
    if fingerprint.format != FORMAT:
        raise SheetRefused(
            Problem(
                file,
                _("a sheet of format %(format)s") % {"format": fingerprint.format},
                _("one of format %(format)s: write it again") % {"format": FORMAT},
            )
        )
    if fingerprint.department != department.code:
        raise SheetRefused(Problem(file, of, _("one of department %(code)s") % {"code": quoted(department.code)}))
    if not fingerprint.is_true:
        raise SheetRefused(
            Problem(
                file,
                quoted(str(fingerprint)),
                _(
                    "a sheet that was written here: this one is of another installation, or the line above its table "
                    "was changed"
                ),
            )
        )
    if about is not None and fingerprint.about != about:
        raise SheetRefused(
            Problem(
                file,
                _("a sheet about %(about)s") % {"about": quoted(fingerprint.about)},
                _("the one about %(about)s") % {"about": quoted(about)},
            )
        )
    return fingerprint


def _answer(
    file: str,
    form: Form,
    fingerprint: Fingerprint,
    row: _RawRow,
    seen: dict[str, _RawRow],
    counted: Counter[str],
    problems: list[Problem],
) -> Answer | None:
    reference = row.cells[REFERENCE]
    filled = [asked for asked in form.asked if row.cells[asked.title] is not None]
    if not filled and not isinstance(reference, str):
        return None
    key = fingerprint.key_of(reference) if isinstance(reference, str) else None
    if key is None:
        found = NOTHING if reference is None else shown(reference)
        mend = _("the reference that was printed in this row; a row added by hand cannot be recorded")
        if reference is not None:
            mend = _("the reference that was printed in this row; it was changed, or the row is of another sheet")
        problems.append(row.problem(file, REFERENCE, found, mend))
        return None
    if not form.repeats and (first := seen.get(key)):
        found = _("%(reference)s again, after sheet %(sheet)s, row %(number)s") % {
            "reference": quoted(reference),
            "sheet": quoted(first.sheet),
            "number": first.number,
        }
        problems.append(row.problem(file, REFERENCE, found, _("every reference once")))
        return None
    seen[key] = row
    if not filled:
        return None
    identity = [words_in(row.cells[column.title]) for column in form.printed if column.identifies]
    if not fingerprint.belongs(reference, identity):
        title = next(column.title for column in form.printed if column.identifies)
        problems.append(
            row.problem(
                file,
                title,
                NOTHING if row.cells[title] is None else shown(row.cells[title]),
                _(
                    "what was printed beside the reference %(reference)s: part of the sheet was sorted or moved; "
                    "sort whole rows with every column, or write the sheet again and type the answers into it"
                )
                % {"reference": reference},
            )
        )
        return None
    values = {}
    for asked in form.asked:
        try:
            values[asked.name] = _value(asked, row.cells[asked.title])
        except NotRead as wrong:
            problems.append(row.problem(file, asked.title, wrong.found, wrong.expected))
    if len(values) < len(form.asked):
        return None
    counted[key] += 1
    event_key = f"{_sheet_key(fingerprint)}:{key}" + (f"#{counted[key]}" if counted[key] > 1 else "")
    columns = {asked.name: row.columns[asked.title] for asked in form.asked}
    return Answer(key, values, event_key, file, row.sheet, row.number, columns)


def _sheet_key(fingerprint: Fingerprint) -> str:
    return f"sheet:{fingerprint.kind}:{fingerprint.check}"


def _value(asked: Asked, cell: object) -> object:
    if cell is None:
        if asked.needed:
            raise NotRead(
                NOTHING,
                _("%(describes)s, because other cells of this row are filled in") % {"describes": asked.kind.describes},
            )
        return None
    try:
        return read_cell(asked.kind, cell, "{}" if asked.needed else _("{}, or an empty cell"))
    except NotRead as wrong:
        # Free text is never repeated: what was refused may have been about a person.
        if asked.is_text and not isinstance(asked.kind, Code):
            raise NotRead(NOT_SHOWN, wrong.expected) from None
        raise
