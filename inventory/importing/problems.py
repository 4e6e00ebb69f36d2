"""What is wrong with a file, in words that say where it is and how to mend it."""

from dataclasses import dataclass

LONGEST_QUOTE = 40  # characters of a cell that an error repeats; enough to find it, too few to leak a page

NOTHING = "nothing"
NOT_SHOWN = "a value that is not shown because the column may be personal"


def quoted(value: object) -> str:
    """A cell's content as an error may repeat it: one line, shortened, in quotation marks."""
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
        place = [self.file]
        if self.sheet is not None:
            place.append(f"sheet {quoted(self.sheet)}")
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column is not None:
            place.append(f"column {quoted(self.column)}")
        return f"{', '.join(place)}: found {self.found}; expected {self.expected}."


class SheetRefused(Exception):
    """A file that cannot be loaded as it is; `problems` lists why, one line each in `str()`."""

    def __init__(self, *problems: Problem):
        super().__init__(*problems)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join(map(str, self.problems))
