"""What is wrong with a file, in words that say where it is and how to mend it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from inventory.scanning import holds_a_person

LONGEST_QUOTE = 40  # characters of a cell that an error repeats; enough to find it, too few to leak a page

NOTHING = gettext_lazy("nothing")
NOT_SHOWN = gettext_lazy("a value that is not shown because the column may be personal")


def quoted(value: object) -> str:
    """A cell's content as an error may repeat it: one line, shortened, in quotation marks; never a person's code."""
    if holds_a_person(str(value)):
        return _("a code about a person, which is not repeated")
    text = "".join(character if character.isprintable() else "?" for character in str(value))
    if len(text) > LONGEST_QUOTE:
        text = text[: LONGEST_QUOTE - 1] + "…"
    return f"“{text}”"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that has to be mended in a file before it can be loaded.

    `found` and `expected` are phrases. `found` is already safe to show: whoever builds a Problem
    passes cell content through `quoted`, and `NOT_SHOWN` for a column that may hold a person's data.
    """

    file: str
    found: str
    expected: str
    sheet: str | None = None
    row: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        return self.told_of([] if self.row is None else [self.row])

    def told_of(self, rows: Sequence[int]) -> str:
        """The problem in one line, as that of each of these rows."""
        place = [self.file]
        if self.sheet is not None:
            place.append(_("sheet %(name)s") % {"name": quoted(self.sheet)})
        if rows:
            place.append(ngettext("row %(rows)s", "rows %(rows)s", len(rows)) % {"rows": ", ".join(ranges(rows))})
        if self.column is not None:
            place.append(_("column %(name)s") % {"name": quoted(self.column)})
        return _("%(place)s: found %(found)s; expected %(expected)s.") % {
            "place": ", ".join(place),
            "found": self.found,
            "expected": self.expected,
        }


def ranges(rows: Sequence[int]) -> list[str]:
    """Row numbers in order, neighbours drawn together: 4, 7-9."""
    ranges: list[list[int]] = []
    for row in sorted(set(rows)):
        if ranges and row == ranges[-1][1] + 1:
            ranges[-1][1] = row
        else:
            ranges.append([row, row])
    return [f"{first}" if first == last else f"{first}-{last}" for first, last in ranges]


class SheetRefused(Exception):
    """A file that cannot be loaded as it is; `problems` lists why.

    In `str()` each has its line, and rows with the same one share it: a code that is unknown in 5,000 rows is one
    thing to mend.
    """

    def __init__(self, *problems: Problem):
        super().__init__(*problems)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join(problem.told_of(rows) for problem, rows in self.with_rows().items())

    def with_rows(self) -> dict[Problem, list[int]]:
        """Each problem once, without a row, with the rows that have it."""
        rows: dict[Problem, list[int]] = {}
        for problem in self.problems:
            with_same = rows.setdefault(replace(problem, row=None), [])
            if problem.row is not None:
                with_same.append(problem.row)
        return rows
