"""The forecast under test: `restock.forecasting` fed with what the evening knows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from restock.forecasting.day_effect import NODE_WEIGHTS, SIGMAS, centred, fit_day_effect, tilted_pmfs
from restock.forecasting.size_runs import learn_split, split_run
from restock.forecasting.usage import learn
from tests.benchmarks.known_by_evening import Evening, negative_binomial_added, room_totals
from tests.benchmarks.true_use import K_MAX

REMEMBERED_DAYS = 20  # past forecasts that the day effect is fitted on


class LearnedForecast:
    """Forecasts day after day; keeps what its earlier forecasts said about the days that then came."""

    def __init__(self, department) -> None:
        self.department = department
        self.day_effect = np.zeros(department.n_lines)
        self._past: list[np.ndarray] = []

    def case_pmfs(self, evening: Evening) -> np.ndarray:
        """Pieces each listed case uses: (lines, cases, K+1)."""
        listed = evening.tomorrow
        result = np.empty((self.department.n_lines, len(listed), K_MAX + 1))
        run_pmf = None
        for name in ("plain", "kit"):
            cells = evening.cells[name]
            pmf = learn(evening.history(name)).pmf
            of_line = pmf[np.arange(len(cells.columns))[:, None], cells.of_case[:, listed]]
            is_line = cells.columns < self.department.n_lines
            result[cells.columns[is_line]] = of_line[is_line]
            if not is_line.all():
                run_pmf = of_line[~is_line]
        size_class = self.department.cases.size_class[listed]
        for index, counts in enumerate(evening.split_counts):
            split = learn_split(counts, evening.split_standard(index))
            columns = [i for i in evening.size_lines if self.department.lines[i].run_index == index]
            result[columns] = split_run(run_pmf[index], split[size_class].T)
        return result

    def totals(self, evening: Evening, *, remember: bool = False) -> np.ndarray:
        """Distribution of tomorrow's totals: (lines, rooms, N). `remember` keeps it for the day effect."""
        pmf = self.case_pmfs(evening)
        room = self.department.cases.room[evening.tomorrow]
        added = negative_binomial_added(evening.added_pmf(evening.all_case_pmf()), evening.added_rate)

        def of_room(case_pmf: np.ndarray) -> np.ndarray:
            return room_totals(case_pmf, room, evening.cancel_probability, added)

        if remember:
            observed = self.department.totals[evening.day].T[..., None]
            by_sigma = []
            for sigma in SIGMAS:
                forecast = _mixed(of_room, pmf, np.full(len(pmf), sigma))
                by_sigma.append(np.take_along_axis(forecast, observed, axis=-1)[..., 0])
            self._past.append(np.stack(by_sigma))
        return _mixed(of_room, pmf, self.day_effect)

    def fit_day_effect(self) -> None:
        probability = np.concatenate(self._past[-REMEMBERED_DAYS:], axis=2)
        n_lines, n_room_days = probability.shape[1:]
        self.day_effect = fit_day_effect(
            probability.reshape(len(SIGMAS), -1), np.repeat(np.arange(n_lines), n_room_days), n_lines
        )


def _mixed(totals: Callable[[np.ndarray], np.ndarray], pmf: np.ndarray, day_effect: np.ndarray) -> np.ndarray:
    """Totals of case pmfs (lines, cases, K+1) that share a day effect of each line's size (lines,)."""
    if not day_effect.any():
        return totals(pmf)
    at_nodes = tilted_pmfs(centred(pmf, day_effect[:, None]), day_effect[:, None])
    return sum(weight * totals(node) for weight, node in zip(NODE_WEIGHTS, at_nodes, strict=True))
