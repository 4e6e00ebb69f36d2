"""Open a department's spreadsheet against declared columns and read its rows as typed values."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from django.utils.translation import gettext as _

from inventory.importing.columns import Column, Headings, known_headings, match_headings
from inventory.importing.delimited import Delimited
from inventory.importing.problems import NOT_SHOWN, NOTHING, Problem, SheetRefused, quoted
from inventory.importing.values import Date, FaultyCell, Unfit
from inventory.importing.xlsx import A_SPREADSHEET, SAVE_AS_XLSX, WITHOUT_PASSWORD, Progress, Workbook

OLE_CONTAINER = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # [MS-CFB]: old .xls, and .xlsx with a password
ZIP_FILE = (b"PK\x03\x04", b"PK\x05\x06")
OTHER_FILES = (b"%PDF", b"\x89PNG", b"\xff\xd8\xff", b"{\\rtf", b"<")

MOST_REMEMBERED_TEXTS = 50_000  # per column, of a CSV file; most columns repeat a few hundred


class Row:
    """One row's typed values: `row["code"]`; a blank cell or absent column is None."""

    __slots__ = ("_positions", "_values", "number")

    def __init__(self, number: int, values: list[object], positions: Mapping[str, int]):
        self.number = number
        self._values = values
        self._positions = positions

    def __getitem__(self, column: str) -> object:
        return self._values[self._positions[column]]

    def __repr__(self) -> str:
        # Values stay out: a row in a traceback or a log must not show what may be a person's data.
        return f"<Row {self.number}>"


@dataclass
class Table:
    """A file whose headings fit; `rows()` reads it, `problems` fills up while it is read.

    `note` says in one sentence which sheet was taken where the file has several, else it is empty.
    """

    file: str
    sheet: str | None
    columns: Sequence[Column]
    headings: Headings
    note: str
    _read: Callable[[Progress | None], Iterator[tuple[int, list[object]]]]
    problems: list[Problem] = field(default_factory=list)

    @property
    def unknown_headings(self) -> tuple[str, ...]:
        """Headings of columns that are ignored, as they may be shown."""
        return self.headings.unknown

    def has(self, column: str) -> bool:
        """Whether the file has this column at all (a blank cell in it is None like an absent one)."""
        return column in self.headings.positions

    def rows(self, progress: Progress | None = None) -> Iterator[Row]:
        """Yield every row without a fault, in order, in constant memory; faults go to `problems`.

        `progress` is called with bytes read so far and bytes in all. Call again to read the file
        again. Raises SheetRefused where the file turns out to be damaged further down.
        """
        declared = {column.name: place for place, column in enumerate(self.columns)}
        plan = [
            (place, column, self.headings.positions.get(column.name), column.type.read, {})
            for place, column in enumerate(self.columns)
        ]
        present = [entry for entry in plan if entry[2] is not None]
        width = max(self.headings.positions.values()) + 1
        headed = self.headings.width if self.sheet is None else None
        stream = self._read(progress)
        next(stream, None)  # the headings
        for number, cells in stream:
            if len(cells) < width:
                cells.extend([None] * (width - len(cells)))
            elif headed is not None and any(cells[headed:]):
                # Everything right of the stray comma has moved, so no cell of this row may be shown.
                self.problems.append(
                    Problem(
                        self.file,
                        _("more cells than there are headings"),
                        _("text that contains the delimiter to stand in quotation marks"),
                        row=number,
                    )
                )
                continue
            values: list[object] = [None] * len(plan)
            blank = True
            faults: list[Problem] = []
            for place, column, position, read, remembered in present:
                cell = cells[position]
                if cell is None:
                    if column.required:
                        faults.append(self.problem(number, column.name, column.type.describes, NOTHING))
                    continue
                blank = False
                is_text = type(cell) is str
                if is_text and cell in remembered:
                    values[place] = remembered[cell]
                    continue
                try:
                    values[place] = value = self._value(cell, read)
                except Unfit as reason:
                    found = cell.found if isinstance(cell, FaultyCell) else quoted(cell)
                    if reason.keep_hidden:
                        found = NOT_SHOWN
                    faults.append(self.problem(number, column.name, str(reason), found))
                else:
                    if is_text and len(remembered) < MOST_REMEMBERED_TEXTS:
                        remembered[cell] = value
            if blank:
                continue
            if faults:
                self.problems.extend(faults)
            else:
                yield Row(number, values, declared)

    def problem(self, row: int, column: str, expected: str, found: str, *, vouched: bool = False) -> Problem:
        """A Problem of this file. `found` is a phrase (see `problems.quoted`); private columns hide it.

        `vouched`: the caller knows that this one cannot be about a person.
        """
        private = not vouched and any(declared.private for declared in self.columns if declared.name == column)
        return Problem(
            self.file,
            NOT_SHOWN if private and found != NOTHING else found,
            expected,
            sheet=self.sheet,
            row=row,
            column=self.headings.written.get(column, column),
        )

    def refuse_if_faulty(self) -> None:
        """Raise SheetRefused with every problem found so far, if there is one."""
        if self.problems:
            raise SheetRefused(*self.problems)

    @staticmethod
    def _value(cell: object, read: Callable[[object], object]) -> object:
        if isinstance(cell, FaultyCell):
            raise Unfit(cell.expected)
        return read(cell)


