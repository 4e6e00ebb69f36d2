"""Size runs: learn how many of the run a case uses, and apart from that which size, by size class.

A rare size has a handful of logged uses; the run has thousands. Pieces of a case are split independently of
each other, so the pieces of one size are a binomial thinning of the run's total.
"""

from __future__ import annotations

from functools import cache
from math import comb

import numpy as np

from restock.forecasting.dirichlet import WEIGHTS, log_prior, mixture_log_likelihood

EXPECTED_SPLIT_WEIGHT = 4.0  # pieces: a sizing rule is a good guess, soon outvoted


def learn_split(counts: np.ndarray, standard: np.ndarray) -> np.ndarray:
    """Probability of each size, given that a piece of the run is used, for each size class.

    counts: (classes, sizes), pieces used. standard: (classes, sizes), what the department's sizing rule
    expects; rows sum to 1. Returns (classes, sizes), rows summing to 1: Dirichlet posterior mean whose prior
    weight is chosen by likelihood over the classes. A class without pieces gets its standard.
    """
    tally = np.asarray(counts, dtype=float)[None]
    score = mixture_log_likelihood(tally, standard[None], standard[None], np.ones(1))
    weight = WEIGHTS[(score[0] + log_prior(WEIGHTS, EXPECTED_SPLIT_WEIGHT)[:, None]).argmax(axis=0)]
    alpha = weight[:, None] * standard + tally[0]
    return alpha / alpha.sum(axis=-1, keepdims=True)


def binomial_table(probability: np.ndarray, k_max: int) -> np.ndarray:
    """P(k of q pieces are picked): (...) -> (..., q, k), both 0..k_max, each picked with `probability`."""
    pieces = np.arange(k_max + 1)
    left = pieces[:, None] - pieces[None, :]
    p = np.asarray(probability, dtype=float)[..., None]
    return _ways(k_max) * (p**pieces)[..., None, :] * ((1.0 - p) ** pieces)[..., np.maximum(left, 0)]


@cache
def _ways(k_max: int) -> np.ndarray:
    """Binomial coefficients q over k: (q, k), both 0..k_max."""
    return np.array([[comb(q, k) for k in range(k_max + 1)] for q in range(k_max + 1)], dtype=float)


def split_run(pmf: np.ndarray, probability: np.ndarray | float) -> np.ndarray:
    """Distribution of the pieces of one size, from the run's total and that size's probability.

    pmf: (..., K+1). probability: (...), of the size. Returns the broadcast (..., K+1). Linear in `pmf`: given
    a Dirichlet's alpha it returns an alpha with the thinned mean and the same total weight.
    """
    probability = np.asarray(probability, dtype=float)
    if not ((probability >= 0) & (probability <= 1)).all():
        raise ValueError("The probability of a size lies outside 0 to 1.")
    return np.einsum("...q,...qk->...k", pmf, binomial_table(probability, pmf.shape[-1] - 1))
