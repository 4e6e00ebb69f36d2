"""What a department knows the evening before: tallies of logged use, standards, tomorrow's list, rates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from restock.forecasting.standards import standard_pmf
from restock.forecasting.usage import History, fade
from tests.benchmarks.simulated_department import N_SIZES, N_TECHNIQUES, SimulatedDepartment
from tests.benchmarks.true_use import K_MAX, LineKit, SizeOfRun

LONGEST_TOTAL = 192  # totals are told apart below this; the largest ever drawn is about half of it
PRIOR_ADDED = (1.0, 2.0)  # add-ons seen, over room-days
PRIOR_CANCELLED = (0.5, 10.0)  # cancelled, over planned


@dataclass(frozen=True)
class Cells:
    """Cells of some columns of use that depend on the same things."""

    columns: np.ndarray  # (lines,) columns of use and run use side by side
    of_case: np.ndarray  # (lines, cases) cell of each case
    parent: np.ndarray  # (cells,)
    standard: np.ndarray  # (lines, cells, K+1)


class Evening:
    """Tallies grow by `close_day`; everything else is read off them. Nothing of the coming day is known."""

    def __init__(self, department: SimulatedDepartment, half_life_days: float = np.inf) -> None:
        self.department = department
        self.half_life_days = half_life_days
        self.use = np.concatenate([department.use, department.run_use], axis=1)
        self.day = 0
        lines = list(enumerate(department.lines))
        self.size_lines = np.array([i for i, line in lines if isinstance(line, SizeOfRun)])
        self.kit_lines = np.array([i for i, line in lines if isinstance(line, LineKit)])
        runs = department.n_lines + np.arange(len(department.runs))
        rest = np.setdiff1d(np.arange(department.n_lines), np.r_[self.size_lines, self.kit_lines])
        self.cells = {
            "plain": self._plain_cells(np.r_[rest, runs]),
            "sized": self._sized_cells(),
            "kit": self._kit_cells(),
        }
        self.counts = {name: np.zeros(cells.standard.shape) for name, cells in self.cells.items()}
        self.split_counts = [np.zeros_like(run.split) for run in department.runs]
        self.added_counts = np.zeros((department.n_lines, K_MAX + 1))
        self.added, self.planned, self.cancelled, self.room_days = 0.0, 0.0, 0.0, 0.0

    def history(self, name: str) -> History:
        cells = self.cells[name]
        return History(self.counts[name], cells.parent, cells.standard)

    def split_standard(self, index: int) -> np.ndarray:
        """(classes, sizes): the class's usual size and, less often, its neighbours."""
        split = self.department.runs[index].split
        distance = np.abs(np.arange(split.shape[1]) - split.argmax(axis=1)[:, None])
        weight = np.choose(np.minimum(distance, 3), [0.7, 0.14, 0.01, 0.001])
        return weight / weight.sum(axis=1, keepdims=True)

    @property
    def tomorrow(self) -> np.ndarray:
        """Indices of the cases on tomorrow's list, in order of room."""
        cases = self.department.cases
        return np.flatnonzero((cases.day == self.day) & ~cases.added)

    @property
    def cancel_probability(self) -> float:
        return (self.cancelled + PRIOR_CANCELLED[0]) / (self.planned + PRIOR_CANCELLED[1])

    @property
    def added_rate(self) -> tuple[float, float]:
        """Gamma (a, b) of add-on cases per room-day."""
        return self.added + PRIOR_ADDED[0], self.room_days + PRIOR_ADDED[1]

    def added_pmf(self, all_cases: np.ndarray) -> np.ndarray:
        """Pieces an add-on case uses (lines, K+1): those logged, and 4 cases' worth of all cases' pmf."""
        alpha = self.added_counts + 4 * all_cases
        return alpha / alpha.sum(axis=-1, keepdims=True)

    def all_case_pmf(self) -> np.ndarray:
        """Pieces any case uses (lines, K+1)."""
        counts = np.zeros((self.department.n_lines + len(self.department.runs), K_MAX + 1))
        for name, cells in self.cells.items():
            counts[cells.columns] = self.counts[name].sum(axis=1) + 0.5 / (K_MAX + 1)
        counts = counts[: self.department.n_lines]
        return counts / counts.sum(axis=-1, keepdims=True)

    def close_day(self) -> None:
        """Add the day's log to the tallies, after the older log has faded by one day."""
        cases = self.department.cases
        today = np.flatnonzero((cases.day == self.day) & ~cases.cancelled)
        for name, cells in self.cells.items():
            self.counts[name] = self._faded(self.counts[name])
            line = np.arange(len(cells.columns))[:, None]
            np.add.at(self.counts[name], (line, cells.of_case[:, today], self.use[today][:, cells.columns].T), 1.0)
        for index, run in enumerate(self.department.runs):
            columns = [i for i in self.size_lines if self.department.lines[i].run is run]
            self.split_counts[index] = self._faded(self.split_counts[index])
            np.add.at(self.split_counts[index], cases.size_class[today], self.use[today][:, columns])
        added = today[cases.added[today]]
        self.added_counts = self._faded(self.added_counts)
        np.add.at(
            self.added_counts,
            (np.arange(self.department.n_lines)[:, None], self.department.use[added].T),
            1.0,
        )
        whole_day = cases.day == self.day
        self.added += len(added)
        self.planned += (whole_day & ~cases.added).sum()
        self.cancelled += cases.cancelled[whole_day].sum()
        self.room_days += self.department.n_rooms
        self.day += 1

    def _faded(self, tally: np.ndarray) -> np.ndarray:
        return fade(tally, 1, self.half_life_days)

    def _plain_cells(self, columns: np.ndarray) -> Cells:
        cases = self.department.cases
        used, of_case = np.unique(cases.case_type * N_TECHNIQUES + cases.technique, return_inverse=True)
        parent = used % N_TECHNIQUES
        stated = self._stated()[parent][:, columns].T
        return Cells(columns, np.tile(of_case, (len(columns), 1)), parent, _standard(stated))

    def _sized_cells(self) -> Cells:
        cases = self.department.cases
        code = (cases.case_type * N_TECHNIQUES + cases.technique) * N_SIZES + cases.size_class
        used, of_case = np.unique(code, return_inverse=True)
        parent = used % (N_TECHNIQUES * N_SIZES)
        technique, size_class = np.divmod(parent, N_SIZES)
        lines = [self.department.lines[i] for i in self.size_lines]
        usual = np.array([line.run.split.argmax(axis=1)[size_class] == line.size for line in lines])
        stated = np.array([self.department.run_standard[technique, line.run_index] for line in lines]) * usual
        return Cells(self.size_lines, np.tile(of_case, (len(lines), 1)), parent, _standard(stated))

    def _kit_cells(self) -> Cells:
        cases = self.department.cases
        kind = cases.case_type * N_TECHNIQUES + cases.technique
        used, index = np.unique(kind, return_inverse=True)
        booked = np.array([getattr(cases, self.department.lines[i].booked) for i in self.kit_lines])
        parent = np.concatenate([used % N_TECHNIQUES, used % N_TECHNIQUES + N_TECHNIQUES])
        stated = np.tile(np.repeat([0, 1], len(used)), (len(self.kit_lines), 1))
        return Cells(self.kit_lines, index + len(used) * booked, parent, _standard(stated))

    def _stated(self) -> np.ndarray:
        return np.concatenate([self.department.standard, self.department.run_standard], axis=1)