def open_table(
    path: Path | str,
    columns: Sequence[Column],
    *,
    sheet: str | None = None,
    column_map: Mapping[str, str] | None = None,
    shared_map: Mapping[str, str] | None = None,
    date_order: str | None = None,
) -> Table:
    """Open an .xlsx or .csv file whose first filled row holds headings for the declared columns.

    `sheet` names a worksheet; without it the first visible one whose headings fit is taken.
    `column_map` and `shared_map` translate a department's own headings (see `columns.match_headings`), `date_order`
    its dates (see `values.DATE_ORDERS`).

    Raises SheetRefused, saying what to do, for whatever is not such a file.
    """
    path = Path(path)
    column_map, shared_map = column_map or {}, shared_map or {}
    opened = open_headings(path, columns, sheet=sheet, column_map={**shared_map, **column_map})
    headings = match_headings(
        opened.cells,
        columns,
        column_map,
        file=path.name,
        sheet=opened.sheet,
        row=opened.row,
        shared_map=shared_map,
    )
    if date_order:
        columns = [
            replace(column, type=replace(column.type, order=date_order)) if isinstance(column.type, Date) else column
            for column in columns
        ]
    return Table(path.name, opened.sheet, tuple(columns), headings, opened.note, opened.read)


@dataclass(frozen=True)
class Opened:
    """A file's first filled row, whatever stands in it, and how to read all rows (see `Table` for `sheet`, `note`)."""

    sheet: str | None
    note: str
    row: int
    cells: list[object]
    read: Callable[[Progress | None], Iterator[tuple[int, list[object]]]]


def open_headings(
    path: Path,
    columns: Sequence[Column],
    *,
    sheet: str | None = None,
    column_map: Mapping[str, str] | None = None,
) -> Opened:
    """Open an .xlsx or .csv file at its first filled row, which need not fit the declared columns yet.

    Arguments and SheetRefused as for `open_table`. The cells may be anybody's data: show them by `shown_heading`.
    """

    def fit(cells: list[object]) -> int:
        return len(known_headings(cells, columns, column_map or {}))

    if _is_workbook(path):
        sheet, note = _choose_sheet(path, sheet, fit)

        def read(progress: Progress | None) -> Iterator[tuple[int, list[object]]]:
            with Workbook(path) as workbook:
                yield from workbook.rows(sheet, progress, as_shown=True)
    else:
        if sheet is not None:
            raise SheetRefused(Problem(path.name, _("a CSV file"), _("a workbook, because a sheet is named")))
        note = ""
        read = Delimited(path, fit).rows

    number, cells = next(read(None), (0, None))
    if cells is None:
        raise SheetRefused(Problem(path.name, _("no filled cell"), _("headings in the first filled row"), sheet=sheet))
    return Opened(sheet, note, number, cells, read)


def _choose_sheet(path: Path, wanted: str | None, fit: Callable[[list[object]], int]) -> tuple[str, str]:
    """The worksheet to read, and a sentence that says so where there was a choice."""
    with Workbook(path) as workbook:
        visible = [name for name, shown in workbook.sheets.items() if shown] or list(workbook.sheets)
        names = ", ".join(map(quoted, workbook.sheets))
        if wanted is not None:
            if wanted not in workbook.sheets:
                raise SheetRefused(
                    Problem(
                        path.name,
                        _("the sheets %(names)s") % {"names": names},
                        _("a sheet %(wanted)s") % {"wanted": quoted(wanted)},
                    )
                )
            return wanted, ""
        if len(workbook.sheets) == 1:
            return visible[0], ""

        def fit_of(name: str) -> int:
            _, cells = next(workbook.rows(name), (0, None))
            return fit(cells) if cells else -1

        best = max(visible, key=fit_of)  # the first of those that fit equally well
        return best, _("Of the sheets %(names)s, %(best)s is read.") % {"names": names, "best": quoted(best)}


def _is_workbook(path: Path) -> bool:
    """True for an .xlsx file, False for what may be CSV; by content, since names mislead."""
    try:
        with open(path, "rb") as source:
            start = source.read(8)
            if start == OLE_CONTAINER:
                raise SheetRefused(_ole_problem(path.name, start + source.read()))
    except OSError as reason:
        raise SheetRefused(
            Problem(path.name, _("no readable file (%(strerror)s)") % {"strerror": reason.strerror}, A_SPREADSHEET)
        ) from None
    if not start:
        raise SheetRefused(Problem(path.name, _("an empty file (0 bytes)"), A_SPREADSHEET))
    if start.startswith(ZIP_FILE):
        return True
    if path.suffix.casefold() in (".xlsx", ".xlsm", ".xls", ".ods") or start.startswith(OTHER_FILES):
        raise SheetRefused(Problem(path.name, _("a file that is not a spreadsheet, or a damaged one"), SAVE_AS_XLSX))
    return False


def _ole_problem(file: str, content: bytes) -> Problem:
    """Tell a password from an old format: [MS-OFFCRYPTO] keeps a locked workbook in "EncryptedPackage"."""
    if "EncryptedPackage".encode("utf-16-le") in content:
        return Problem(file, _("a file locked with a password"), WITHOUT_PASSWORD)
    if "Workbook".encode("utf-16-le") in content or "Book".encode("utf-16-le") in content:
        return Problem(file, _("an old Excel workbook (.xls)"), SAVE_AS_XLSX)
    return Problem(file, _("an Office file that is not a workbook"), SAVE_AS_XLSX)
