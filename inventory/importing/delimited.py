"""Read CSV files row by row: UTF-8 only, delimiter found from the headings."""

import codecs
import csv
from collections.abc import Callable, Iterator
from pathlib import Path

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.importing.problems import Problem, SheetRefused
from inventory.importing.xlsx import Progress

DELIMITERS = (",", ";", "\t")
ROWS_BETWEEN_PROGRESS = 5_000
LONGEST_FIELD = 32_767  # what a spreadsheet cell holds; a longer one is a quotation mark left open

IN_UTF8 = gettext_lazy("text in UTF-8: save it from the spreadsheet program as “CSV UTF-8 (comma delimited)”")


class Delimited:
    """A CSV file; raises SheetRefused where it cannot be read as one.

    `headings_fit` says how well the first filled row matches the wanted headings; the delimiter
    (comma, semicolon or tab) that makes it match best is taken, then the one that gives most cells.
    """

    def __init__(self, path: Path, headings_fit: Callable[[list[object]], int]):
        self.file = path.name
        self._path = path
        self._check_encoding_marks()
        self.delimiter = max(DELIMITERS, key=lambda delimiter: self._fit(delimiter, headings_fit))

    def rows(self, progress: Progress | None = None) -> Iterator[tuple[int, list[object]]]:
        """Yield (row number, cells) of every row that is not blank; a cell is stripped text or None.

        Rows count as a spreadsheet shows them, so a line break inside a cell starts no new row.
        """
        yield from self._rows(self.delimiter, progress)

    def _rows(self, delimiter: str, progress: Progress | None = None) -> Iterator[tuple[int, list[object]]]:
        csv.field_size_limit(LONGEST_FIELD)
        number = 0
        with open(self._path, encoding="utf-8-sig", newline="") as source:
            size = self._path.stat().st_size
            try:
                for number, texts in enumerate(csv.reader(source, delimiter=delimiter, strict=True), start=1):
                    cells = [text.strip() or None for text in texts]
                    if any(cells):
                        yield number, cells
                    if progress is not None and number % ROWS_BETWEEN_PROGRESS == 0:
                        progress(source.buffer.tell(), size)
            except UnicodeDecodeError:
                raise self._refuse(_("characters that are not UTF-8"), IN_UTF8, after=number) from None
            except csv.Error:
                raise self._refuse(
                    _("a quotation mark that is left open or stands inside a cell"),
                    _(
                        "cells with commas or quotation marks to be quoted: save the file again from the "
                        "spreadsheet program"
                    ),
                    after=number,
                ) from None
        if progress is not None:
            progress(size, size)

    def _check_encoding_marks(self) -> None:
        with open(self._path, "rb") as source:
            start = source.read(64 * 1024)
        if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            raise self._refuse(_("text in UTF-16 (saved as “Unicode text”)"), IN_UTF8)
        if b"\0" in start:
            raise self._refuse(_("no text"), _("a CSV file: %(in_utf8)s") % {"in_utf8": IN_UTF8})

    def _fit(self, delimiter: str, headings_fit: Callable[[list[object]], int]) -> tuple[int, int]:
        try:
            _, cells = next(self._rows(delimiter))
        except (SheetRefused, StopIteration):
            return -1, 0
        return headings_fit(cells), len(cells)

    def _refuse(self, found: str, expected: str, after: int | None = None) -> SheetRefused:
        row = None if after is None else after + 1
        return SheetRefused(Problem(self.file, found, expected, row=row))
