"""What a form asks: its columns, and how their cells are read.

Titles and words are marked English: a sheet is written in the language of whoever takes it along, and its titles are
known in every language of the site when it comes back.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from inventory.importing.values import Barcode, Code, Text, Unfit, ValueType
from inventory.models.notes import about_stock_only

REFERENCE = gettext_noop("Reference")


@dataclass(frozen=True, slots=True)
class StockText:
    """A few words about stock. What looks like a person's number or a date is refused, and is not repeated."""

    longest: int = 80

    @property
    def describes(self) -> str:
        return _("a few words about stock, at most %(longest)s characters") % {"longest": self.longest}

    def read(self, cell: object) -> str:
        text = Text(self.longest).read(cell)
        try:
            about_stock_only(text)
        except ValidationError as personal:
            raise Unfit(f"{self.describes}; {personal.messages[0][0].lower()}{personal.messages[0][1:-1]}") from None
        return text


@dataclass(frozen=True, slots=True)
class Column:
    """A printed column. `width` is in characters.

    identifies: by this cell a row shows that it still is the one its reference was printed in.
    """

    title: str
    width: float
    align: str = "left"
    bold: bool = False
    identifies: bool = False


@dataclass(frozen=True, slots=True)
class Asked:
    """A column to fill in. `kind` is one of `inventory.importing.values`, or StockText.

    name: its key among the answers. hint: shown where a person types. needed: a row where anything is filled in needs
    this too.
    """

    name: str
    title: str
    kind: ValueType
    width: float = 10
    hint: str = ""
    needed: bool = False

    @property
    def is_text(self) -> bool:
        return isinstance(self.kind, StockText | Text | Code | Barcode)


class Row(NamedTuple):
    """One row to print. `key` says to its feature what it stands for: a primary key, say; letters, digits and ._:

    printed: a value for each printed column. sheet: rows of the same one stand together. filled: values that already
    stand in asked columns, as suggestions.
    """

    key: str
    printed: Sequence[str | int | date | None]
    sheet: str = ""
    filled: Mapping[str, str | int | date] = {}


@dataclass(frozen=True)
class Form:
    """A kind of sheet. `kind` is part of every reference: never change it once sheets are out.

    how_to: one sentence on how to fill it in. cautions: stand on every page. repeats: a row may be copied to answer
    twice, for a second lot of the same line, say.
    """

    kind: str
    title: str
    printed: tuple[Column, ...]
    asked: tuple[Asked, ...]
    how_to: str
    cautions: tuple[str, ...] = ()
    repeats: bool = False
    titles: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        titles = (*(column.title for column in (*self.printed, *self.asked)), REFERENCE)
        if len(set(titles)) < len(titles):
            raise ValueError(f"The form {self.kind} has two columns of one title.")
        if not any(column.identifies for column in self.printed):
            raise ValueError(f"The form {self.kind} has no column by which a row is known.")
        object.__setattr__(self, "titles", titles)
