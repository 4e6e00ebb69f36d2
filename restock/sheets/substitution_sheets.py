"""Substitution cards as a workbook to hang up beside the storeroom's shelves."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from io import BytesIO

from openpyxl import Workbook

from inventory.models import Department

from ..models import Substitution
from ..workbook import Paper
from ..workbook.layout import Heading, TableRow, put_table, put_title, set_up_page, set_widths, use_own_font

CAUTION = "One way only, and until the day named. Sizes never swap by themselves: the clinician decides. Read the pack."
HEADINGS = (
    Heading("Missing", 34),
    Heading("May stand in", 34),
    Heading("What differs", 34),
    Heading("Marked", 22),
    Heading("Until", 12, format="yyyy-mm-dd"),
    Heading("Agreed by", 14),
    Heading("Why", 24),
)


def cards_workbook(cards: Iterable[Substitution], *, department: Department, on: date) -> bytes:
    """The cards that hold on a day, one row each."""
    workbook = Workbook()
    use_own_font(workbook)
    sheet = workbook.active
    sheet.title = "May stand in"
    set_widths(sheet, [heading.width for heading in HEADINGS])
    title = "What may stand in for what is missing"
    rows = [
        TableRow(
            [
                card.wanted.label,
                card.stand_in.label,
                card.differences,
                ", ".join(marks(card)) or None,
                card.until,
                card.agreed_by.get_username(),
                card.why or None,
            ]
        )
        for card in cards
    ]
    put_table(sheet, put_title(sheet, title, [f"Holds on {on}. {CAUTION}"], len(HEADINGS)) + 1, HEADINGS, rows)
    set_up_page(
        sheet,
        paper=Paper.A4,
        landscape=True,
        one_page=False,
        left=department.name,
        centre=title,
        right=f"{on}",
        caution=CAUTION,
    )
    written = BytesIO()
    workbook.save(written)
    return written.getvalue()


def marks(card: Substitution) -> list[str]:
    """In what a card says its lines differ."""
    marked = {
        "size": card.differs_in_size,
        "connector": card.differs_in_connector,
        "latex": card.differs_in_latex,
        "how often it is used": card.differs_in_single_use,
    }
    return [word for word, differs in marked.items() if differs]
