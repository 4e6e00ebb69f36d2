"""Where the code and the words of each label go on its sheet. Millimetres from the page's top left corner."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .codes import CodeKind, modules
from .sheets import PAPERS, Sheet

EDGE_MM = 2.0  # kept free inside a label, since no printer feeds exactly
POINT_MM = 25.4 / 72
LINE_HEIGHT = 1.2  # of the type size
LETTER_WIDTH = 0.56  # of the type size: wider than Helvetica's mean, so that words set in it fit
TITLE_LINES = 3
TYPE_SIZES_PT = (12.0, 11.0, 10.0, 9.0, 8.0, 7.0, 6.0)
CODE_SHARE = 0.42  # of a label's width, the rest being for words
LARGEST_CODE_MM = 28.0  # a phone reads it at arm's length; larger gains nothing


@dataclass(frozen=True)
class Label:
    """One label: the code's text, a name, what tells it from its like (`mark`, such as a size, which is never cut off),
    and lines below, the most telling first."""

    code_text: str
    title: str
    mark: str = ""
    lines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Words:
    """One line of type; x and y are its left end and its base line."""

    x: float
    y: float
    size_pt: float
    bold: bool
    text: str


@dataclass(frozen=True)
class Page:
    """One sheet: runs of dark modules as rectangles (x, y, width, height), and words."""

    width: float
    height: float
    bars: tuple[tuple[float, float, float, float], ...]
    words: tuple[Words, ...]


def laid_out(
    labels: Sequence[Label],
    sheet: Sheet,
    kind: CodeKind,
    *,
    first: int = 0,
    right_mm: float = 0.0,
    down_mm: float = 0.0,
) -> list[Page]:
    """The pages that hold the labels, in order.

    first: how many labels of the first sheet are gone already. right_mm, down_mm: by how much a printer's pages have
    to be shifted to meet the sheet.
    """
    pages = []
    placed = list(enumerate(labels, start=first))
    for begin in range(0, first + len(labels), sheet.per_page):
        here = [(n - begin, label) for n, label in placed if begin <= n < begin + sheet.per_page]
        if here:
            pages.append(_page(here, sheet, kind, right_mm, down_mm))
    return pages


def _page(here: list[tuple[int, Label]], sheet: Sheet, kind: CodeKind, right_mm: float, down_mm: float) -> Page:
    bars, words = [], []
    for position, label in here:
        x, y = sheet.corner(position)
        x, y = x + right_mm, y + down_mm
        code = modules(label.code_text, kind)
        side = min(sheet.height - EDGE_MM, CODE_SHARE * sheet.width, LARGEST_CODE_MM)
        bars += _bars(code, x + EDGE_MM / 2, y + (sheet.height - side) / 2, side / len(code))
        left = x + EDGE_MM / 2 + side + EDGE_MM / 2
        words += _words(label, left, y + EDGE_MM, x + sheet.width - EDGE_MM - left, sheet.height - 2 * EDGE_MM)
    width, height = PAPERS[sheet.paper]
    return Page(width, height, tuple(bars), tuple(words))


def _bars(code: tuple[tuple[bool, ...], ...], x: float, y: float, module: float):
    """Dark modules side by side as one rectangle, so that no printer leaves a hair of light between them."""
    for row, line in enumerate(code):
        column = 0
        while column < len(line):
            run = column
            while run < len(line) and line[run]:
                run += 1
            if run > column:
                yield x + column * module, y + row * module, (run - column) * module, module
            column = max(run, column + 1)


def _words(label: Label, x: float, y: float, width: float, height: float) -> list[Words]:
    """The words in the largest type in which all of them fit; in the smallest, as many as there is room for.

    They stand around the middle of the label's height.
    """
    for size in TYPE_SIZES_PT:
        rows = _rows(label, width, size, TITLE_LINES)
        if _height(rows) <= height and not any("…" in text for _, _, text in rows):
            break
    else:
        room = height / (LINE_HEIGHT * POINT_MM * size)
        rows = _rows(label, width, size, TITLE_LINES if room >= 3 + bool(label.mark) else 1)
    while _height(rows) > height and len(rows) > 1:
        rows.pop()
    words, bottom = [], y + (height - _height(rows)) / 2
    for points, bold, text in rows:
        bottom += points * LINE_HEIGHT * POINT_MM
        words.append(Words(x, bottom - 0.25 * points * POINT_MM, points, bold, text))
    return words


def _rows(label: Label, width: float, size: float, title_lines: int) -> list[tuple[float, bool, str]]:
    small = max(size - 2.0, TYPE_SIZES_PT[-1])
    rows = [(size, True, label.mark)] if label.mark else []
    rows += [(size, not label.mark, text) for text in _wrapped(label.title, width, size, title_lines)]
    return rows + [(small, False, _cut(text, width, small)) for text in label.lines]


def _height(rows: list[tuple[float, bool, str]]) -> float:
    return sum(points for points, _, _ in rows) * LINE_HEIGHT * POINT_MM


def _letters(width: float, size: float) -> int:
    return max(int(width / (size * POINT_MM * LETTER_WIDTH)), 1)


def _cut(text: str, width: float, size: float) -> str:
    most = _letters(width, size)
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def _wrapped(text: str, width: float, size: float, most_lines: int) -> list[str]:
    lines, words = [], text.split()
    while words and len(lines) < most_lines:
        line = words.pop(0)
        while words and len(f"{line} {words[0]}") <= _letters(width, size):
            line += f" {words.pop(0)}"
        if words and len(lines) == most_lines - 1:
            line += f" {words[0]}" + "…" * (len(words) > 1)
        lines.append(_cut(line, width, size))
    return lines
