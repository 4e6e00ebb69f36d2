"""The declaration of a kind of sheet, and the match of a file's headings with it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.utils.translation import gettext as _

from inventory.importing.problems import LONGEST_QUOTE, Problem, SheetRefused, quoted
from inventory.importing.values import ValueType, alike
from inventory.importing.ways import ways


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
    of the heading row. `absent` lists headings of a shared column map that are not here, while
    nothing else fills their column either.
    """

    positions: Mapping[str, int]
    written: Mapping[str, str]
    unknown: tuple[str, ...]
    width: int
    absent: tuple[str, ...] = ()


def match_headings(
    cells: Sequence[object],
    columns: Sequence[Column],
    column_map: Mapping[str, str],
    *,
    file: str,
    sheet: str | None,
    row: int,
    shared_map: Mapping[str, str] | None = None,
) -> Headings:
    """Find the declared columns in a heading row; capitals, spaces and underscores do not matter.

    A heading that `column_map` maps to "" is left out. `shared_map` is of all sheets of a department, so this one need
    not have its headings. Raises SheetRefused with every heading that is missing, doubled, or in `column_map` but not
    in the file.
    """
    shared_map = shared_map or {}
    names = _names_by_heading(columns, {**shared_map, **column_map})
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
                _("two headings for %(name)s: %(written)s and %(heading)s")
                % {"name": name, "written": quoted(written[name]), "heading": quoted(heading)},
                _("one column for each; rename the other or take it out"),
            )
        elif name:
            positions[name] = position
            written[name] = heading
        elif key in seen:
            problem(
                _("the heading %(heading)s twice") % {"heading": shown_heading(heading, position)},
                _("every heading once; rename one of them"),
            )
        else:
            unknown.append(shown_heading(heading, position))
        seen.add(key)

    for heading in column_map:
        if alike(heading) not in seen:
            problem(
                _("no heading %(heading)s, which the column map names") % {"heading": quoted(heading)},
                _("that heading, or no such line in the map"),
            )
    required = [column.name for column in columns if column.required]
    missing = [name for name in required if name not in positions]
    if missing or not positions:
        # Where no heading is known, the row is probably data, and may hold a person's: never repeat it.
        there = [*map(quoted, written.values()), *unknown] if written else [_("none of the standard headings")]
        lacking = _("no column %(missing)s") % {"missing": ", ".join(missing)} if missing else _("no known column")
        wanted = (
            _("at least %(required)s") % {"required": ", ".join(required)}
            if required
            else _("such as %(name)s") % {"name": columns[0].name}
        )
        problem(
            _("%(lacking)s; the first filled row holds %(there)s") % {"lacking": lacking, "there": ", ".join(there)},
            _("headings in the first filled row, %(wanted)s; %(way)s") % {"wanted": wanted, "way": ways().own_headings},
        )
    if problems:
        raise SheetRefused(*problems)
    absent = tuple(
        heading for heading, name in shared_map.items() if alike(heading) not in seen and name not in positions
    )
    return Headings(positions, written, tuple(unknown), len(cells), absent)


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
        return _("column %(position)s (its heading looks like data and is not shown)") % {"position": position + 1}
    return quoted(heading)
