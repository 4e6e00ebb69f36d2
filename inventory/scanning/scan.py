"""What a scan says about stock, and the two ways in which one is refused."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from . import words


class Unreadable(ValueError):
    """Not a code of a pack, or a damaged one. The message says what is wrong and how to mend it, repeating nothing."""


class PersonCode(Exception):
    """A code about a person. Whoever catches this keeps, logs and shows nothing of what was scanned."""

    def __init__(self) -> None:
        super().__init__(words.PERSON)


@dataclass(frozen=True)
class OwnLabel:
    """What a label that was printed here names: a line of the catalogue, and the bin or the lot that it stands on.

    Codes of the department's own; `place` and `bin` are empty on a label that goes with pieces.
    """

    line: str
    place: str = ""
    bin: str = ""


@dataclass(frozen=True)
class Scan:
    """One scan, or two of the same pack joined.

    item: the pack's 14-digit GTIN, or the HIBC primary code without its check character ("+A99912345").
    lot: None where there is none or where it is in doubt; then `possible_lots` holds the readings, one of which a
      person confirms on the pack before it is stored.
    expires_on: usable through the end of this day.
    pieces: items in a pack of variable content (GS1 30, HIBC quantity).
    packs: packs of `item` in a delivery unit (GS1 37 beside 02).
    label: set where one of our own labels was scanned instead of a maker's code.
    warnings: sentences in English, to be translated and shown. Serial numbers are dropped while reading.
    """

    item: str | None = None
    lot: str | None = None
    expires_on: date | None = None
    pieces: int | None = None
    packs: int | None = None
    label: OwnLabel | None = None
    possible_lots: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def names_something(self) -> bool:
        """Whether the scan tells which item it is about."""
        return self.item is not None or self.label is not None

    def joined(self, other: Scan) -> Scan:
        """This scan with what `other`, from the same pack, adds: packs may carry item and lot in two codes.

        Raises Unreadable where both say the same thing differently.
        """
        said = {}
        for name in ("item", "lot", "expires_on", "pieces", "packs", "label"):
            mine, theirs = getattr(self, name), getattr(other, name)
            if mine is not None and theirs is not None and mine != theirs:
                raise Unreadable(words.NOT_ONE_PACK)
            said[name] = theirs if mine is None else mine
        possible = self.possible_lots or other.possible_lots
        warnings = tuple(dict.fromkeys(self.warnings + other.warnings))
        return replace(self, **said, possible_lots=() if said["lot"] else possible, warnings=warnings)
