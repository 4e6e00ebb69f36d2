"""How a filled-in form and each of its rows say which sheet they belong to.

A row's reference has two checks: that it is of this very sheet, and that what identifies the row is still printed
beside it. So rows may be sorted, filtered or deleted, and a torn sort, a row of another sheet, of another department
or of another kind of form is found without asking any database.
"""

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import NamedTuple

from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from ..check_letters import check_letters

FORMAT = 1  # raise it when a sheet written before can no longer be read
SALT = "restock.workbook.forms"

_FINGERPRINT = re.compile(
    r"Evenfill sheet ([a-z-]{1,20}), format (\d{1,4}), department ([-\w]{1,50}), about ([-.:\w]{1,30}), "
    r"made (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ), (\d{1,3}) in all, check ([A-Z2-7]+)"
)
_KEY = re.compile(r"[-.:\w]{1,30}")
_REFERENCE = re.compile(r"([-.:\w]{1,30})/([A-Z2-7]{6})([A-Z2-7]{6})")


class Fingerprint(NamedTuple):
    """What a sheet says about itself. `about` is what its feature calls it; `sheets` stand in the workbook."""

    kind: str
    format: int
    department: str
    about: str
    made: str
    sheets: int
    check: str = ""

    @classmethod
    def of(cls, kind: str, department: str, about: str, made_at: datetime, sheets: int) -> "Fingerprint":
        if not _KEY.fullmatch(about):
            raise ValueError(f"A sheet cannot be about {about!r}.")
        made = made_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        unsigned = cls(kind, FORMAT, department, about, made, sheets)
        return unsigned._replace(check=check_letters(repr(unsigned[:-1]), salt=SALT))

    @property
    def is_true(self) -> bool:
        return self.check == check_letters(repr(self[:-1]), salt=SALT)

    @property
    def made_at(self) -> datetime:
        return datetime.fromisoformat(self.made)

    def __str__(self) -> str:
        return (
            f"Evenfill sheet {self.kind}, format {self.format}, department {self.department}, about {self.about}, "
            f"made {self.made}, {self.sheets} in all, check {self.check}"
        )

    def reference(self, key: str, identity: Iterable[object]) -> str:
        """The reference of a row. Raises ValueError for a key with other signs than letters, digits, - . : and _."""
        if not _KEY.fullmatch(key):
            raise ValueError(f"A row cannot have the key {key!r}.")
        return f"{key}/{self._own(key)}{self._beside(key, identity)}"

    def key_of(self, reference: str) -> str | None:
        """The key in a reference of this sheet, None where it is none."""
        match = _REFERENCE.fullmatch(reference)
        return match[1] if match and match[2] == self._own(match[1]) else None

    def belongs(self, reference: str, identity: Iterable[object]) -> bool:
        """Whether what stands beside a true reference is what was printed beside it."""
        match = _REFERENCE.fullmatch(reference)
        return bool(match) and match[3] == self._beside(match[1], identity)

    def _own(self, key: str) -> str:
        return check_letters(f"{self.check}|{key}", salt=SALT)

    def _beside(self, key: str, identity: Iterable[object]) -> str:
        return check_letters(f"{self.check}|{key}|{[as_printed(value) for value in identity]}", salt=SALT)


def parse_fingerprint(text: str) -> Fingerprint | None:
    """The fingerprint in a cell, unchecked, or None where the cell holds something else."""
    match = _FINGERPRINT.fullmatch(text)
    return match and Fingerprint(match[1], int(match[2]), match[3], match[4], match[5], int(match[6]), match[7])


def as_printed(value: object) -> str:
    """A value as it is compared: spaces aside, days without a time, and what the format cannot hold as “?”."""
    if isinstance(value, datetime):
        value = value.date()
    if isinstance(value, date):
        return value.isoformat()
    return "" if value is None else " ".join(ILLEGAL_CHARACTERS_RE.sub("?", str(value)).split())
