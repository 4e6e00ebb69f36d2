"""What every loader is given beside its rows, and what it hands back."""

import difflib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from pathlib import Path

from django.contrib.auth.models import AbstractBaseUser
from django.db import models
from django.utils.translation import gettext as _

from inventory.importing.problems import quoted
from inventory.importing.sheets import Table
from inventory.importing.xlsx import Progress
from inventory.models import Department

NEAREST_SHOWN = 3


def unwatched(label: str) -> Progress:
    """Progress that nobody looks at."""
    return lambda done, total: None


@dataclass(frozen=True)
class Loading:
    """One sheet on its way into a department.

    `source` identifies the sheet by its content (see `source_of`): the same file gives the same keys, which makes a
    repeated load harmless. `by` and `at` sign what is written. `watch` makes a progress bar from a label.
    """

    department: Department
    table: Table
    source: str
    by: AbstractBaseUser
    at: datetime
    watch: Callable[[str], Progress] = unwatched

    def problem(self, row: int, column: str, found: str, expected: str, *, vouched: bool = False) -> None:
        """Note a problem. `found` is a phrase that is safe to show; private columns hide it unless `vouched` for."""
        self.table.problems.append(self.table.problem(row, column, expected, found, vouched=vouched))

    def refuse_if_faulty(self) -> None:
        """Raise SheetRefused with every problem noted so far, if there is one."""
        self.table.refuse_if_faulty()


@dataclass
class Outcome:
    """What a load did: how many of what (`counts`, such as "lines added": 3), and sentences for people."""

    rows: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)

    @property
    def changed(self) -> bool:
        return any(self.counts.values())


def source_of(path: Path, sheet: str | None) -> str:
    """SHA-256 over a file's bytes and the sheet's name, in hexadecimal digits."""
    digest = sha256()
    with open(path, "rb") as source:
        while chunk := source.read(1 << 20):
            digest.update(chunk)
    digest.update((sheet or "").encode())
    return digest.hexdigest()


def known(what: str, word: str, choices: Iterable[str]) -> str:
    """What was expected instead of an unknown `word`, with the nearest choices: `a code of the catalogue, ...`.

    The word itself is not repeated: it may stand in a column whose cells are not shown.
    """
    by_form = {choice.casefold(): choice for choice in choices}
    nearest = difflib.get_close_matches(word.casefold(), by_form, n=NEAREST_SHOWN, cutoff=0.5)
    if nearest:
        return _("%(what)s; the nearest are %(nearest)s") % {
            "what": what,
            "nearest": ", ".join(quoted(by_form[form]) for form in nearest),
        }
    if not by_form:
        return _("%(what)s, and none is known yet: load those first") % {"what": what}
    return what


def amount(number: int, thing: str) -> str:
    """A number of things in words: 1 line, 3 lines."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def some_of(words: Sequence[str], most: int) -> str:
    """Words in a row; of more than `most` the first, and how many more there are."""
    shown = ", ".join(words[:most])
    if len(words) <= most:
        return shown
    return _("%(shown)s and %(number)s more") % {"shown": shown, "number": len(words) - most}


def assign(instance: models.Model, values: Mapping[str, object]) -> bool:
    """Set the attributes that differ; True where one did."""
    differing = {name: value for name, value in values.items() if getattr(instance, name) != value}
    for name, value in differing.items():
        setattr(instance, name, value)
    return bool(differing)
