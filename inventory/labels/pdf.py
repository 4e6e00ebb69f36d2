"""Pages of labels as a PDF file."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from datetime import datetime

from .layout import Page

# The fonts that every PDF reader has know Latin-1 only; these come near.
_NEAR = str.maketrans({"–": "-", "—": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "…": "...", "≥": ">=", "≤": "<="})


def as_pdf(pages: Sequence[Page], *, title: str, made_at: datetime) -> bytes:
    """A PDF of the pages in their own size; print it at 100%, without fitting it to the paper."""
    from fpdf import FPDF  # here, because it loads fonts and pictures that no other page needs

    pdf = FPDF(unit="mm")
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.set_title(title)
    pdf.set_creation_date(made_at)
    pdf.viewer_preferences = None
    for page in pages:
        pdf.add_page(format=(page.width, page.height))
        for bar in page.bars:
            pdf.rect(*bar, style="F")
        for words in page.words:
            pdf.set_font("Helvetica", "B" if words.bold else "", words.size_pt)
            pdf.text(words.x, words.y, in_latin_1(words.text))
    return bytes(pdf.output())


def in_latin_1(text: str) -> str:
    """The text in letters that the built-in fonts have: accents that they lack are dropped, other signs become "?"."""
    return "".join(sign if ord(sign) < 256 else _bare(sign) for sign in text.translate(_NEAR))


def _bare(sign: str) -> str:
    return unicodedata.normalize("NFKD", sign).encode("latin-1", "ignore").decode("latin-1") or "?"
