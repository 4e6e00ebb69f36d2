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

METHOD = "tilted-dirichlet-3"  # stored beside a forecast; raise it when the same log would give other numbers

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
    standards_held: whether that is what was stated while the counts were logged. Of a room it is not: its standard
    follows from the list of one day, its counts from the lists of many.
    Raises ValueError when the shapes disagree or a number cannot be what it stands for.
    """

    counts: np.ndarray
    parent: np.ndarray
    standard: np.ndarray
    standards_held: bool = True

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
class Weights:
    """How much each source counts for, chosen per line by likelihood; arrays (lines,), weights in cases.

    standard_share: of the set-up standards in a group's centre; the rest is the department's pmf.
    group_weight: of a group's centre against its logged cases.
    mean_standard_share: of a cell's own standard in its expected mean; the rest is the group's mean.
    mean_weight: of the expected mean against the cell's logged cases.
    own_standard_share: of a cell's own standard in its centre; the rest is the group's pmf.
    cell_weight: of a cell's centre against its logged cases.
    """

    standard_share: np.ndarray
    group_weight: np.ndarray
    mean_standard_share: np.ndarray
    mean_weight: np.ndarray
    own_standard_share: np.ndarray
    cell_weight: np.ndarray


@dataclass(frozen=True)
class Learned:
    """What `learn` found. Posterior of a cell's pmf: Dirichlet(alpha), alpha = cell_weight * centre + counts.

    alpha: (lines, cells, K+1), cases. own_cases: (lines, cells), weighted number of the cell's logged cases.
    group_pmf: (lines, groups, K+1). group_cases: (lines, groups).
    """

    alpha: np.ndarray
    own_cases: np.ndarray
    group_pmf: np.ndarray
    group_cases: np.ndarray
    weights: Weights

    @property
    def pmf(self) -> np.ndarray:
        """Predictive pmf of the pieces that one future case uses: (lines, cells, K+1), rows summing to 1."""
        return self.alpha / self.alpha.sum(axis=-1, keepdims=True)

    @property
    def borrowed_weight(self) -> np.ndarray:
        """Cases that what a cell borrows counts for, beside its own: (lines, cells)."""
        return np.broadcast_to(self.weights.cell_weight[:, None], self.own_cases.shape)


def learn(history: History, weights: Weights | None = None, wanted: np.ndarray | None = None) -> Learned:
    """Learn every cell of every line. Cost is proportional to lines x cells x (K+1); nothing is random.

    weights: chosen before, for the same lines; given, the search for better ones is left out, which is nearly
    all of the work. wanted: (lines, cells) bool, with weights only: the cells whose centre is worked out, which is
    nearly all of the rest. The others borrow without being moved to their own mean.
    """
    if wanted is not None and weights is None:
        raise ValueError("The search for weights needs every cell.")
    counts = np.asarray(history.counts, dtype=float)
    groups = _Groups(history.parent)

    group_counts = groups.total(counts)
    pooled, department = _pooled_standards(history.standard, counts, group_counts, groups)
    standard_share, group_weight = (
        _choose_group_weights(group_counts, pooled, department)
        if weights is None
        else (weights.standard_share, weights.group_weight)
    )
    group_alpha = group_weight[:, None, None] * _mixed(standard_share, pooled, department) + group_counts
    others = group_alpha[:, history.parent] - counts  # what a cell borrows was not logged in the cell itself
    others /= others.sum(axis=-1, keepdims=True)

    from_standard, from_group = _expected_means(history, others, groups)
    mean_standard_share, mean_weight = (
        _choose_mean_weights(counts, history.standard, from_standard, from_group)
        if weights is None
        else (weights.mean_standard_share, weights.mean_weight)
    )
    mean = _shrunken_means(counts, _mixed(mean_standard_share, from_standard, from_group), mean_weight)

    chosen = np.ones(mean.shape, dtype=bool) if wanted is None else wanted
    tilted_standard, tilted_group = history.standard.copy(), others.copy()
    tilted_standard[chosen] = tilt_to_mean(history.standard[chosen], mean[chosen])
    tilted_group[chosen] = tilt_to_mean(others[chosen], mean[chosen])
    own_standard_share, cell_weight = (
        _choose_cell_weights(counts, tilted_standard, tilted_group)
        if weights is None
        else (weights.own_standard_share, weights.cell_weight)
    )
    centre = _mixed(own_standard_share, tilted_standard, tilted_group)
    return Learned(
        alpha=cell_weight[:, None, None] * centre + counts,
        own_cases=counts.sum(axis=-1),
        group_pmf=group_alpha / group_alpha.sum(axis=-1, keepdims=True),
        group_cases=group_counts.sum(axis=-1),
        weights=Weights(
            standard_share, group_weight, mean_standard_share, mean_weight, own_standard_share, cell_weight
        ),
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
        self.n_groups = int(parent.max()) + 1 if parent.size else 0
        self.order = np.argsort(parent, kind="stable")
        self.present, self.first = np.unique(parent[self.order], return_index=True)

    def total(self, values: np.ndarray) -> np.ndarray:
        result = np.zeros((values.shape[0], self.n_groups, *values.shape[2:]))
        if self.present.size:
            result[:, self.present] = np.add.reduceat(values[:, self.order], self.first, axis=1)
        return result


def _mixed(share: np.ndarray, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """share (lines,) of `first`, the rest of `second`; both (lines, ...)."""
    share = share.reshape((-1,) + (1,) * (first.ndim - 1))
    return share * first + (1 - share) * second


def _pooled_standards(
    standard: np.ndarray, counts: np.ndarray, group_counts: np.ndarray, groups: _Groups
) -> tuple[np.ndarray, np.ndarray]:
    """Set-up standards pooled by group (lines, groups, K+1); the department's pmf (lines, 1, K+1)."""
    importance = counts.sum(axis=-1) + 1.0  # a cell that is seldom done says little about its group
    pooled = groups.total(standard * importance[..., None])
    total = pooled.sum(axis=-1, keepdims=True)
    if not total.size:
        return pooled, np.zeros((pooled.shape[0], 1, pooled.shape[2]))
    department = group_counts.sum(axis=1) + pooled.sum(axis=1) / total.sum(axis=1)  # one case by standard
    department = (department / department.sum(axis=-1, keepdims=True))[:, None]
    return np.where(total > 0, pooled / np.where(total > 0, total, 1.0), department), department


