"""Put text into workbook cells so that no spreadsheet program ever runs it as a formula."""

from openpyxl.cell import Cell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

LONGEST_CELL = 32_767  # characters; the format's own limit
RISKY_STARTS = ("=", "+", "-", "@", "\t", "\r")


def put_text(cell: Cell, text: str) -> None:
    """Write text that comes from data (a name, a code, a reason) into a cell, as text whatever it says.

    openpyxl makes a formula of text that begins with "=", and a spreadsheet program makes one of
    "+", "-" and "@" when a person edits the cell. Such text is stored as a string and marked with
    the format's quote prefix, which keeps it text on editing. Characters that the file format
    cannot hold become "?".
    """
    cell.value = ILLEGAL_CHARACTERS_RE.sub("?", text)[:LONGEST_CELL]
    cell.data_type = "s"
    if text.startswith(RISKY_STARTS):
        cell.quotePrefix = True
