"""Size runs: learn how many of the run a case uses, and apart from that which size, by size class.

A rare size has a handful of logged uses; the run has thousands. Pieces of a case are split independently of
each other, so the pieces of one size are a binomial thinning of the run's total.
"""

from __future__ import annotations

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
    from scipy.special import gammaln, xlog1py, xlogy

    pieces = np.arange(k_max + 1)
    q, k = pieces[:, None], pieces[None, :]
    possible = k <= q
    left = np.where(possible, q - k, 0)
    log_ways = gammaln(q + 1) - gammaln(k + 1) - gammaln(left + 1)
    p = np.asarray(probability, dtype=float)[..., None, None]
    return np.where(possible, np.exp(log_ways + xlogy(k, p) + xlog1py(left, -p)), 0.0)


def split_run(pmf: np.ndarray, probability: np.ndarray | float) -> np.ndarray:
    """Distribution of the pieces of one size, from the run's total and that size's probability.

    pmf: (..., K+1). probability: (...), of the size. Returns the broadcast (..., K+1). Linear in `pmf`: given
    a Dirichlet's alpha it returns an alpha with the thinned mean and the same total weight.
    """
    probability = np.asarray(probability, dtype=float)
    if not ((probability >= 0) & (probability <= 1)).all():
        raise ValueError("The probability of a size lies outside 0 to 1.")
    return np.einsum("...q,...qk->...k", pmf, binomial_table(probability, pmf.shape[-1] - 1))
