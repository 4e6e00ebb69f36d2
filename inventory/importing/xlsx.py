"""Open .xlsx workbooks without trusting them, and read their rows as a stream.

openpyxl reads the cells, and through defusedxml refuses entities. What it would not refuse is judged here: sizes
before anything is unpacked, sheets that are no lists, and formulas without a result.
"""

import re
import warnings
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import datetime, timedelta
from functools import cached_property
from itertools import islice
from pathlib import Path
from typing import BinaryIO

import openpyxl
from defusedxml import DefusedXmlException
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from openpyxl.cell.read_only import ReadOnlyCell
from openpyxl.utils.datetime import from_excel
from openpyxl.utils.escape import unescape
from openpyxl.xml.constants import ARC_CONTENT_TYPES, ARC_ROOT_RELS

from inventory.importing.problems import Problem, SheetRefused, quoted
from inventory.importing.values import FaultyCell, ShownNumber

# Far above a two-year history of 900,000 rows (about 300 MB unpacked, 10 times its packed size),
# far below what would fill a server.
MOST_BYTES_UNPACKED = 2 * 1024**3
MOST_TIMES_PACKED_SIZE = 200
# A part below this may be packed however well it packs. openpyxl holds one row whole, at up to 90 times its size.
HARMLESS_PART_BYTES = 8 * 1024**2
MOST_TEXT_BYTES = 512 * 1024**2  # shared texts are kept in memory
MOST_TREE_BYTES = 32 * 1024**2  # these are kept in memory as trees, at many times their size
WORKSHEETS = "xl/worksheets/"  # read row by row
KEPT_AS_TREES = ("styles.xml", "workbook.xml", ".rels", ARC_CONTENT_TYPES)

MOST_COLUMNS = 500  # a sheet this wide is not a list of rows, and one stray cell far right costs memory
MOST_ROWS = 1_048_576  # what the format allows; a row numbered beyond would be reached through blank ones
ROWS_AT_ONCE = 500

# The strict variant of ECMA-376; openpyxl knows only the transitional one, and finds no cells in this.
STRICT_NAMESPACE = b"http://purl.oclc.org/ooxml/"

A_SPREADSHEET = gettext_lazy("an Excel workbook (.xlsx) or a CSV file in UTF-8")
SAVE_AS_XLSX = gettext_lazy(
    "an Excel workbook (.xlsx) or a CSV file in UTF-8: open it in the spreadsheet program and save it as .xlsx"
)
SAVE_AGAIN = gettext_lazy("a whole workbook: fetch it again, or open it in the spreadsheet program and save it again")
WITHOUT_PASSWORD = gettext_lazy("a workbook without a password: open it, take the password off and save it again")

NOT_CALCULATED = FaultyCell(
    gettext_lazy("a formula that was never calculated"),
    gettext_lazy("its result: open the file in the spreadsheet program and save it there"),
)
NO_SUCH_DAY = FaultyCell(
    gettext_lazy("a number shown as a date that no calendar has"), gettext_lazy("a date that exists")
)
# openpyxl reads an impossible day as this error and does not tell the two apart.
NO_SUCH_DAY_OR_ERROR = FaultyCell(
    gettext_lazy("the error “#VALUE!” or a number shown as a date that no calendar has"),
    gettext_lazy("a value or a date that exists: mend the formula or type the value"),
)

FIXED_DECIMALS = re.compile(r"0\.(0{1,9})")  # as a number format

Progress = Callable[[int, int], object]  # bytes read so far, bytes in all


