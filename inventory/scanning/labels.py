"""The text in the codes of our own labels: what a shelf, a drawer or a made-up bundle is called here.

EVENFILL:BIN:<line>/<place>/<bin> and EVENFILL:LOT:<line>/<lot>/<YYYY-MM-DD or nothing>, each part percent-encoded.
The same text stands in a QR code as it is, and in a GS1 DataMatrix behind (91), which GS1 leaves to a company's own
use and whose characters the encoding keeps to.
"""

from __future__ import annotations

from datetime import date
from urllib.parse import quote, unquote

from . import words
from .scan import OwnLabel, Scan, Unreadable

_BIN, _LOT = "EVENFILL:BIN:", "EVENFILL:LOT:"
INTERNAL_AI = "91"
MOST_CHARACTERS = 90  # of an AI 91 value


def bin_label_text(*, line: str, place: str, bin: str) -> str:
    """The text for the place of one line; `bin` may be empty."""
    return _BIN + "/".join(quote(part, safe="") for part in (line, place, bin))


def lot_label_text(*, line: str, lot: str, expires_on: date | None) -> str:
    """The text for pieces of one lot, such as a bundle made up here."""
    return _LOT + "/".join(quote(part, safe="") for part in (line, lot, expires_on.isoformat() if expires_on else ""))


def is_own_label(text: str) -> bool:
    return _without_identifier(text).startswith((_BIN, _LOT))


def read_own_label(text: str) -> Scan:
    """Raises Unreadable where the parts are not those that we print."""
    text = _without_identifier(text)
    kind = _BIN if text.startswith(_BIN) else _LOT
    parts = [unquote(part) for part in text.removeprefix(kind).split("/")]
    if len(parts) != 3 or not parts[0]:
        raise Unreadable(words.OTHER_LABEL)
    line, second, third = parts
    if kind == _BIN:
        return Scan(label=OwnLabel(line, place=second, bin=third))
    try:
        expires_on = date.fromisoformat(third) if third else None
    except ValueError:
        raise Unreadable(words.OTHER_LABEL) from None
    return Scan(label=OwnLabel(line), lot=second or None, expires_on=expires_on)


def _without_identifier(text: str) -> str:
    """The text behind (91), in brackets too: so some phones and decoders tell a GS1 DataMatrix."""
    return text.removeprefix(f"({INTERNAL_AI})").removeprefix(INTERNAL_AI)
