"""One simulated department, forecast evening by evening by every model, from earlier days only."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from tests.benchmarks.baselines import BASELINES, mean_and_sd
from tests.benchmarks.judging import Scores, judge, pool
from tests.benchmarks.known_by_evening import Evening
from tests.benchmarks.learned_forecast import LearnedForecast
from tests.benchmarks.oracle import Oracle
from tests.benchmarks.simulated_department import SimulatedDepartment

LEARNED, ORACLE = "learned forecast", "oracle"
FIRST_FORECAST = 8  # days of log before the first forecast is judged
FIRST_JUDGED = 30  # days of log before forecasts count in the main table
FITTING_DAYS = (15, 21, 30, 45, 60, 75)  # evenings on which the day effect is fitted again
PAR_LEVEL = 0.95  # of the first 8 days' totals, all carts alike: the fixed par that P(short) is asked of


@dataclass
class Replay:
    """Line-days in order of day, line, room. `scores` by model; `cdf` by model for the main days."""

    day: list[np.ndarray] = field(default_factory=list)
    kind: list[np.ndarray] = field(default_factory=list)
    observed: list[np.ndarray] = field(default_factory=list)
    moving_mean: list[np.ndarray] = field(default_factory=list)
    moving_sd: list[np.ndarray] = field(default_factory=list)
    scores: dict[str, list[Scores]] = field(default_factory=dict)
    cdf: dict[str, list[np.ndarray]] = field(default_factory=dict)

    def pooled(self, model: str) -> Scores:
        return pool(self.scores[model])


def replay(
    department: SimulatedDepartment,
    seed: int,
    days: Iterable[int],
    *,
    models: tuple[str, ...] = (LEARNED, ORACLE, *BASELINES),
    half_life_days: float = np.inf,
    keep_cdf: bool = False,
) -> Replay:
    """Forecast each of `days`; the others are only logged."""
    days = set(days)
    result = Replay()
    evening = Evening(department, half_life_days)
    learned, oracle = LearnedForecast(department), Oracle(department, seed)
    remembered = 0
    par = None
    while evening.day <= max(days):
        if evening.day == FIRST_FORECAST:
            first = department.totals[:FIRST_FORECAST].reshape(-1, department.n_lines)
            par = np.maximum(1, np.ceil(np.quantile(first, PAR_LEVEL, axis=0))).astype(int)
        if evening.day in FITTING_DAYS and remembered:
            learned.fit_day_effect()
        if evening.day in days:
            observed = department.totals[evening.day].T.ravel()
            line = np.repeat(np.arange(department.n_lines), department.n_rooms)
            result.day.append(np.full(len(observed), evening.day))
            result.kind.append(department.kinds[line])
            result.observed.append(observed)
            mean, sd = mean_and_sd(evening)
            result.moving_mean.append(mean.T.ravel())
            result.moving_sd.append(sd.T.ravel())
            remember = LEARNED in models and _is_remembered(evening.day)
            remembered += remember
            for model in models:
                if model == LEARNED:
                    pmf = learned.totals(evening, remember=remember)
                elif model == ORACLE:
                    pmf = oracle.totals(evening)
                else:
                    pmf = BASELINES[model](evening)
                pmf = pmf.reshape(len(observed), -1)
                result.scores.setdefault(model, []).append(judge(pmf, observed, par[line]))
                if keep_cdf and evening.day >= FIRST_JUDGED:
                    cdf = np.cumsum(pmf, axis=-1).astype(np.float32)
                    result.cdf.setdefault(model, []).append(cdf)
        evening.close_day()
    return result


def _is_remembered(day: int) -> bool:
    """Every third evening but the first few: enough to fit the day effect, for a third of the work."""
    return day < FITTING_DAYS[-1] and (day % 3 == 0 or day < FITTING_DAYS[0])