def _choose_group_weights(
    group_counts: np.ndarray, pooled: np.ndarray, department: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    score = mixture_log_likelihood(group_counts, pooled, department, STANDARD_SHARES, GROUP_WEIGHTS)
    belief = log_prior(GROUP_WEIGHTS, EXPECTED_GROUP_WEIGHT)[:, None]
    return _best(score + belief, STANDARD_SHARES, GROUP_WEIGHTS)


def _expected_means(history: History, others: np.ndarray, groups: _Groups) -> tuple[np.ndarray, np.ndarray]:
    """Two expectations of each cell's mean (lines, cells), in pieces a case.

    The first is the cell's own standard times how far its group's use departs from the group's standards, the
    second what the rest of the group uses.
    """
    counts, parent = history.counts, history.parent
    stated, upper = mean_pieces(history.standard), _largest_mean(counts)
    from_group = np.clip(mean_pieces(others), SMALLEST_MEAN, upper)
    if not history.standards_held:
        return np.clip(stated, SMALLEST_MEAN, upper), from_group
    cases, pieces = counts.sum(axis=-1), mean_pieces(counts)
    group_pieces = groups.total(pieces)[:, parent] - pieces
    group_stated = groups.total(cases * stated)[:, parent] - cases * stated
    departure = (group_pieces + STANDARD_PIECES) / (group_stated + STANDARD_PIECES)
    return np.clip(stated * departure, SMALLEST_MEAN, upper), from_group


def _choose_mean_weights(
    counts: np.ndarray, standard: np.ndarray, from_standard: np.ndarray, from_group: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Share of the first expectation and weight of both, by Gamma-Poisson likelihood with a = B mu, b = B.

    Gelman et al., section 2.6 (from memory), without the factors that do not depend on the parameters. Pieces
    are counted in units of their dispersion, or scattered use would pass for cells that differ.
    """
    from scipy.special import gammaln

    cases = counts.sum(axis=-1)
    dispersion = _dispersion(counts, standard)[:, None]
    pieces = mean_pieces(counts) / dispersion
    score = np.empty((len(MEAN_STANDARD_SHARES), len(WEIGHTS), len(counts)))
    for s, share in enumerate(MEAN_STANDARD_SHARES):
        expected = (share * from_standard + (1 - share) * from_group) / dispersion
        for w, weight in enumerate(WEIGHTS):
            a = weight * expected
            seen = gammaln(a + pieces) - gammaln(a)
            rate = a * np.log(weight) - (a + pieces) * np.log(weight + cases)
            score[s, w] = (seen + rate).sum(axis=1)
    belief = log_prior(WEIGHTS, EXPECTED_CELL_WEIGHT)[:, None]
    return _best(score + belief, MEAN_STANDARD_SHARES, WEIGHTS)


def _shrunken_means(counts: np.ndarray, expected: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Mean of the Gamma posterior (lines, cells): own pieces and cases beside `weight` expected ones."""
    weight = weight[:, None]
    mean = (weight * expected + mean_pieces(counts)) / (weight + counts.sum(axis=-1))
    return np.clip(mean, SMALLEST_MEAN, _largest_mean(counts))


def _choose_cell_weights(
    counts: np.ndarray, tilted_standard: np.ndarray, tilted_group: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    score = mixture_log_likelihood(counts, tilted_standard, tilted_group, OWN_STANDARD_SHARES)
    belief = log_prior(WEIGHTS, EXPECTED_CELL_WEIGHT)[:, None]
    return _best(score + belief, OWN_STANDARD_SHARES, WEIGHTS)


def _largest_mean(counts: np.ndarray) -> float:
    return counts.shape[-1] - 1.5  # half a piece inside the support, where a tilt still has a shape


def _dispersion(counts: np.ndarray, standard: np.ndarray) -> np.ndarray:
    """Variance over mean of the pieces of a line's cases around their cells' means: (lines,), at least 1.

    The quasi-Poisson estimate (McCullagh & Nelder 1989, "Generalized Linear Models" 2e, section 9.2; from
    memory), with the standards as one case more. Less scatter than Poisson's is taken as Poisson's: shrinking
    such lines less made simulated forecasts no better.
    """
    squares = np.arange(counts.shape[-1], dtype=float) ** 2
    cases, pieces = counts.sum(axis=-1), mean_pieces(counts)
    repeated = cases > 1
    around_mean = np.where(repeated, counts @ squares - pieces**2 / np.where(repeated, cases, 1.0), 0.0)
    freedom = np.where(repeated, cases - 1, 0.0)
    stated = mean_pieces(standard)
    n_cells = max(counts.shape[1], 1)
    stated_variance = (standard @ squares - stated**2).sum(axis=1) / n_cells
    variance = (around_mean.sum(axis=1) + stated_variance) / (freedom.sum(axis=1) + 1)
    mean = (pieces.sum(axis=1) + stated.sum(axis=1) / n_cells) / (cases.sum(axis=1) + 1)
    return np.maximum(variance / np.maximum(mean, SMALLEST_MEAN), 1.0)


def _best(score: np.ndarray, shares: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Share and weight with the highest score (S, W, lines) for each line; the first wins a tie."""
    flat = score.reshape(len(shares) * len(weights), score.shape[-1]).argmax(axis=0)
    return shares[flat // len(weights)], weights[flat % len(weights)]
