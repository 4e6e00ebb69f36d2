"""The Dirichlet-multinomial: how well a centre, held with a given weight, explains logged counts.

A cell of a line has a centre m (a pmf over pieces) and a weight k in cases. Its unknown true pmf is
Dirichlet(k m); n logged cases with counts c then have probability, up to a factor free of k and m,

    Gamma(k) / Gamma(k + n) * prod_q Gamma(k m_q + c_q) / Gamma(k m_q)

(Johnson, Kotz & Balakrishnan 1997, "Discrete Multivariate Distributions", section 35.13.1; from memory, and
compared with SciPy's dirichlet_multinomial in the tests). Counts may be fractions: faded ones are.
"""

from __future__ import annotations

import numpy as np

WEIGHTS = 2.0 ** np.arange(-1, 10)  # cases: 0.5, 1, 2 ... 512
SMALLEST_CENTRE = 1e-12  # a logged quantity that the centre rules out is improbable, not impossible


def mixture_log_likelihood(
    counts: np.ndarray,
    first: np.ndarray,
    second: np.ndarray,
    shares: np.ndarray,
    weights: np.ndarray = WEIGHTS,
) -> np.ndarray:
    """Log likelihood of each line's counts under the centre share * first + (1 - share) * second.

    counts, first, second: (lines, cells, K+1). shares: (S,) of `first`. weights: (W,), cases.
    Returns (S, W, lines), each entry summed over the line's cells. Cells without cases say nothing.
    Only quantities that occurred are touched: Gamma(k m + 0) / Gamma(k m) is 1.
    """
    from scipy.special import gammaln

    n_lines = counts.shape[0]
    occurred = np.nonzero(counts)
    line, logged = occurred[0], counts[occurred]
    first_at, second_at = first[occurred], np.broadcast_to(second, counts.shape)[occurred]
    cases = counts.sum(axis=-1)
    cell = np.nonzero(cases)
    cell_line, cell_cases = cell[0], cases[cell]

    result = np.empty((len(shares), len(weights), n_lines))
    for s, share in enumerate(shares):
        centre = np.maximum(share * first_at + (1 - share) * second_at, SMALLEST_CENTRE)
        for w, weight in enumerate(weights):
            seen = gammaln(weight * centre + logged) - gammaln(weight * centre)
            total = gammaln(weight) - gammaln(weight + cell_cases)
            result[s, w] = np.bincount(line, weights=seen, minlength=n_lines) + np.bincount(
                cell_line, weights=total, minlength=n_lines
            )
    return result


def log_prior(weights: np.ndarray, expected: float) -> np.ndarray:
    """Weak belief about a weight (W,): log-normal around `expected`, a factor of 16 either way being one sd.

    It decides where the log is silent, so that a new line starts from a sensible weight, and is soon
    outvoted: one sd costs half a unit of log likelihood.
    """
    return -0.5 * (np.log(weights / expected) / np.log(16.0)) ** 2
