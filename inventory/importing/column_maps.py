"""A department's own headings and dates: one TOML file that serves all of its sheets.

date_order = "dmy"          # how dates are written, where they are text

[columns]                   # in every sheet: "Our heading" = "standard name"
"Theatre" = "room"

[columns.cases]             # in sheets of this kind only
"Procedure" = "case_type"
"""

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.importing.columns import Column
from inventory.importing.problems import Problem, SheetRefused, quoted
from inventory.importing.values import DATE_ORDERS

DATE_ORDER = "date_order"
_FORM = gettext_lazy('a table [columns] of lines such as "Our heading" = "code"')
_ORDER_FORM = gettext_lazy('date_order = "dmy" or "mdy", in a line above [columns]')


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """Heading -> column name: `shared` by all kinds of sheet, and `by_kind`; and how dates are written."""

    shared: Mapping[str, str] = field(default_factory=dict)
    by_kind: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    date_order: str | None = None

    def of_kind(self, kind: str) -> Mapping[str, str]:
        """The headings that only sheets of this kind have."""
        return self.by_kind.get(kind, {})

    def shared_with(self, columns: Sequence[Column]) -> dict[str, str]:
        """The shared headings that mean one of these columns."""
        names = {column.name for column in columns}
        return {heading: name for heading, name in self.shared.items() if name in names}


def read_column_map(path: Path, kinds: Mapping[str, Sequence[Column]]) -> ColumnMap:
    """Read a column map. `kinds` maps each kind of sheet to its columns.

    Raises SheetRefused, naming every entry that cannot be used.
    """
    file = Path(path).name
    try:
        with open(path, "rb") as source:
            document = tomllib.load(source)
    except OSError as reason:
        raise SheetRefused(
            Problem(file, _("no readable file (%(strerror)s)") % {"strerror": reason.strerror}, _("a column map"))
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as reason:
        raise SheetRefused(Problem(file, _("a fault in its TOML: %(reason)s") % {"reason": reason}, _FORM)) from None

    order, entries = document.get(DATE_ORDER), document.get("columns", {})
    if not document or set(document) - {"columns", DATE_ORDER} or not isinstance(entries, dict):
        raise SheetRefused(Problem(file, _("no table [columns], or something beside it"), _FORM))
    by_kind = {kind: headings for kind, headings in entries.items() if isinstance(headings, dict)}
    shared = {heading: name for heading, name in entries.items() if heading not in by_kind}
    problems = [Problem(file, found, expected) for found, expected in _faults(order, shared, by_kind, kinds)]
    if problems:
        raise SheetRefused(*problems)
    return ColumnMap(shared, by_kind, order)


def _faults(
    order: object,
    shared: Mapping[str, object],
    by_kind: Mapping[str, Mapping[str, object]],
    kinds: Mapping[str, Sequence[Column]],
) -> Iterator[tuple[str, str]]:
    """What was found and what was expected."""
    if order is not None and order not in DATE_ORDERS:
        yield f"{DATE_ORDER} = {quoted(order)}", _ORDER_FORM
    names = list(dict.fromkeys(column.name for columns in kinds.values() for column in columns))
    for heading, name in shared.items():
        if heading == DATE_ORDER and name in DATE_ORDERS:
            yield _("%(date_order)s inside [columns]") % {"date_order": DATE_ORDER}, _ORDER_FORM
        elif name not in names:
            yield (
                f"{quoted(heading)} = {quoted(name)}",
                _("a standard name, one of %(names)s") % {"names": ", ".join(names)},
            )
    for kind, headings in by_kind.items():
        if kind not in kinds:
            yield (
                _("a table %(value)s") % {"value": quoted(f"columns.{kind}")},
                _("one of %(kinds)s") % {"kinds": ", ".join(f"columns.{kind}" for kind in kinds)},
            )
            continue
        own = [column.name for column in kinds[kind]]
        for heading, name in headings.items():
            if name not in own:
                yield (
                    _("%(heading)s = %(name)s for %(kind)s")
                    % {"heading": quoted(heading), "name": quoted(name), "kind": kind},
                    _("a standard name, one of %(own)s") % {"own": ", ".join(own)},
                )
