"""Some days everything is used more: what the cases of one room-day have in common beyond their types.

Who is in the room moves the use of every case of the day the same way. All pmfs of a room-day share one tilt
p(q) exp(sigma u (q - mean)) with u ~ N(0, 1); given u the cases are independent, so the day's total is a
mixture of sums, taken at the 7 nodes of Gauss-Hermite quadrature (Abramowitz & Stegun 1964, 25.4.46).
"""

from __future__ import annotations

import numpy as np

from restock.forecasting.tilting import mean_pieces, tilt

_nodes, _weights = np.polynomial.hermite_e.hermegauss(7)
NODES = _nodes  # (7,), values of u
NODE_WEIGHTS = _weights / _weights.sum()  # (7,), probabilities that stand for N(0, 1)

SIGMAS = np.array([0.0, 0.02, 0.04, 0.06, 0.08, 0.1, 0.13, 0.16, 0.2, 0.25, 0.3])
SMALLEST_PROBABILITY = 1e-8  # one surprising day must not decide
CENTRING_STEPS = 3  # leave less than 1e-6 pieces
SMALLEST_VARIANCE = 1e-9  # pieces squared; a line of which every case uses the same is not moved at all
PENALTY = 40.0  # half-normal belief about sigma with sd 0.11: most lines have no day effect


def tilted_pmfs(pmf: np.ndarray, sigma: np.ndarray | float) -> np.ndarray:
    """Per-case pmfs (..., K+1) at each node: (7, ..., K+1), as `demand.total_over_cases` takes them.

    sigma: broadcasts against (...), in log odds per piece. The nodes' weights are NODE_WEIGHTS.
    """
    eta = np.asarray(sigma, dtype=float)[None] * NODES.reshape((-1,) + (1,) * (pmf.ndim - 1))
    return tilt(pmf[None], np.broadcast_to(eta, (len(NODES), *pmf.shape[:-1])))


def centred(pmf: np.ndarray, sigma: np.ndarray | float) -> np.ndarray:
    """Per-case pmfs (..., K+1) moved so that, mixed over the day, they use as many pieces on average as before.

    The days on which much is used raise the mean by more than the others lower it; what was learned of a case is its
    mean over all days. sigma: broadcasts against (...). Newton's method on the shift of the tilt, whose mean has the
    variance for its derivative.
    """
    wanted, pieces = mean_pieces(pmf), np.arange(pmf.shape[-1], dtype=float)
    shift = np.zeros(pmf.shape[:-1])
    for _ in range(CENTRING_STEPS):
        at_nodes = tilted_pmfs(tilt(pmf, shift), sigma)
        mean = mean_pieces(at_nodes)
        variance = at_nodes @ pieces**2 - mean**2
        excess = np.tensordot(NODE_WEIGHTS, mean, 1) - wanted
        shift -= excess / np.maximum(np.tensordot(NODE_WEIGHTS, variance, 1), SMALLEST_VARIANCE)
    return tilt(pmf, shift)


def fit_day_effect(
    observed_probability: np.ndarray, line: np.ndarray, n_lines: int, sigmas: np.ndarray = SIGMAS
) -> np.ndarray:
    """Maximum penalised likelihood of sigma for each line, from forecasts made before the day they are about.

    observed_probability: (S, R), for each of the `sigmas` (S,) the probability that the forecast of each past
    room-day gave to the total that was then used. line: (R,) int, the line each belongs to.
    Returns (n_lines,). In-sample forecasts would hide the effect: their cells have seen the day.
    """
    log_probability = np.log(np.maximum(observed_probability, SMALLEST_PROBABILITY))
    score = np.stack([np.bincount(line, weights=row, minlength=n_lines) for row in log_probability])
    return sigmas[(score - PENALTY * sigmas[:, None] ** 2).argmax(axis=0)]
