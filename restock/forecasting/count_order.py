"""Which lines to count today: where the record is doubtful, times what a wrong record would cost, within some minutes.

All weights are assumptions, named here so that a department can argue with them; none was measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

BELOW_ZERO, FOUND_WRONG, DRIFT, CRITICAL, VALUE, AGE, NEVER_MOVES = (
    "below_zero", "found_wrong", "drift", "critical", "value", "age", "never_moves",
)  # fmt: skip


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


def rank(record: Record, weights: CountWeights = CountWeights()) -> Ranked:
    """Score one line: (drift + age + stillness) x (1 + criticality + value); far above all a record that is wrong.

    A line that was counted a moment ago and did not move since scores 0, however dear it is.
    """
    never = record.days_counted is None
    age = 1.0 if never else min(record.days_counted / weights.age_days, 1.0)
    still = (
        record.on_record != 0
        and (never or record.days_counted >= weights.still_days)
        and (record.days_moved is None or record.days_moved >= weights.still_days)
    )
    drift = weights.drift * min(record.likely_off / max(record.par, 1), 1.0)
    drift += weights.use_drift * record.use_drifts * age
    doubt = {DRIFT: drift, AGE: weights.age * age, NEVER_MOVES: weights.never_moves * still}
    total = sum(doubt.values())
    worth = {
        CRITICAL: weights.critical * record.never_out,
        VALUE: weights.value * min(record.value / weights.dear, 1.0),
    }
    parts = doubt | {reason: total * weight for reason, weight in worth.items()}
    parts[BELOW_ZERO] = weights.below_zero * (record.on_record < 0)
    parts[FOUND_WRONG] = weights.found_wrong * record.found_wrong
    score = sum(parts.values())
    # A part that hardly counts is no reason.
    telling = [reason for reason in sorted(parts, key=parts.get, reverse=True) if parts[reason] >= 0.1 * score > 0]
    return Ranked(score, tuple(telling))


def choose(
    records: Sequence[Record], ranked: Sequence[Ranked], *, seconds: float, per_line: float, per_place: float
) -> list[int]:
    """Indices of the lines to count in `seconds`, best first.

    A line costs per_line seconds, and per_place besides where its place was not yet gone to, so that ten minutes are
    not spent on walking. Greedy by score per second, which need not be the best set of all (a knapsack). A record that
    is below zero or was found wrong is always chosen. Lines that score 0 never are.
    """
    chosen: list[int] = []
    places: set[int] = set()
    left = set(range(len(records)))
    for index in sorted(left, key=lambda index: -ranked[index].score):
        if not records[index].cannot_wait:
            break
        chosen.append(index)
        places.add(records[index].place)
        left.discard(index)
    spent = per_line * len(chosen) + per_place * len(places)
    # Of each place only the best line that is left can be next, so the rest need not be looked at each time.
    waiting: dict[int, list[int]] = {}
    for index in sorted(left, key=lambda index: (ranked[index].score, -index)):
        if ranked[index].score > 0:
            waiting.setdefault(records[index].place, []).append(index)
    while waiting:
        costs = {place: per_line + (0 if place in places else per_place) for place in waiting}
        affordable = [place for place in waiting if spent + costs[place] <= seconds]
        if not affordable:
            break
        place = max(affordable, key=lambda place: _worth(place, waiting, ranked, costs, seconds - spent, per_line))
        chosen.append(waiting[place].pop())
        places.add(place)
        spent += costs[place]
        if not waiting[place]:
            del waiting[place]
    return chosen


def _worth(place, waiting, ranked, costs, left: float, per_line: float) -> float:
    """Score per second of going to a place: of its best lines, as many as a visit could count."""
    lines = max(int((left - costs[place]) // per_line) + 1, 1)
    scores = [ranked[index].score for index in waiting[place][: -lines - 1 : -1]]
    best, total = 0.0, 0.0
    for number, score in enumerate(scores, start=1):
        total += score
        best = max(best, total / (costs[place] + (number - 1) * per_line))
    return best
