"""Which lines to count today: where the record is doubtful, times what a wrong record would cost, within some minutes.

All weights are assumptions, named here so that a department can argue with them; none was measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

BELOW_ZERO, FOUND_WRONG, DRIFT, CRITICAL, VALUE, AGE, NEVER_MOVES = (
    "below_zero", "found_wrong", "drift", "critical", "value", "age", "never_moves",
)  # fmt: skip
REASONS = (DRIFT, AGE, NEVER_MOVES, CRITICAL, VALUE, BELOW_ZERO, FOUND_WRONG)


@dataclass(frozen=True, slots=True)
class Record:
    """What is known of the record of one line at one place; pieces and days.

    likely_off: pieces by which the record may be wrong by now. days_counted, days_moved: since the newest count and
    the newest movement, None where there was none. use_drifts: its use steadily differs from the forecast. value: of
    what lies there, in money. found_wrong: somebody looked since the newest count and found the record wrong.
    """

    place: int
    on_record: int
    par: int
    likely_off: float
    days_counted: float | None
    days_moved: float | None
    use_drifts: bool = False
    never_out: bool = False
    value: float = 0.0
    found_wrong: bool = False

    @property
    def cannot_wait(self) -> bool:
        """Whether the record is wrong for certain, rather than doubtful."""
        return self.on_record < 0 or self.found_wrong


@dataclass(frozen=True)
class Records:
    """The records of many lines: the fields of `Record`, each an array (L,), not a number where it has None."""

    place: np.ndarray
    on_record: np.ndarray
    par: np.ndarray
    likely_off: np.ndarray
    days_counted: np.ndarray
    days_moved: np.ndarray
    use_drifts: np.ndarray
    never_out: np.ndarray
    value: np.ndarray
    found_wrong: np.ndarray

    @property
    def cannot_wait(self) -> np.ndarray:
        """Which records are wrong for certain: (L,)."""
        return (self.on_record < 0) | self.found_wrong

    @classmethod
    def of(cls, records: Sequence[Record]) -> Records:
        columns = {field.name: [getattr(record, field.name) for record in records] for field in fields(cls)}
        days = {name: np.array(columns.pop(name), dtype=float) for name in ("days_counted", "days_moved")}
        return cls(**days, **{name: np.array(column) for name, column in columns.items()})

    def __getitem__(self, index: int) -> Record:
        row = {field.name: getattr(self, field.name)[index].item() for field in fields(self)}
        days = {name: None if np.isnan(row[name]) else row[name] for name in ("days_counted", "days_moved")}
        return Record(**row | days)


@dataclass(frozen=True, slots=True)
class CountWeights:
    """Doubt is added up, each part from 0 to its weight; what it costs multiplies it.

    age_days: a count so old is in full doubt. still_days: a line that neither moved nor was counted for so long is
    asked for. dear: a value at which a line weighs in full.
    """

    drift: float = 1.0
    use_drift: float = 0.3
    age: float = 0.5
    never_moves: float = 0.5
    critical: float = 1.0
    value: float = 0.5
    below_zero: float = 100.0
    found_wrong: float = 50.0
    age_days: float = 90.0
    still_days: float = 60.0
    dear: float = 100.0


@dataclass(frozen=True, slots=True)
class Ranked:
    """A line's place in the order: its score, and why, the strongest reason first."""

    score: float
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Ranking:
    """score: (L,). parts: (len(REASONS), L), what each reason adds to a line's score."""

    score: np.ndarray
    parts: np.ndarray

    def __getitem__(self, index: int) -> Ranked:
        score, parts = float(self.score[index]), self.parts[:, index]
        # A part that hardly counts is no reason.
        telling = [REASONS[n] for n in np.argsort(-parts, kind="stable") if parts[n] >= 0.1 * score > 0]
        return Ranked(score, tuple(telling))

    def is_led_by(self, reason: str) -> np.ndarray:
        """Whether it is the strongest reason of a line: (L,)."""
        return (self.score > 0) & (self.parts.argmax(axis=0) == REASONS.index(reason))


def rank(records: Records, weights: CountWeights = CountWeights()) -> Ranking:
    """Score lines: (drift + age + stillness) x (1 + criticality + value); far above all a record that is wrong.

    A line that was counted a moment ago and did not move since scores 0, however dear it is.
    """
    counted = np.nan_to_num(records.days_counted, nan=np.inf)  # what was never counted is as old as can be
    moved = np.nan_to_num(records.days_moved, nan=np.inf)
    age = np.minimum(counted / weights.age_days, 1.0)
    still = (records.on_record != 0) & (counted >= weights.still_days) & (moved >= weights.still_days)
    drift = weights.drift * np.minimum(records.likely_off / np.maximum(records.par, 1), 1.0)
    drift = drift + weights.use_drift * records.use_drifts * age
    doubt = np.stack([drift, weights.age * age, weights.never_moves * still])
    total = doubt.sum(axis=0)
    worth = [weights.critical * records.never_out, weights.value * np.minimum(records.value / weights.dear, 1.0)]
    wrong = [weights.below_zero * (records.on_record < 0), weights.found_wrong * records.found_wrong]
    parts = np.concatenate([doubt, total * np.stack(worth), np.stack(wrong)])
    return Ranking(parts.sum(axis=0), parts)


def choose(records: Records, score: np.ndarray, *, seconds: float, per_line: float, per_place: float) -> list[int]:
    """Indices of the lines to count in `seconds`, best first.

    A line costs per_line seconds, and per_place besides where its place was not yet gone to, so that ten minutes are
    not spent on walking. Greedy by score per second, which need not be the best set of all (a knapsack). A record that
    is below zero or was found wrong is always chosen. Lines that score 0 never are.
    """
    place_of, scores = records.place.tolist(), score.tolist()
    best_first = np.argsort(-score, kind="stable")
    chosen: list[int] = best_first[records.cannot_wait[best_first]].tolist()
    places = {place_of[index] for index in chosen}
    spent = per_line * len(chosen) + per_place * len(places)
    # Of each place only the best line that is left can be next, so the rest need not be looked at each time.
    waiting: dict[int, list[int]] = {}
    worth_it = ~records.cannot_wait & (score > 0)
    for index in best_first[worth_it[best_first]][::-1].tolist():
        waiting.setdefault(place_of[index], []).append(index)
    while waiting:
        costs = {place: per_line + (0 if place in places else per_place) for place in waiting}
        affordable = [place for place in waiting if spent + costs[place] <= seconds]
        if not affordable:
            break
        place = max(affordable, key=lambda place: _worth(place, waiting, scores, costs, seconds - spent, per_line))
        chosen.append(waiting[place].pop())
        places.add(place)
        spent += costs[place]
        if not waiting[place]:
            del waiting[place]
    return chosen


def _worth(place, waiting, scores, costs, left: float, per_line: float) -> float:
    """Score per second of going to a place: of its best lines, as many as a visit could count."""
    lines = max(int((left - costs[place]) // per_line) + 1, 1)
    best, total = 0.0, 0.0
    for number, index in enumerate(waiting[place][: -lines - 1 : -1], start=1):
        total += scores[index]
        best = max(best, total / (costs[place] + (number - 1) * per_line))
    return best
