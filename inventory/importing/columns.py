"""The declaration of a kind of sheet, and the match of a file's headings with it."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from inventory.importing.problems import LONGEST_QUOTE, Problem, SheetRefused, quoted
from inventory.importing.values import ValueType, alike


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a kind of sheet.

    `required`: the heading must be there and every row filled. `private`: the cells may hold a
    person's data (age, sex, weight, booking), so no message ever repeats them. `example` is typed
    into the cell note of a blank workbook.
    """

    name: str
    meaning: str
    type: ValueType
    required: bool = False
    private: bool = False
    example: str = ""


@dataclass(frozen=True, slots=True)
class Headings:
    """Where each declared column stands in a file.

    `positions` maps column name to cell position (from 0), `written` to the heading as the file has
    it. `unknown` lists headings that match no column, as they may be shown. `width` counts the cells
    of the heading row.
    """

    positions: Mapping[str, int]
    written: Mapping[str, str]
    unknown: tuple[str, ...]
    width: int


def read_column_map(path: Path, columns: Sequence[Column]) -> dict[str, str]:
    """Read a department's own headings from a TOML file: `[columns]`, "Our heading" = "standard name".

    Returns heading -> column name. Raises SheetRefused, naming every entry that cannot be used.
    """
    file = Path(path).name
    names = [column.name for column in columns]
    try:
        with open(path, "rb") as source:
            document = tomllib.load(source)
    except OSError as reason:
        raise SheetRefused(Problem(file, f"no readable file ({reason.strerror})", "a column map")) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as reason:
        raise SheetRefused(Problem(file, f"a fault in its TOML: {reason}", _MAP_FORM)) from None

    entries = document.get("columns")
    if set(document) != {"columns"} or not isinstance(entries, dict) or not entries:
        raise SheetRefused(Problem(file, "no table [columns], or something beside it", _MAP_FORM))
    problems = [
        Problem(file, f"{quoted(heading)} = {quoted(name)}", f"a standard name, one of {', '.join(names)}")
        for heading, name in entries.items()
        if name not in names
    ]
    if problems:
        raise SheetRefused(*problems)
    return entries


_MAP_FORM = 'a table [columns] of lines such as "Our heading" = "code"'


def match_headings(
    cells: Sequence[object],
    columns: Sequence[Column],
    column_map: Mapping[str, str],
    *,
    file: str,
    sheet: str | None,
    row: int,
) -> Headings:
    """Find the declared columns in a heading row; capitals, spaces and underscores do not matter.

    A heading that `column_map` maps to "" is left out. Raises SheetRefused with every heading that is missing, doubled
    or mapped but not in the file.
    """
    names = _names_by_heading(columns, column_map)
    positions: dict[str, int] = {}
    written: dict[str, str] = {}
    unknown: list[str] = []
    seen: set[str] = set()
    problems: list[Problem] = []

    def problem(found: str, expected: str) -> None:
        problems.append(Problem(file, found, expected, sheet=sheet, row=row))

    for position, cell in enumerate(cells):
        if cell is None:
            continue
        heading = str(cell)
        key = alike(heading)
        name = names.get(key)
        if name in positions:
            problem(
                f"two headings for {name}: {quoted(written[name])} and {quoted(heading)}",
                "one column for each; rename the other or take it out",
            )
        elif name:
            positions[name] = position
            written[name] = heading
        elif key in seen:
            problem(
                f"the heading {shown_heading(heading, position)} twice",
                "every heading once; rename one of them",
            )
        else:
            unknown.append(shown_heading(heading, position))
        seen.add(key)

    for heading in column_map:
        if alike(heading) not in seen:
            problem(
                f"no heading {quoted(heading)}, which the column map names",
                "that heading, or no such line in the map",
            )
    missing = [column.name for column in columns if column.required and column.name not in positions]
    if missing:
        # Where no heading is known, the row is probably data, and may hold a person's: never repeat it.
        there = [*map(quoted, written.values()), *unknown] if written else ["none of the standard headings"]
        problem(
            f"no column {', '.join(missing)}; the first filled row holds {', '.join(there)}",
            f"headings in the first filled row, at least "
            f"{', '.join(column.name for column in columns if column.required)}; a column map can "
            "translate your own headings",
        )
    if problems:
        raise SheetRefused(*problems)
    return Headings(positions, written, tuple(unknown), len(cells))


def known_headings(cells: Sequence[object], columns: Sequence[Column], column_map: Mapping[str, str]) -> set[str]:
    """Names of the declared columns that a row of headings would fill."""
    names = _names_by_heading(columns, column_map)
    keys = [alike(str(cell)) for cell in cells if cell is not None]
    return {names[key] for key in keys if names.get(key)}


def _names_by_heading(columns: Sequence[Column], column_map: Mapping[str, str]) -> dict[str, str]:
    """Column name by heading as compared; a department's own heading goes before a standard one."""
    standard = {alike(column.name): column.name for column in columns}
    return standard | {alike(heading): name for heading, name in column_map.items()}


def shown_heading(heading: str, position: int) -> str:
    """An unknown heading as a message may repeat it; one that looks like data is named by its place."""
    if len(heading) > LONGEST_QUOTE or sum(character.isdigit() for character in heading) > 4:
        return f"column {position + 1} (its heading looks like data and is not shown)"
    return quoted(heading)
