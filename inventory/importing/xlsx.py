"""Open .xlsx workbooks without trusting them, and read their rows as a stream.

Why not openpyxl here: its streaming reader needs several times as long for a history of 900,000
rows, and it cannot tell a formula that was never calculated from an empty cell. The file format is
ECMA-376 part 1 (SpreadsheetML); number formats and day counts are openpyxl's.
"""

import posixpath
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from xml.parsers import expat

from openpyxl.styles.numbers import BUILTIN_FORMATS, is_date_format
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900

from inventory.importing.problems import Problem, SheetRefused
from inventory.importing.xlsx_cells import (
    MOST_COLUMNS,
    HasDoctype,
    RowReader,
    SharedTextReader,
    TooWide,
    local_name,
    new_parser,
)

# Far above a two-year history of 900,000 rows (about 300 MB unpacked, 10 times its packed size),
# far below what would fill a server.
MOST_BYTES_UNPACKED = 2 * 1024**3
MOST_TIMES_PACKED_SIZE = 200
HARMLESS_PART_BYTES = 64 * 1024**2  # a part below this may be packed however well it packs
MOST_TEXT_BYTES = 512 * 1024**2  # shared texts are the one part that is kept in memory
MOST_ELEMENTS = 500_000  # of styles, sheets, relations

CHUNK_BYTES = 64 * 1024

A_SPREADSHEET = "an Excel workbook (.xlsx) or a CSV file in UTF-8"
SAVE_AS_XLSX = f"{A_SPREADSHEET}: open it in the spreadsheet program and save it as .xlsx"
SAVE_AGAIN = "a whole workbook: fetch it again, or open it in the spreadsheet program and save it again"
WITHOUT_PASSWORD = "a workbook without a password: open it, take the password off and save it again"

Progress = Callable[[int, int], object]  # bytes read so far, bytes in all


