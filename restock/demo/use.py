"""Invented use: what each invented case opened, drawn from the true use of its kind.

Real use varies more than any standard says, for reasons that nobody records: who is in the room, how the day goes,
how long the case takes. So quantities carry three effects that the tool never sees. All of their sizes are invented.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

import numpy as np

from .cases import DrawnCase
from .fiction import Fiction, UseRow

CASE_SHAPE = 12.0  # of a gamma factor with mean 1 on the varying part of a case's quantities
ROOM_DAY_SD = 0.12  # of a log-normal factor shared by all cases of a room's day
HABIT_SD = 0.15  # of a log-normal factor of a line within a case type: what the set-up standard does not know


@dataclass(frozen=True)
class Use:
    """Drawn use, one element for each line that a case opened; arrays (rows,).

    case: index into the cases. code: index into `codes`. used and opened_unused: pieces, at least one together.
    """

    codes: tuple[str, ...]
    case: np.ndarray
    code: np.ndarray
    used: np.ndarray
    opened_unused: np.ndarray


@dataclass(frozen=True)
class RoomDayUse:
    """What opening a room took on one day, whatever its cases."""

    date: date
    room: str
    code: str
    used: int


def draw_use(fiction: Fiction, cases: list[DrawnCase], rng: np.random.Generator) -> Use:
    """Use of all cases that took place, ordered by case. One pass for each kind of case, not for each case."""
    codes = tuple(dict.fromkeys(row.code for row in fiction.use_rows))
    number_of = {code: number for number, code in enumerate(codes)}
    room_days = {key: number for number, key in enumerate(dict.fromkeys((c.date, c.room) for c in cases))}
    day_factor = np.exp(rng.normal(0, ROOM_DAY_SD, len(room_days)))[[room_days[c.date, c.room] for c in cases]]
    factor = day_factor * rng.gamma(CASE_SHAPE, 1 / CASE_SHAPE, len(cases))
    habit = dict(
        zip(sorted(fiction.types), np.exp(rng.normal(0, HABIT_SD, (len(fiction.types), len(codes)))), strict=True)
    )

    kinds: dict[tuple[str, str], list[int]] = defaultdict(list)
    for number, case in enumerate(cases):
        if not case.cancelled:
            kinds[case.case_type, case.size_class].append(number)

    parts: list[np.ndarray] = []  # each (4, rows): case, code, total, opened unused
    for (case_type, size_class), numbers in sorted(kinds.items()):
        for extra, rows in fiction.rows_for(case_type, size_class).items():
            booked = np.array([n for n in numbers if not extra or extra in cases[n].extras], dtype=int)
            if not len(booked):
                continue
            for same in _alternatives(rows):
                numbers_of = np.array([number_of[row.code] for row in same])
                total, unused = _draw_alternatives(same, factor[booked], habit[case_type][numbers_of], rng)
                at, which = np.nonzero(total)
                parts.append(np.stack([booked[at], numbers_of[which], total[at, which], unused[at, which]]))

    case, code, total, unused = np.concatenate(parts, axis=1)
    case, code, total, unused = _merged(case, code, total, unused, n_codes=len(codes))
    return Use(codes, case, code, total - unused, unused)


def draw_room_days(fiction: Fiction, cases: list[DrawnCase], rng: np.random.Generator) -> list[RoomDayUse]:
    """What was opened once for each room and day with a case, and once for each room and week, in order of day."""
    rows = [row for row in fiction.use_rows if row.basis != "per_case"]
    drawn, weeks = [], set()
    for day, room in dict.fromkeys((case.date, case.room) for case in cases if not case.cancelled):
        week = (room, *day.isocalendar()[:2])
        for row in rows:
            if row.basis == "per_room_week" and week in weeks:
                continue
            if rng.random() < row.probability:
                drawn.append(RoomDayUse(day, room, row.code, 1 + int(rng.poisson(row.quantity - 1))))
        weeks.add(week)
    return drawn


def _alternatives(rows: list[UseRow]) -> list[list[UseRow]]:
    """Rows that exclude each other: the sizes of one run, of which a case takes one. Other rows stand alone."""
    groups: dict[str, list[UseRow]] = defaultdict(list)
    for row in rows:
        groups[row.run or row.code].append(row)
    return list(groups.values())


def _draw_alternatives(
    rows: list[UseRow], factor: np.ndarray, habit: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Pieces opened, and those of them that were not needed: both (cases, rows).

    As often as the rows' probabilities add up to, a row is chosen in their proportion (twice where two are usual).
    What is chosen gives half its quantity without variation, at least one piece, and a Poisson part for the rest.
    """
    probability = np.array([row.probability for row in rows])
    quantity = np.array([row.quantity for row in rows])
    times = probability.sum()
    chosen = np.zeros((len(factor), len(rows)), dtype=int)
    picks = np.floor(times + rng.random(len(factor))).astype(int)
    for pick in range(int(picks.max(initial=0))):
        which = rng.choice(len(rows), size=len(factor), p=probability / times)
        chosen[np.arange(len(factor)), which] += picks > pick

    steady = np.maximum(np.floor(quantity / 2), 1)
    rest = rng.poisson(chosen * (quantity - steady) * factor[:, None] * habit)
    total = (chosen * steady + rest).astype(int)
    not_needed = np.minimum(np.array([row.opened_unused for row in rows]) / probability, 1.0)
    unused = (rng.random(total.shape) < not_needed) & (total > 0)
    return total, unused.astype(int)


def _merged(
    case: np.ndarray, code: np.ndarray, total: np.ndarray, unused: np.ndarray, *, n_codes: int
) -> tuple[np.ndarray, ...]:
    """One row for each case and code, in that order: a booked extra may name what the case type names too."""
    key, inverse = np.unique(case * n_codes + code, return_inverse=True)
    total = np.bincount(inverse, weights=total).astype(int)
    unused = np.bincount(inverse, weights=unused).astype(int)
    return key // n_codes, key % n_codes, total, unused
