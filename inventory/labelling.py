"""What stands on the labels of this department: the place of a line, and pieces of a lot such as a bundle made here."""

from __future__ import annotations

from collections.abc import Iterable

from django.utils.translation import gettext as _

from .labels.layout import Label
from .models import Lot, StockingLine
from .scanning.labels import MOST_CHARACTERS, bin_label_text, lot_label_text


class TooLong(ValueError):
    """The codes of a line, its place and bin are longer together than a label's code may be."""


def bin_labels(lines: Iterable[StockingLine]) -> list[Label]:
    """One label for each line of a par sheet: scanned, it leads to the line at that place.

    Lines come with consumable, place and bin. Par is not on it, since par changes. Raises TooLong.
    """
    return [
        Label(
            code_text=_fitting(
                bin_label_text(line=line.consumable.code, place=line.place.code, bin=line.bin.code if line.bin else "")
            ),
            title=line.consumable.name,
            mark=line.consumable.size,
            lines=(
                line.place.name,
                " · ".join([line.bin.code, line.consumable.code] if line.bin else [line.consumable.code]),
            ),
        )
        for line in lines
    ]


def lot_labels(lot: Lot, *, copies: int) -> list[Label]:
    """The same label `copies` times, for pieces of one lot. The date is written so that no country misreads it."""
    line = lot.consumable
    expiry = _("Use by %(day)s") % {"day": lot.expires_on.isoformat()} if lot.expires_on else _("No expiry on record")
    label = Label(
        code_text=_fitting(lot_label_text(line=line.code, lot=lot.number, expires_on=lot.expires_on)),
        title=line.name,
        mark=line.size,
        lines=(expiry, _("Lot %(number)s") % {"number": lot.number}, line.code),
    )
    return [label] * copies


def _fitting(text: str) -> str:
    if len(text) > MOST_CHARACTERS:
        raise TooLong(_("The codes of line, place and bin are too long for a label: shorten one under Set-up."))
    return text