class Workbook:
    """An .xlsx file open for reading. Use as a context manager; raises SheetRefused throughout.

    `sheets` maps each worksheet's name to whether it is visible, in the workbook's order.
    """

    def __init__(self, path: Path):
        self.file = path.name
        self._archive = self._open(path)
        try:
            self._check_size()
            self._read_contents()
        except BaseException:
            self._archive.close()
            raise

    def __enter__(self) -> "Workbook":
        return self

    def __exit__(self, *exc_info) -> None:
        self._archive.close()

    def rows(self, sheet: str, progress: Progress | None = None) -> Iterator[tuple[int, list[object]]]:
        """Yield (row number, cells) of every row that holds something, from the first to the last.

        A cell is None, str, bool, int, float, datetime, time or FaultyCell; cells[0] is column A.
        """
        part = self._parts[sheet]
        reader = RowReader(self._shared_texts(), self._date_styles, self._epoch)
        total = self._archive.getinfo(part).file_size
        for done in self._stream(part, reader.parser):
            yield from reader.take_rows()
            if progress is not None:
                progress(done, total)

    def _refuse(self, found: str, expected: str) -> SheetRefused:
        return SheetRefused(Problem(self.file, found, expected))

    def _damaged(self) -> SheetRefused:
        return self._refuse("a workbook that is cut short or damaged", SAVE_AGAIN)

    def _open(self, path: Path) -> zipfile.ZipFile:
        try:
            return zipfile.ZipFile(path)
        except (zipfile.BadZipFile, EOFError, ValueError, NotImplementedError):
            raise self._damaged() from None

    def _check_size(self) -> None:
        """Judge the sizes in the archive's directory: zipfile never unpacks more than they state."""
        parts = self._archive.infolist()
        if any(part.flag_bits & 0x1 for part in parts):
            raise self._refuse("a file locked with a password", WITHOUT_PASSWORD)
        unpacked = sum(part.file_size for part in parts)
        if unpacked > MOST_BYTES_UNPACKED or any(
            part.file_size > max(HARMLESS_PART_BYTES, MOST_TIMES_PACKED_SIZE * part.compress_size) for part in parts
        ):
            raise self._refuse(
                f"a small file that unpacks to {unpacked // 1024**2} MB, as no department's sheet does",
                "a workbook of at most 2 GB unpacked; a longer history can be split or saved as CSV",
            )

    def _read_contents(self) -> None:
        names = set(self._archive.namelist())
        if "_rels/.rels" not in names:
            raise self._refuse("a zip archive that is not a workbook", SAVE_AS_XLSX)
        main = next((target for kind, target in self._relations("").values() if kind == "officeDocument"), None)
        if main is None or main not in names:
            raise self._refuse("a file without a workbook in it", SAVE_AS_XLSX)
        if not main.endswith(".xml"):
            raise self._refuse("a binary workbook (.xlsb)", SAVE_AS_XLSX)

        relations = self._relations(main)
        self._parts: dict[str, str] = {}
        self.sheets: dict[str, bool] = {}
        self._epoch = CALENDAR_WINDOWS_1900
        for tag, attributes in self._elements(main):
            if tag == "workbookPr" and attributes.get("date1904") in ("1", "true"):
                self._epoch = CALENDAR_MAC_1904
            elif tag == "sheet":
                kind, target = relations.get(attributes.get("id", ""), ("", ""))
                if kind == "worksheet" and target in names:
                    self._parts[attributes["name"]] = target
                    self.sheets[attributes["name"]] = attributes.get("state", "visible") == "visible"
        if not self.sheets:
            raise self._refuse("a workbook without a worksheet", SAVE_AS_XLSX)

        by_kind = dict(relations.values())
        self._texts_part = by_kind.get("sharedStrings")
        self._date_styles = self._read_date_styles(by_kind.get("styles"))

    def _relations(self, part: str) -> dict[str, tuple[str, str]]:
        """Relation id -> (last word of its type, part it points to)."""
        folder, name = posixpath.split(part)
        path = posixpath.join(folder, "_rels", f"{name}.rels")
        return {
            attributes["Id"]: (
                attributes["Type"].rpartition("/")[2],
                posixpath.normpath(posixpath.join("/", folder, attributes["Target"])).lstrip("/"),
            )
            for tag, attributes in self._elements(path)
            if tag == "Relationship" and attributes.get("TargetMode") != "External"
        }

    def _read_date_styles(self, part: str | None) -> frozenset[int]:
        """Numbers of the cell styles that show a number as a date or time."""
        if part not in self._archive.namelist():
            return frozenset()
        formats = dict(BUILTIN_FORMATS)
        styles: list[int] = []
        within_cell_styles = False
        for tag, attributes in self._elements(part):
            if tag == "numFmt" and "numFmtId" in attributes:
                formats[int(attributes["numFmtId"])] = attributes.get("formatCode", "")
            elif tag in ("cellXfs", "cellStyles", "dxfs"):
                within_cell_styles = tag == "cellXfs"
            elif tag == "xf" and within_cell_styles:
                styles.append(int(attributes.get("numFmtId", 0)))
        return frozenset(style for style, number in enumerate(styles) if is_date_format(formats.get(number, "General")))

    def _elements(self, part: str) -> list[tuple[str, dict[str, str]]]:
        """Tags and attributes of a small part in document order, without namespace prefixes."""
        elements: list[tuple[str, dict[str, str]]] = []

        def start(tag, attributes):
            elements.append((local_name(tag), {local_name(name): text for name, text in attributes.items()}))

        parser = new_parser()
        parser.StartElementHandler = start
        for _ in self._stream(part, parser):
            if len(elements) > MOST_ELEMENTS:
                raise self._refuse(f"more than {MOST_ELEMENTS} styles or sheets", SAVE_AGAIN)
        return elements

    def _shared_texts(self) -> list[str]:
        if self._texts_part not in self._archive.namelist():
            return []
        if self._archive.getinfo(self._texts_part).file_size > MOST_TEXT_BYTES:
            raise self._refuse("more text than fits in memory", "a shorter workbook, or a CSV file")
        reader = SharedTextReader()
        for _ in self._stream(self._texts_part, reader.parser):
            pass
        return reader.texts

    def _stream(self, part: str, parser: expat.XMLParserType) -> Iterator[int]:
        """Feed a part to a parser; yield the bytes fed so far after each chunk."""
        done = 0
        try:
            with self._archive.open(part) as source:
                while chunk := source.read(CHUNK_BYTES):
                    parser.Parse(chunk, False)
                    done += len(chunk)
                    yield done
                parser.Parse(b"", True)
                yield done
        except TooWide:
            raise self._refuse(
                f"a cell beyond column {MOST_COLUMNS}",
                "a list with its headings in one row: delete stray cells",
            ) from None
        except HasDoctype:
            raise self._refuse("a document type declaration inside the workbook", SAVE_AGAIN) from None
        except (zipfile.BadZipFile, zlib.error, expat.ExpatError, EOFError, LookupError, ValueError):
            raise self._damaged() from None
        except NotImplementedError:
            raise self._refuse("a workbook packed in an unknown way", SAVE_AGAIN) from None