class Workbook:
    """An .xlsx file open for reading. Use as a context manager; raises SheetRefused throughout.

    `sheets` maps each worksheet's name to whether it is visible, in the workbook's order.
    """

    def __init__(self, path: Path):
        self.file = path.name
        self._path = path
        self._opened = ExitStack()
        try:
            self._source = self._opened.enter_context(path.open("rb"))
            with self._judged(), zipfile.ZipFile(self._source) as archive:
                self._check_sizes(archive.infolist())
                self._check_kind(archive)
            self._book = self._load(self._source, data_only=False)
            self.sheets = {sheet.title: sheet.sheet_state == "visible" for sheet in self._book.worksheets}
            if not self.sheets:
                raise self._refuse(_("a workbook without a worksheet"), SAVE_AS_XLSX)
        except BaseException:
            self._opened.close()
            raise

    def __enter__(self) -> "Workbook":
        return self

    def __exit__(self, *exc_info) -> None:
        self._opened.close()

    def rows(
        self, sheet: str, progress: Progress | None = None, *, as_shown: bool = False
    ) -> Iterator[tuple[int, list[object]]]:
        """Yield (row number, cells) of every row that holds something, from the first to the last.

        A cell is None, str, bool, int, float, date, datetime, time or FaultyCell; cells[0] is column A. `as_shown`
        gives a whole number whose format shows decimals as a ShownNumber.
        """
        size, epoch = self._path.stat().st_size, self._book.epoch
        results = self._stored_results(sheet)
        for batch in self._batches(self._book, sheet):
            for number, row in batch:
                if any(cell.data_type == "f" for cell in row):
                    calculated = next(stored for at, stored in results if at == number)
                    cells = [
                        _result(result, epoch) if cell.data_type == "f" else _value(cell, epoch)
                        for cell, result in zip(row, calculated, strict=True)
                    ]
                else:
                    cells = [_value(cell, epoch) for cell in row]
                if as_shown:
                    cells = [
                        _shown(value, cell) if type(value) in (int, float) else value
                        for value, cell in zip(cells, row, strict=True)
                    ]
                while cells and cells[-1] is None:
                    cells.pop()
                if len(cells) > MOST_COLUMNS:
                    raise self._refuse(
                        _("a cell beyond column %(most_columns)s") % {"most_columns": MOST_COLUMNS},
                        _("a list with its headings in one row: delete stray cells"),
                    )
                if cells:
                    yield number, cells
            if progress is not None:
                progress(self._source.tell(), size)
        if progress is not None:
            progress(size, size)

    def _refuse(self, found: str, expected: str) -> SheetRefused:
        return SheetRefused(Problem(self.file, found, expected))

    @contextmanager
    def _judged(self) -> Iterator[None]:
        """Turn whatever reading trips over into a refusal; openpyxl's remarks on what it leaves out are kept in."""
        try:
            with warnings.catch_warnings():
                warnings.filterwarnings("ignore", category=UserWarning, module=r"openpyxl\.")
                yield
        except (SheetRefused, MemoryError):
            raise
        except NotImplementedError:
            raise self._refuse(_("a workbook packed in an unknown way"), SAVE_AGAIN) from None
        except Exception as fault:  # a damaged part makes openpyxl raise anything, from KeyError to TypeError
            if isinstance(fault, DefusedXmlException) or isinstance(fault.__cause__, DefusedXmlException):
                raise self._refuse(_("a document type declaration inside the workbook"), SAVE_AGAIN) from None
            raise self._refuse(_("a workbook that is cut short or damaged"), SAVE_AGAIN) from None

    def _check_sizes(self, parts: Sequence[zipfile.ZipInfo]) -> None:
        """Judge the sizes in the archive's directory: zipfile never unpacks more than they state."""
        if any(part.flag_bits & 0x1 for part in parts):
            raise self._refuse(_("a file locked with a password"), WITHOUT_PASSWORD)
        unpacked = sum(part.file_size for part in parts)
        if unpacked > MOST_BYTES_UNPACKED:
            raise self._refuse(
                _("a workbook that unpacks to %(unpacked)s MB") % {"unpacked": unpacked // 1024**2},
                _("at most %(most_bytes_unpacked)s MB; a longer history can be split or saved as CSV")
                % {"most_bytes_unpacked": MOST_BYTES_UNPACKED // 1024**2},
            )
        for part in parts:
            if part.file_size > max(HARMLESS_PART_BYTES, MOST_TIMES_PACKED_SIZE * part.compress_size):
                raise self._refuse(
                    _(
                        "a part that unpacks to more than %(most_times_packed_size)s times its size, as no filled-in "
                        "sheet does"
                    )
                    % {"most_times_packed_size": MOST_TIMES_PACKED_SIZE},
                    _(
                        "a workbook saved by a spreadsheet program; rows that are all alike or blank can be deleted, "
                        "or saved as CSV"
                    ),
                )
        for part in parts:
            if part.file_size > MOST_TREE_BYTES and part.filename.endswith(KEPT_AS_TREES):
                raise self._refuse(
                    _("%(file_size)s MB of styles or sheet names") % {"file_size": part.file_size // 1024**2},
                    SAVE_AGAIN,
                )
            if part.file_size > MOST_TEXT_BYTES and not part.filename.startswith(WORKSHEETS):
                raise self._refuse(_("more text than fits in memory"), _("a shorter workbook, or a CSV file"))

    def _check_kind(self, archive: zipfile.ZipFile) -> None:
        names = archive.namelist()
        if ARC_ROOT_RELS not in names:
            raise self._refuse(_("a zip archive that is not a workbook"), SAVE_AS_XLSX)
        if any(name.endswith("workbook.bin") for name in names):
            raise self._refuse(_("a binary workbook (.xlsb)"), SAVE_AS_XLSX)
        if ARC_CONTENT_TYPES not in names:
            raise self._refuse(_("a file without a workbook in it"), SAVE_AS_XLSX)
        if STRICT_NAMESPACE in archive.read(ARC_ROOT_RELS):
            raise self._refuse(_("a workbook saved as Strict Open XML"), _("a workbook saved as plain .xlsx"))

    def _load(self, source: BinaryIO, *, data_only: bool) -> openpyxl.Workbook:
        with self._judged():
            try:
                book = openpyxl.load_workbook(source, read_only=True, data_only=data_only, keep_links=False)
            except OSError:  # what openpyxl raises for a Word document, say
                raise self._refuse(_("a file without a workbook in it"), SAVE_AS_XLSX) from None
        self._opened.callback(book.close)
        return book

    @cached_property
    def _book_of_results(self) -> openpyxl.Workbook:
        return self._load(self._opened.enter_context(self._path.open("rb")), data_only=True)

    def _stored_results(self, sheet: str) -> Iterator[tuple[int, Sequence[ReadOnlyCell]]]:
        """The sheet's rows again by stored results; the file is opened for it when the first one is asked for."""
        for batch in self._batches(self._book_of_results, sheet):
            yield from batch

    def _batches(self, book: openpyxl.Workbook, sheet: str) -> Iterator[list[tuple[int, Sequence[ReadOnlyCell]]]]:
        """Row numbers and cells as openpyxl reads them, some rows at a time; rows left out in the file come empty."""
        worksheet = book[sheet]
        worksheet.reset_dimensions()  # a stated size that is too small would cut rows off
        rows = enumerate(worksheet.iter_rows(), start=1)
        while True:
            with self._judged():  # never across a yield: the warning filters are the whole process's
                batch = list(islice(rows, ROWS_AT_ONCE))
            if not batch:
                return
            if batch[-1][0] > MOST_ROWS:
                raise self._refuse(_("a row beyond %(most_rows)s") % {"most_rows": MOST_ROWS}, SAVE_AGAIN)
            yield batch


def _value(cell: ReadOnlyCell, epoch: datetime) -> object:
    """A cell without a formula, or the stored result of one."""
    value = cell.value
    if isinstance(value, str):
        if cell.data_type != "e":
            return (unescape(value) if "_x" in value else value).strip() or None
        if value == "#VALUE!":
            return NO_SUCH_DAY_OR_ERROR
        return FaultyCell(
            _("the error %(value)s") % {"value": quoted(value)}, _("a value: mend the formula or type the value")
        )
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, timedelta):  # a clock shown as hours that may pass 24
        try:
            return from_excel(value / timedelta(days=1), epoch)
        except (OverflowError, ValueError):
            return NO_SUCH_DAY
    return value


def _shown(value: float, cell: ReadOnlyCell) -> float:
    """The number with the decimals that its format shows, unless the format hides a part of it."""
    fixed = FIXED_DECIMALS.fullmatch(cell.number_format)
    if fixed is None or (number := round(value, len(fixed[1]))) != value:
        return value
    return ShownNumber(value, f"{number:.{len(fixed[1])}f}")


def _result(cell: ReadOnlyCell, epoch: datetime) -> object:
    return NOT_CALCULATED if cell.value is None and cell.data_type == "n" else _value(cell, epoch)
