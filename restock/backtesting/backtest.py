"""Is the forecast right? Judged on the department's own log, evening by evening, knowing only what was known then.

Beside it stand the rules that a department would use instead, on the same lines and evenings. Kinds of line are the
catalogue's categories. P(short) is for a line that starts the day at par: what was on hand in the past is not known.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np

from inventory.models import Department

from ..cases.setups import Slot
from ..forecasting import baselines, demand, scoring
from ..learning.fits import Fitted
from ..learning.fitting import find_day_effects
from ..learning.forecast import (
    Board,
    DayForecast,
    Frame,
    forecast_day,
    forecast_with,
    kinds_of_case,
    opened_by_rooms,
    read_frame,
)
from ..learning.replay import Evening, cases_of, read_log, replay, used_on
from ..learning.usage import K_MAX
from ..models import policy_of

LEVELS = (0.9, 0.95, 0.99)
FORECAST = "forecast"
PAR = "par as it is"
MOVING_AVERAGE = "moving average times days"
NORMAL = "mean + sd, normal"
POISSON = "Poisson on the mean"
LISTED_POISSON = "Poisson on the case list"
RESAMPLED = "past cases resampled"
RULES = (PAR, MOVING_AVERAGE, NORMAL, POISSON, LISTED_POISSON, RESAMPLED)

MOVING_DAYS = 28  # of the rules that look back four weeks
DAYS_HELD = 2.0  # of the moving average
FEWEST_DAYS = 8  # of history before the rules can say anything


@dataclass(frozen=True)
class Judged:
    """One evening's forecast beside what was used. Arrays are (L,), in the order of the frame's lines.

    quantile, stated: (levels, L), pieces and the model's own F of them. stock: (levels, L) pieces that each rule would
    have held, by name. crps: by name, for the rules that give a distribution. short: more was used than par.
    """

    day: date
    actual: np.ndarray
    mean: np.ndarray
    median: np.ndarray
    quantile: np.ndarray
    stated: np.ndarray
    pit_low: np.ndarray
    pit_high: np.ndarray
    p_short: np.ndarray
    short: np.ndarray
    stock: dict[str, np.ndarray]
    crps: dict[str, np.ndarray]


@dataclass(frozen=True)
class Calibration:
    """How well one kind of line is forecast. Shares from 0 to 1, over `rows` lines and evenings.

    gap: observed coverage minus the model's own, at each of LEVELS, with its interval by bootstrap over days.
    pit: ten equal bins, flat at 0.1 when calibrated.
    """

    kind: str
    rows: int
    crps: scoring.Estimate
    gap: tuple[scoring.Estimate, ...]
    pit: np.ndarray


@dataclass(frozen=True)
class LevelSeen:
    """How often the forecast's quantile at a level was enough. Shares from 0 to 1, over all lines and evenings.

    stated: how often the forecast itself said so, which for whole pieces is more than the level. low, high: the range
    of `covered` that chance leaves open, 95 times of 100.
    """

    level: float
    stated: float
    covered: float
    low: float
    high: float


@dataclass(frozen=True)
class Backtest:
    """All evenings, oldest first."""

    frame: Frame
    evenings: tuple[Judged, ...]

    def column(self, read: Callable[[Judged], np.ndarray]) -> np.ndarray:
        """One value for each line and evening: (R,) or (levels, R)."""
        return np.concatenate([read(evening) for evening in self.evenings], axis=-1)

    @property
    def days(self) -> np.ndarray:
        """The day of each row as a number: (R,)."""
        return np.repeat([evening.day.toordinal() for evening in self.evenings], len(self.frame.lines))

    @property
    def kinds(self) -> np.ndarray:
        """The category of each row's line: (R,)."""
        return np.tile([line.consumable.category for line in self.frame.lines], len(self.evenings))

    def calibration(self, rng: np.random.Generator) -> list[Calibration]:
        """Of all lines together (first, named "all"), then of each kind, worst gap first."""
        kinds, days = self.kinds, self.days
        by_kind = [self._calibration(kind, kinds == kind, days, rng) for kind in np.unique(kinds)]
        by_kind.sort(key=lambda found: -max(abs(gap.value) for gap in found.gap))
        return [self._calibration("all", np.ones(len(kinds), dtype=bool), days, rng), *by_kind]

    def against(self, rng: np.random.Generator) -> dict[str, dict[str, scoring.Estimate]]:
        """Ratio of the forecast's score to each rule's, below 1 where the forecast is better: CRPS and pinball."""
        days, actual = self.days, self.column(lambda e: e.actual)
        ratios: dict[str, dict[str, scoring.Estimate]] = defaultdict(dict)
        for rule in RULES:
            if rule in self.evenings[0].crps:
                ours, theirs = (self.column(lambda e, name=name: e.crps[name]) for name in (FORECAST, rule))
                ratios[rule]["CRPS"] = scoring.by_day(ours, days, rng, relative_to=theirs)
            held = self.column(lambda e, rule=rule: e.stock[rule])
            for n, level in enumerate(LEVELS):
                ours = scoring.pinball(self.column(lambda e, n=n: e.quantile[n]), actual, level)
                theirs = scoring.pinball(held[n], actual, level)
                ratios[rule][f"pinball {level:g}"] = scoring.by_day(ours, days, rng, relative_to=theirs)
        return dict(ratios)

    def levels(self, rng: np.random.Generator) -> list[LevelSeen]:
        """How often each of LEVELS covered what was used."""
        days, actual = self.days, self.column(lambda e: e.actual)
        quantile, stated = self.column(lambda e: e.quantile), self.column(lambda e: e.stated)
        seen = []
        for n, level in enumerate(LEVELS):
            covered = scoring.by_day((actual <= quantile[n]).astype(float), days, rng)
            seen.append(LevelSeen(level, float(stated[n].mean()), covered.value, covered.low, covered.high))
        return seen

    def tenths(self, rng: np.random.Generator) -> list[scoring.Estimate]:
        """Share of use that fell into each tenth of the forecast, lowest first: 0.1 each when it is calibrated."""
        low, high = self.column(lambda e: e.pit_low), self.column(lambda e: e.pit_high)
        below = [scoring.pit_share_below(low, high, edge) for edge in np.linspace(0.0, 1.0, 11)[1:-1]]
        below = [np.zeros_like(low), *below, np.ones_like(low)]
        return [scoring.by_day(upto - before, self.days, rng) for before, upto in pairwise(below)]

    def stock_out_calibration(self) -> tuple[float, float]:
        """Brier score and calibration error of P(short) from par."""
        p, short = self.column(lambda e: e.p_short), self.column(lambda e: e.short)
        return float(scoring.brier(p, short).mean()), scoring.calibration_error(p, short)

    def _calibration(self, kind: str, chosen: np.ndarray, days: np.ndarray, rng) -> Calibration:
        actual = self.column(lambda e: e.actual)[chosen]
        quantile, stated = self.column(lambda e: e.quantile)[:, chosen], self.column(lambda e: e.stated)[:, chosen]
        gaps = tuple(scoring.by_day((actual <= quantile[n]) - stated[n], days[chosen], rng) for n in range(len(LEVELS)))
        crps = scoring.by_day(self.column(lambda e: e.crps[FORECAST])[chosen], days[chosen], rng)
        low, high = self.column(lambda e: e.pit_low)[chosen], self.column(lambda e: e.pit_high)[chosen]
        return Calibration(kind, int(chosen.sum()), crps, gaps, scoring.pit_histogram(low, high))


