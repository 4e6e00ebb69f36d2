"""The parsers behind `xlsx`: worksheet XML to rows of cells, and the table of shared texts."""

from collections.abc import Callable, Sequence
from datetime import datetime, time
from xml.parsers import expat

from openpyxl.utils.datetime import from_excel
from openpyxl.utils.escape import unescape

from inventory.importing.problems import quoted
from inventory.importing.values import FaultyCell

MOST_COLUMNS = 500  # a sheet this wide is not a list of rows, and one stray cell far right costs memory

NOT_CALCULATED = FaultyCell(
    "a formula that was never calculated",
    "its result: open the file in the spreadsheet program and save it there",
)


class TooWide(Exception):
    """A worksheet row holds something beyond MOST_COLUMNS."""


class HasDoctype(Exception):
    """The XML declares a document type, which no workbook does and an attack would."""


def new_parser() -> expat.XMLParserType:
    """An XML parser that accepts no document type, hence no entities of the file's own."""

    def refuse(*_):
        raise HasDoctype

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = refuse
    return parser


def local_name(tag: str) -> str:
    """A tag or attribute name without its namespace prefix (some programs write x:row for row)."""
    return tag.rpartition(":")[2]


class SharedTextReader:
    """Collects the workbook's shared texts; phonetic guides are left out, rich text is joined."""

    def __init__(self) -> None:
        self.texts: list[str] = []
        self.parser = new_parser()
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self._pieces: list[str] = []

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = local_name(tag)
        if name == "si":
            self._pieces = []
            self._phonetic = False
        elif name == "rPh":
            self._phonetic = True
        elif name == "t" and not self._phonetic:
            self.parser.CharacterDataHandler = self._pieces.append

    def _end(self, tag: str) -> None:
        name = local_name(tag)
        if name == "t":
            self.parser.CharacterDataHandler = None
        elif name == "rPh":
            self._phonetic = False
        elif name == "si":
            self.texts.append(clean_text("".join(self._pieces)))


class RowReader:
    """Collects a worksheet's rows as its XML is fed to `parser`; `take_rows` hands them over."""

    def __init__(self, texts: Sequence[str], date_styles: frozenset[int], epoch: datetime):
        self._texts = texts
        self._date_styles = {str(style) for style in date_styles}
        self._epoch = epoch
        self._days: dict[str, object] = {}  # the same few hundred dates stand in most rows
        self._rows: list[tuple[int, list[object]]] = []
        self.parser = new_parser()
        self.parser.StartElementHandler, self.parser.EndElementHandler = self._handlers()

    def take_rows(self) -> list[tuple[int, list[object]]]:
        """The rows completed since the last call: (row number, cells), rows without content left out."""
        rows, self._rows = self._rows, []
        return rows

    def _handlers(self) -> tuple[Callable, Callable]:
        # Closures over local names: this runs for every cell of up to a million rows.
        parser = self.parser
        positions: dict[str, int] = {}
        pieces: list[str] = []
        cells: list[object] = []
        row_number = 0
        kind = style = None
        position = -1
        has_formula = False

        def start(tag: str, attributes: dict[str, str]) -> None:
            nonlocal cells, row_number, kind, style, position, has_formula
            name = tag if ":" not in tag else local_name(tag)
            if name == "c":
                reference = attributes.get("r")
                if reference is None:
                    position += 1
                else:
                    letters = reference.rstrip("0123456789")
                    position = positions.get(letters, -1)
                    if position < 0:
                        position = positions[letters] = column_position(letters)
                kind = attributes.get("t", "n")
                style = attributes.get("s")
                has_formula = False
                pieces.clear()
            elif name in ("v", "t"):
                parser.CharacterDataHandler = pieces.append
            elif name == "f":
                has_formula = True
            elif name == "row":
                row_number = int(attributes.get("r", row_number + 1))
                position = -1
                cells = []

        def end(tag: str) -> None:
            name = tag if ":" not in tag else local_name(tag)
            if name in ("v", "t"):
                parser.CharacterDataHandler = None
            elif name == "c":
                content = "".join(pieces)
                if has_formula and kind == "n" and not content:
                    value = NOT_CALCULATED
                else:
                    value = self._value(kind, style, content) if content else None
                if value is not None:
                    if position >= MOST_COLUMNS:
                        raise TooWide
                    if missing := position - len(cells):
                        cells.extend([None] * missing)
                    cells.append(value)
            elif name == "row" and cells:
                self._rows.append((row_number, cells))

        return start, end

    def _value(self, kind: str, style: str | None, content: str) -> object:
        if kind == "s":
            return self._texts[int(content)] or None
        if kind == "n":
            if style in self._date_styles:
                if content not in self._days:
                    self._days[content] = self._date_or_time(content)
                return self._days[content]
            return plain_number(content)
        if kind == "b":
            return content == "1"
        if kind == "e":
            return FaultyCell(f"the error {quoted(content)}", "a value: mend the formula or type the value")
        if kind == "d":
            return content
        return clean_text(content) or None

    def _date_or_time(self, content: str) -> object:
        try:
            moment = from_excel(plain_number(content), self._epoch)
        except (OverflowError, ValueError):
            moment = None
        if not isinstance(moment, datetime | time):
            return FaultyCell("a number shown as a date that no calendar has", "a date that exists")
        return moment


def plain_number(content: str) -> int | float:
    """A number cell's value; whole numbers come out as int however the file writes them."""
    try:
        return int(content)
    except ValueError:
        number = float(content)
        return int(number) if number.is_integer() else number


def clean_text(content: str) -> str:
    """A text cell without outer white space and without the format's escapes (_x000D_)."""
    return (unescape(content) if "_x" in content else content).strip()


def column_position(letters: str) -> int:
    """Cell position from 0 of a column named as spreadsheets do: A is 0, AA is 26."""
    number = 0
    for letter in letters:
        if not "A" <= letter <= "Z":
            raise ValueError("A column is named by the letters A to Z.")
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1
