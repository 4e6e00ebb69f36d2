"""Learn what each kind of case uses, line by line, from logged cases and the set-up standard.

A *line* is a consumable or a whole size run; a *cell* is a kind of case (case type x technique, and where the
line depends on it the size class or a booked extra); a *group* is what several cells have in common (the
technique, again with size class or extra). The model is a hierarchical Dirichlet-multinomial in two levels:

1. Group. The centre mixes the set-up standards of the group's cells with the department's own pmf of the
   line; the group's logged cases are added to it.
2. Cell. A mean is shrunk towards what the group and the standard suggest (Gamma-Poisson). The group's pmf and
   the cell's own standard are tilted to that mean and mixed; the cell's logged cases are added.

Each share and weight is chosen per line by likelihood on a grid (empirical Bayes), so every number can be
traced: "23 earlier cases, weight 8 on the technique". With no log the forecast of a cell is its own standard.

Sources: Gelman et al., "Bayesian Data Analysis" 3e, sections 2.6, 3.4 and chapter 5 (conjugate updates and
hierarchies; from memory). The tilted centre is this project's own; `tests/benchmarks` measures what it gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from restock.forecasting.dirichlet import WEIGHTS, log_prior, mixture_log_likelihood
from restock.forecasting.tilting import mean_pieces, tilt_to_mean

METHOD = "tilted-dirichlet-1"  # stored beside a forecast; raise it when the same log would give other numbers

STANDARD_SHARES = np.array([1.0, 0.7, 0.3])  # of the group's centre; the rest is the department's pmf
OWN_STANDARD_SHARES = np.array([1.0, 0.5, 0.2, 0.0])  # of the cell's centre; the rest is the group's pmf
MEAN_STANDARD_SHARES = np.array([1.0, 0.5, 0.0])  # of the cell's expected mean; the rest is the group's mean
GROUP_WEIGHTS = WEIGHTS[:7]  # up to 32 cases: a group soon has hundreds of its own

EXPECTED_GROUP_WEIGHT = 1.0  # cases: a set-up standard is a weak centre
EXPECTED_CELL_WEIGHT = 8.0  # cases
SMALLEST_MEAN = 1e-3  # pieces a case
STANDARD_PIECES = 0.5  # how firmly a group's use is tied to its standard before it is logged, in pieces


@dataclass(frozen=True)
class History:
    """What was logged and what was stated, for lines of one dependency kind.

    counts: (lines, cells, K+1), weighted number of logged past cases of the cell that used k pieces.
    parent: (cells,) int, the group of each cell, numbered from 0.
    standard: (lines, cells, K+1), pmf that the set-up standard states for the cell; rows sum to 1.
    Raises ValueError when the shapes disagree or a number cannot be what it stands for.
    """

    counts: np.ndarray
    parent: np.ndarray
    standard: np.ndarray

    def __post_init__(self) -> None:
        if self.counts.ndim != 3 or self.counts.shape != self.standard.shape:
            raise ValueError(
                f"counts {self.counts.shape} and standard {self.standard.shape} must both be (lines, cells, K+1)."
            )
        if self.parent.shape != self.counts.shape[1:2]:
            raise ValueError(f"parent {self.parent.shape} must name one group for each cell.")
        if self.parent.size and self.parent.min() < 0:
            raise ValueError("Groups are numbered from 0.")
        if not (self.counts >= 0).all():
            raise ValueError("A count of cases is negative or not a number.")
        if self.standard.size and not np.allclose(self.standard.sum(axis=-1), 1.0, atol=1e-6):
            raise ValueError("A row of the standard does not sum to 1.")


@dataclass(frozen=True)
class Learned:
    """What `learn` found. Posterior of a cell's pmf: Dirichlet(alpha) = borrowed_weight * centre + counts.

    alpha: (lines, cells, K+1), cases.
    own_cases: (lines, cells), weighted number of the cell's logged cases.
    borrowed_weight: (lines, cells), cases that the borrowed centre counts for.
    own_standard_share: (lines,), share of the cell's own standard in its centre; the rest is its group's pmf.
    mean_weight: (lines,), cases that the expected mean counts for when a cell's mean is shrunk.
    group_pmf: (lines, groups, K+1). group_cases: (lines, groups).
    group_weight: (lines,), cases that the group's centre counts for.
    standard_share: (lines,), share of the standards in the group's centre; the rest is the department's pmf.
    """

    alpha: np.ndarray
    own_cases: np.ndarray
    borrowed_weight: np.ndarray
    own_standard_share: np.ndarray
    mean_weight: np.ndarray
    group_pmf: np.ndarray
    group_cases: np.ndarray
    group_weight: np.ndarray
    standard_share: np.ndarray

    @property
    def pmf(self) -> np.ndarray:
        """Predictive pmf of the pieces that one future case uses: (lines, cells, K+1), rows summing to 1."""
        return self.alpha / self.alpha.sum(axis=-1, keepdims=True)


def learn(history: History) -> Learned:
    """Learn every cell of every line. Cost is proportional to lines x cells x (K+1); nothing is random."""
    counts = np.asarray(history.counts, dtype=float)
    own_cases = counts.sum(axis=-1)
    groups = _Groups(history.parent)

    group_counts = groups.total(counts)
    group_centre, group_weight, standard_share = _group_centres(history.standard, counts, group_counts, groups)
    group_alpha = group_weight[:, None, None] * group_centre + group_counts
    others = group_alpha[:, history.parent] - counts  # what a cell borrows was not logged in the cell itself
    others /= others.sum(axis=-1, keepdims=True)

    mean, mean_weight = _shrunken_means(history, counts, others, groups)
    tilted_standard = tilt_to_mean(history.standard, mean)
    tilted_group = tilt_to_mean(others, mean)
    share, weight = _best(
        mixture_log_likelihood(counts, tilted_standard, tilted_group, OWN_STANDARD_SHARES)
        + log_prior(WEIGHTS, EXPECTED_CELL_WEIGHT)[:, None],
        OWN_STANDARD_SHARES,
        WEIGHTS,
    )
    centre = share[:, None, None] * tilted_standard + (1 - share[:, None, None]) * tilted_group
    return Learned(
        alpha=weight[:, None, None] * centre + counts,
        own_cases=own_cases,
        borrowed_weight=np.repeat(weight[:, None], counts.shape[1], axis=1),
        own_standard_share=share,
        mean_weight=mean_weight,
        group_pmf=group_alpha / group_alpha.sum(axis=-1, keepdims=True),
        group_cases=group_counts.sum(axis=-1),
        group_weight=group_weight,
        standard_share=standard_share,
    )


def fade(tally: np.ndarray, days: float, half_life_days: float) -> np.ndarray:
    """A stored tally after `days` more days: it loses half its weight every `half_life_days`.

    Fading and then adding the new day's counts gives what a recount of the whole log with weights
    2^(-age / half-life) would give, so the log is read once. Raises ValueError for negative days or a
    half-life that is not above 0; an infinite half-life never forgets.
    """
    if days < 0:
        raise ValueError(f"{days} days: a tally cannot be taken back in time.")
    if not half_life_days > 0:
        raise ValueError(f"A half-life of {half_life_days} days would forget everything at once.")
    return tally * 2.0 ** (-days / half_life_days)


class _Groups:
    """Sums over the cells of each group, for arrays (lines, cells, ...)."""

    def __init__(self, parent: np.ndarray) -> None:
        self.parent = parent
        n_groups = int(parent.max()) + 1 if parent.size else 0
        self.membership = np.zeros((n_groups, len(parent)))
        self.membership[parent, np.arange(len(parent))] = 1.0

    def total(self, values: np.ndarray) -> np.ndarray:
        if values.ndim == 2:
            return values @ self.membership.T
        return np.einsum("gc,lck->lgk", self.membership, values, optimize=True)


def _group_centres(
    standard: np.ndarray, counts: np.ndarray, group_counts: np.ndarray, groups: _Groups
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre (lines, groups, K+1), its weight (lines,) and the standard's share in it (lines,)."""
    importance = counts.sum(axis=-1) + 1.0  # a cell that is seldom done says little about its group
    pooled = groups.total(standard * importance[..., None])
    total = pooled.sum(axis=-1, keepdims=True)
    if total.size:
        department = group_counts.sum(axis=1) + pooled.sum(axis=1) / total.sum(axis=1)  # one case by standard
        department /= department.sum(axis=-1, keepdims=True)
    else:
        department = np.zeros(pooled.shape[::2])
    pooled = np.where(total > 0, pooled / np.where(total > 0, total, 1.0), department[:, None])

    share, weight = _best(
        mixture_log_likelihood(group_counts, pooled, department[:, None], STANDARD_SHARES, GROUP_WEIGHTS)
        + log_prior(GROUP_WEIGHTS, EXPECTED_GROUP_WEIGHT)[:, None],
        STANDARD_SHARES,
        GROUP_WEIGHTS,
    )
    centre = share[:, None, None] * pooled + (1 - share[:, None, None]) * department[:, None]
    return centre, weight, share