def backtest(
    department: Department, *, first: date, last: date, progress: Callable[[date], None] = lambda day: None
) -> Backtest:
    """Judge every day from `first` to `last` that had a list and enough days before it for the rules to use.

    Day effects are those found on the evenings before `first`. Use that was never logged is not put right for: it is
    missing from what the forecast is judged by, too.
    """
    policy = policy_of(department)
    frame = read_frame(department)
    log = read_log(department, last)
    board, cases, judged = Board(frame), _PastCases(frame, Board(frame)), []
    days = sorted(log.cases)
    used = {day: used_on(log, frame, day) for day in days}
    start = max(first, days[FEWEST_DAYS]) if len(days) > FEWEST_DAYS else last + timedelta(days=1)
    added = 0
    known_before = Fitted(day_effect=find_day_effects(department, frame, log, before=start).sigma)
    for evening in replay(
        department, frame, log, first=start, last=last, half_life_days=policy.half_life_days, fitted=known_before
    ):
        earlier = [past for past in days if past < evening.known.day]
        for past in earlier[added:]:
            cases.add(cases_of(log, past))
        added = len(earlier)
        history = np.array([used[past] for past in earlier])
        judged.append(_judge(evening, forecast_day(frame, evening.known), history, board, cases))
        progress(evening.known.day)
    return Backtest(frame, tuple(judged))


