"""Sheets of labels as they are sold: how many, how large and where. All lengths are millimetres.

The measures are from memory of common sheets, A4 and US Letter: hold a printed page against a sheet before you use
one. A department's own sheets are added by the setting LABEL_SHEETS.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1
SMALLEST_LABEL_MM = 12.0


@dataclass(frozen=True)
class Sheet:
    """One kind of sheet. pitch_x, pitch_y: from the left (top) edge of a label to that of the next."""

    key: str
    paper: str
    columns: int
    rows: int
    width: float
    height: float
    left: float
    top: float
    pitch_x: float
    pitch_y: float

    def __post_init__(self) -> None:
        if self.paper not in PAPERS:
            raise ValueError(f"paper {self.paper!r} is not one of {', '.join(PAPERS)}")
        if min(self.columns, self.rows) < 1 or min(self.width, self.height) < SMALLEST_LABEL_MM:
            raise ValueError(f"{self.key}: at least one label of {SMALLEST_LABEL_MM:g} mm each way")
        page_width, page_height = PAPERS[self.paper]
        right = self.left + (self.columns - 1) * self.pitch_x + self.width
        bottom = self.top + (self.rows - 1) * self.pitch_y + self.height
        if min(self.left, self.top) < 0 or right > page_width + 0.5 or bottom > page_height + 0.5:
            raise ValueError(f"{self.key}: its labels reach beyond {self.paper}")
        if (self.columns > 1 and self.pitch_x < self.width) or (self.rows > 1 and self.pitch_y < self.height):
            raise ValueError(f"{self.key}: its labels lie over each other")

    @property
    def per_page(self) -> int:
        return self.columns * self.rows

    @property
    def words(self) -> str:
        """What a person looks for on the box: paper, how many to a page, and the size of one."""
        return f"{self.paper}, {self.per_page} ({self.columns} × {self.rows}), {self.width:g} × {self.height:g} mm"

    def corner(self, position: int) -> tuple[float, float]:
        """Left and top of the label at `position`, counted from 0, row by row."""
        row, column = divmod(position, self.columns)
        return self.left + column * self.pitch_x, self.top + row * self.pitch_y


SHEETS = {
    sheet.key: sheet
    for sheet in (
        Sheet("a4-21", "A4", 3, 7, 63.5, 38.1, 7.2, 15.1, 66.0, 38.1),
        Sheet("a4-14", "A4", 2, 7, 99.1, 38.1, 4.7, 15.1, 101.6, 38.1),
        Sheet("a4-24", "A4", 3, 8, 70.0, 37.0, 0.0, 0.5, 70.0, 37.0),
        Sheet("a4-40", "A4", 4, 10, 52.5, 29.7, 0.0, 0.0, 52.5, 29.7),
        Sheet("a4-65", "A4", 5, 13, 38.1, 21.2, 4.7, 10.7, 40.6, 21.2),
        Sheet("letter-10", "Letter", 2, 5, 101.6, 50.8, 4.0, 12.7, 106.4, 50.8),
        Sheet("letter-30", "Letter", 3, 10, 66.7, 25.4, 4.8, 12.7, 69.85, 25.4),
        Sheet("letter-80", "Letter", 4, 20, 44.5, 12.7, 7.6, 12.7, 52.1, 12.7),
    )
}


def read_sheets(text: str) -> dict[str, Sheet]:
    """Our sheets and those of a setting: a JSON list of objects with the fields of Sheet. Raises ValueError."""
    if not text.strip():
        return SHEETS
    expected = {field.name for field in fields(Sheet)}
    own = json.loads(text)
    if not isinstance(own, list) or not all(isinstance(one, dict) and one.keys() == expected for one in own):
        raise ValueError(f"a list of objects, each with {', '.join(sorted(expected))}")
    try:
        sheets = [Sheet(**one) for one in own]
    except TypeError:
        raise ValueError("numbers for its lengths and counts") from None
    return {sheet.key: sheet for sheet in sheets} | {
        k: v for k, v in SHEETS.items() if k not in {s.key for s in sheets}
    }