def _standard(stated: np.ndarray) -> np.ndarray:
    return standard_pmf((stated > 0).astype(float), stated, K_MAX)


def transformed(pmf: np.ndarray) -> np.ndarray:
    """Fourier transform (..., F) of pmfs (..., K+1), padded to LONGEST_TOTAL."""
    return np.fft.rfft(pmf, LONGEST_TOTAL, axis=-1)


def room_totals(
    pmf: np.ndarray, room: np.ndarray, cancel_probability: float, added_transform: np.ndarray
) -> np.ndarray:
    """Distribution of each room's total: (lines, rooms, N).

    pmf: (lines, cases, K+1). room: (cases,), ascending, each room at least once. added_transform: (lines, F),
    of the unplanned cases' total. A transform of its own, so that the proof does not rest on what it proves.
    """
    transform = cancel_probability + (1 - cancel_probability) * transformed(pmf)
    first = np.flatnonzero(np.r_[True, room[1:] != room[:-1]])
    product = np.multiply.reduceat(transform, first, axis=1) * added_transform[:, None]
    result = np.maximum(np.fft.irfft(product, LONGEST_TOTAL, axis=-1), 0.0)
    return result / result.sum(axis=-1, keepdims=True)


def negative_binomial_added(pmf: np.ndarray, rate: tuple[float, float]) -> np.ndarray:
    """Transform (lines, F) of a total over add-ons whose number per room-day is Poisson with Gamma(a, b) rate."""
    a, b = rate
    return (b / (b + 1 - transformed(pmf))) ** a


def poisson_added(pmf: np.ndarray, rate: float) -> np.ndarray:
    return np.exp(rate * (transformed(pmf) - 1))