class _PastCases:
    """Past cases as they were: how often a case of a type and technique used 0, 1, 2 ... pieces of each consumable."""

    def __init__(self, frame: Frame, board: Board) -> None:
        self._at = {consumable: n for n, consumable in enumerate(board.consumables)}
        self._setups = frame.setups
        shape = (len(board.consumables), K_MAX + 1)
        self._of_type: dict[tuple[int, int], np.ndarray] = defaultdict(lambda: np.zeros(shape))
        self._of_technique: dict[int, np.ndarray] = defaultdict(lambda: np.zeros(shape))

    def add(self, cases: Iterable[tuple[Slot, dict[int, int]]]) -> None:
        for slot, used in cases:
            pieces = np.zeros(len(self._at), dtype=int)
            for consumable, n in used.items():
                if consumable in self._at and not self._setups.goes_by_room(slot.case_type_id, consumable):
                    pieces[self._at[consumable]] = min(n, K_MAX)
            for counts in (self._of_type[slot.case_type_id, slot.technique_id], self._of_technique[slot.technique_id]):
                counts[np.arange(len(pieces)), pieces] += 1.0

    def pmfs(self, slot: Slot) -> np.ndarray:
        """Each past case is as likely as any other; without any of the type, those of its technique."""
        for counts in (self._of_type[slot.case_type_id, slot.technique_id], self._of_technique[slot.technique_id]):
            if counts[0].sum() > 0:
                return counts / counts[0].sum()
        none = np.zeros_like(counts)
        none[:, 0] = 1.0
        return none


def _judge(evening: Evening, forecast: DayForecast, history: np.ndarray, board: Board, cases: _PastCases) -> Judged:
    pmf, actual = forecast.pmf, evening.used
    par = np.array([line.par for line in forecast.frame.lines])
    covered = [scoring.coverage(pmf, actual, level) for level in LEVELS]
    low, high = scoring.pit_interval(pmf, actual)
    width = pmf.shape[1]
    resampled = forecast_with(
        board,
        evening.known,
        {slot: cases.pmfs(slot) for slot in kinds_of_case(evening.known)},
        opened_by_rooms(forecast.open_rooms, forecast.usage, board),
        day_effect=False,
    )
    rules = {
        NORMAL: baselines.normal_pmf(history, width, MOVING_DAYS),
        POISSON: baselines.poisson_pmf(history.mean(axis=0), width),
        LISTED_POISSON: baselines.poisson_pmf(demand.mean(pmf), width),
        RESAMPLED: resampled,
    }
    stock = {name: np.array([demand.quantile(rule, level) for level in LEVELS]) for name, rule in rules.items()}
    held = {PAR: par, MOVING_AVERAGE: baselines.moving_average_times_days(history, MOVING_DAYS, DAYS_HELD)}
    stock |= {name: np.tile(pieces, (len(LEVELS), 1)) for name, pieces in held.items()}
    return Judged(
        day=evening.known.day,
        actual=actual,
        mean=demand.mean(pmf),
        median=demand.quantile(pmf, 0.5),
        quantile=np.array([c.quantile for c in covered]),
        stated=np.array([c.stated for c in covered]),
        pit_low=low,
        pit_high=high,
        p_short=demand.p_short(pmf, par),
        short=actual > par,
        stock=stock,
        crps={FORECAST: scoring.crps(pmf, actual)} | {name: scoring.crps(rule, actual) for name, rule in rules.items()},
    )
