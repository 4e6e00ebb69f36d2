"""What the invented department does: its case mix, its rooms' lists, and how it truly uses each line."""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

FIXTURES = Path(__file__).resolve().parent.parent.parent / "fixtures"

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True)
class TypeOfCase:
    """How a case type is booked. Durations in minutes; shares and probabilities from 0 to 1.

    size_classes: share of each size class. extras: how often each extra is booked with it.
    """

    code: str
    urgency: str
    shortest_minutes: int
    typical_minutes: int
    longest_minutes: int
    turnover_minutes: int
    cases_per_room_day: int
    size_classes: dict[str, float]
    extras: dict[str, float]


@dataclass(frozen=True)
class UseRow:
    """How one line is truly used: opened with `probability`, then `quantity` pieces on average.

    `opened_unused` is the probability that one piece is opened and then not needed. An empty size class, extra or
    case type stands for any. `run` is empty for a line that is in no size run.
    """

    case_type: str
    size_class: str
    extra: str
    code: str
    run: str
    probability: float
    quantity: float
    opened_unused: float
    basis: str


@dataclass(frozen=True)
class Fiction:
    """The whole of it. room_lists: for each (room, day) the weight of each case type on its list; the day is a
    weekday or `tomorrow`, whose weights are numbers of cases."""

    types: dict[str, TypeOfCase]
    room_lists: dict[tuple[str, str], dict[str, float]]
    use_rows: tuple[UseRow, ...]

    @property
    def rooms(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(room for room, _ in self.room_lists))

    def rows_for(self, case_type: str, size_class: str) -> dict[str, list[UseRow]]:
        """Rows of a kind of case by extra ("" for what needs no booking). A case type's own rows for an extra
        replace the general ones."""
        own: dict[str, list[UseRow]] = defaultdict(list)
        general: dict[str, list[UseRow]] = defaultdict(list)
        for row in self.use_rows:
            if row.basis != "per_case" or row.size_class not in ("", size_class):
                continue
            if row.case_type == case_type:
                own[row.extra].append(row)
            elif not row.case_type:
                general[row.extra].append(row)
        return dict(general) | dict(own)


def read_fiction(folder: Path = FIXTURES) -> Fiction:
    minutes = {row["case_type"]: int(row["typical_minutes"]) for row in _rows(folder / "case-types.csv")}
    runs = {row["code"]: row["size_run"] for row in _rows(folder / "catalogue.csv")}
    types = {
        row["case_type"]: TypeOfCase(
            code=row["case_type"],
            urgency=row["urgency"],
            shortest_minutes=int(row["minutes_low"]),
            typical_minutes=minutes[row["case_type"]],
            longest_minutes=int(row["minutes_high"]),
            turnover_minutes=int(row["turnover_minutes"]),
            cases_per_room_day=int(row["cases_per_room_day"]),
            size_classes=_weights(row["size_classes"]),
            extras=_weights(row["extras"]),
        )
        for row in _rows(folder / "case-mix.csv")
    }
    lists = {(row["room"], row["day"]): _weights(row["cases"]) for row in _rows(folder / "room-lists.csv")}
    use_rows = tuple(
        UseRow(
            case_type=row["case_type"],
            size_class=row["size_class"],
            extra=row["extra"],
            code=row["code"],
            run=runs[row["code"]],
            probability=float(row["probability"]),
            quantity=float(row["quantity"]),
            opened_unused=float(row["opened_unused"]),
            basis=row["basis"],
        )
        for row in _rows(folder / "usage_truth.csv")
    )
    return Fiction(types, lists, use_rows)


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as source:
        return list(csv.DictReader(source))


def _weights(text: str) -> dict[str, float]:
    """`CT01:3;CT02:1` as a mapping."""
    return {name: float(weight) for name, weight in (part.split(":") for part in text.split(";") if part)}
