"""What a department would use instead: schedule-blind rules, and simpler forecasts that know the case list.

Every function takes an Evening and returns distributions of room totals (lines, rooms, N), from the same log,
list, cancellation rate and add-ons as the forecast under test.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gammaln, ndtr, xlogy

from restock.forecasting.dirichlet import WEIGHTS
from restock.forecasting.tilting import mean_pieces
from tests.benchmarks.known_by_evening import (
    LONGEST_TOTAL,
    Evening,
    negative_binomial_added,
    poisson_added,
    room_totals,
)
from tests.benchmarks.true_use import K_MAX

TOTALS = np.arange(LONGEST_TOTAL)
MOVING_DAYS = 28


def mean_and_sd(evening: Evening) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation (rooms, lines) of the cart's last 28 days."""
    recent = evening.department.totals[max(0, evening.day - MOVING_DAYS) : evening.day]
    return recent.mean(axis=0), recent.std(axis=0, ddof=1)


def normal_on_mean_and_sd(evening: Evening) -> np.ndarray:
    mean, sd = (value.T[..., None] for value in mean_and_sd(evening))
    cdf = ndtr((TOTALS + 0.5 - mean) / (sd + 1e-6))
    pmf = np.diff(cdf, prepend=0.0, axis=-1)
    pmf[..., -1] += 1 - cdf[..., -1]
    return pmf


def poisson_on_cart_mean(evening: Evening) -> np.ndarray:
    return _poisson(evening.department.totals[: evening.day].mean(axis=0).T)


def empirical_cart(evening: Evening) -> np.ndarray:
    """Every past day of the cart is as likely as any other."""
    past = evening.department.totals[: evening.day]
    result = np.zeros((past.shape[2], past.shape[1], LONGEST_TOTAL))
    room, line = np.arange(past.shape[1])[:, None], np.arange(past.shape[2])
    np.add.at(result, (line, room, past), 1.0 / len(past))
    return result


def schedule_poisson(evening: Evening) -> np.ndarray:
    """Poisson on the sum of the cells' mean use, the group's mean where a cell is new."""
    department, room = evening.department, evening.department.cases.room[evening.tomorrow]
    a, b = evening.added_rate
    added = a / b * mean_pieces(evening.added_pmf(evening.all_case_pmf()))
    mean = np.repeat(added[:, None], department.n_rooms, axis=1)
    for columns, of_listed, cell, group, _ in _cells(evening):
        pieces, cases = mean_pieces(cell), cell.sum(axis=-1)
        group_cases = group.sum(axis=-1)
        cell_mean = np.where(
            cases > 0,
            pieces / np.maximum(cases, 1e-9),
            mean_pieces(group) / np.maximum(group_cases, 1e-9),
        )
        listed = np.take_along_axis(cell_mean, of_listed, axis=1) * (1 - evening.cancel_probability)
        for r in range(department.n_rooms):
            mean[columns, r] += listed[:, room == r].sum(axis=1)
    return _poisson(mean)


def hierarchical_gamma_poisson(evening: Evening) -> np.ndarray:
    """Negative binomial per case; a cell's rate is shrunk to its group's, by likelihood per line."""
    angle = np.exp(-2j * np.pi * np.arange(LONGEST_TOTAL // 2 + 1) / LONGEST_TOTAL)
    room = evening.department.cases.room[evening.tomorrow]
    transform = np.empty((evening.department.n_lines, len(room), len(angle)), dtype=complex)
    for columns, of_listed, cell, group, standard in _cells(evening):
        pieces, cases = mean_pieces(cell), cell.sum(axis=-1)
        stated = np.maximum(mean_pieces(standard), 0.3)
        expected = (mean_pieces(group) + 0.5 * stated) / (group.sum(axis=-1) + 0.5)
        expected = np.maximum(expected, 1e-3)
        score = np.stack([_gamma_poisson(weight, expected, pieces, cases) for weight in WEIGHTS])
        weight = WEIGHTS[score.argmax(axis=0)][:, None]
        a = np.take_along_axis(weight * expected + pieces, of_listed, axis=1)[..., None]
        b = np.take_along_axis(weight + cases, of_listed, axis=1)[..., None]
        transform[columns] = (b / (b + 1 - angle)) ** a
    c = evening.cancel_probability
    transform = c + (1 - c) * transform
    first = np.flatnonzero(np.r_[True, room[1:] != room[:-1]])
    added = negative_binomial_added(evening.added_pmf(evening.all_case_pmf()), evening.added_rate)
    product = np.multiply.reduceat(transform, first, axis=1) * added[:, None]
    result = np.maximum(np.fft.irfft(product, LONGEST_TOTAL, axis=-1), 0.0)
    return result / result.sum(axis=-1, keepdims=True)


def resampled_cases(evening: Evening) -> np.ndarray:
    """Past cases of the cell drawn with replacement, in the limit of endlessly many draws."""
    room = evening.department.cases.room[evening.tomorrow]
    pmf = np.empty((evening.department.n_lines, len(room), K_MAX + 1))
    for columns, of_listed, cell, group, standard in _cells(evening):
        cases = cell.sum(axis=-1, keepdims=True)
        fallback = (group + 0.5 * standard) / (group.sum(axis=-1, keepdims=True) + 0.5)
        raw = np.where(cases > 0, cell / np.maximum(cases, 1e-9), fallback)
        pmf[columns] = np.take_along_axis(raw, of_listed[..., None], axis=1)
    a, b = evening.added_rate
    added = poisson_added(evening.added_pmf(evening.all_case_pmf()), a / b)
    return room_totals(pmf, room, evening.cancel_probability, added)


BASELINES = {
    "28-day mean + sd, normal": normal_on_mean_and_sd,
    "Poisson on cart mean": poisson_on_cart_mean,
    "empirical cart history": empirical_cart,
    "schedule-aware Poisson": schedule_poisson,
    "hierarchical Gamma-Poisson": hierarchical_gamma_poisson,
    "resampling past cases": resampled_cases,
}


def _cells(evening: Evening):
    """Columns, listed cases' cells, counts of each cell and of its group, standard; for each kind of line."""
    for name in ("plain", "sized", "kit"):
        cells, counts = evening.cells[name], evening.counts[name]
        is_line = cells.columns < evening.department.n_lines
        group = np.zeros((len(counts), cells.parent.max() + 1, counts.shape[-1]))
        np.add.at(group, (slice(None), cells.parent), counts)
        yield (
            cells.columns[is_line],
            cells.of_case[is_line][:, evening.tomorrow],
            counts[is_line],
            group[is_line][:, cells.parent],
            cells.standard[is_line],
        )


def _gamma_poisson(weight: float, expected: np.ndarray, pieces: np.ndarray, cases: np.ndarray) -> np.ndarray:
    a = weight * expected
    terms = gammaln(a + pieces) - gammaln(a) + a * np.log(weight) - (a + pieces) * np.log(weight + cases)
    return terms.sum(axis=1)


def _poisson(mean: np.ndarray) -> np.ndarray:
    mean = np.maximum(mean, 1e-9)[..., None]
    pmf = np.exp(xlogy(TOTALS, mean) - mean - gammaln(TOTALS + 1))
    return pmf / pmf.sum(axis=-1, keepdims=True)