def _shrunken_means(
    history: History, counts: np.ndarray, others: np.ndarray, groups: _Groups
) -> tuple[np.ndarray, np.ndarray]:
    """Mean pieces of each cell (lines, cells) and the cases (lines,) that its expectation counts for.

    A cell is expected to use what its group uses, or what its own standard says times how far the group's use
    departs from its standards, or the mean of both. Marginal likelihood of the Gamma-Poisson model, free of
    what does not depend on its parameters a = B mu, b = B: Gelman et al., section 2.6 (from memory).
    """
    from scipy.special import gammaln

    cases, pieces = counts.sum(axis=-1), mean_pieces(counts)
    stated = mean_pieces(history.standard)
    group_pieces = groups.total(pieces)[:, history.parent] - pieces
    group_stated = groups.total(cases * stated)[:, history.parent] - cases * stated
    departure = (group_pieces + STANDARD_PIECES) / (group_stated + STANDARD_PIECES)
    upper = counts.shape[-1] - 1.5
    from_standard = np.clip(stated * departure, SMALLEST_MEAN, upper)
    from_group = np.clip(mean_pieces(others), SMALLEST_MEAN, upper)

    log_likelihood = np.empty((len(MEAN_STANDARD_SHARES), len(WEIGHTS), len(counts)))
    for s, share in enumerate(MEAN_STANDARD_SHARES):
        expected = share * from_standard + (1 - share) * from_group
        for w, weight in enumerate(WEIGHTS):
            a = weight * expected
            seen = gammaln(a + pieces) - gammaln(a)
            rate = a * np.log(weight) - (a + pieces) * np.log(weight + cases)
            log_likelihood[s, w] = (seen + rate).sum(axis=1)
    share, weight = _best(
        log_likelihood + log_prior(WEIGHTS, EXPECTED_CELL_WEIGHT)[:, None], MEAN_STANDARD_SHARES, WEIGHTS
    )
    expected = share[:, None] * from_standard + (1 - share[:, None]) * from_group
    mean = (weight[:, None] * expected + pieces) / (weight[:, None] + cases)
    return np.clip(mean, SMALLEST_MEAN, upper), weight


def _best(score: np.ndarray, shares: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Share and weight with the highest score (S, W, lines) for each line; the first wins a tie."""
    flat = score.reshape(len(shares) * len(weights), score.shape[-1]).argmax(axis=0)
    return shares[flat // len(weights)], weights[flat % len(weights)]
