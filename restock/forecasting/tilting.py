"""Exponential tilting: move the mean of a distribution of pieces without breaking its shape.

The tilt of a pmf p by eta is p(q) exp(eta q), normalised. Among all distributions with the wanted mean it is
the one nearest to p in relative entropy (Kullback 1959, "Information Theory and Statistics", chapter 3; from
memory), so a line that comes in threes still comes in threes after its mean has been moved.
"""

from __future__ import annotations

import numpy as np

ETA_LIMIT = 40.0  # exp(40) outweighs any pmf entry that double precision keeps apart from zero
MEAN_TOLERANCE = 1e-11  # pieces
MAX_STEPS = 200  # bisection alone needs about 45; a bound, not a tuning knob


def mean_pieces(pmf: np.ndarray) -> np.ndarray:
    """Mean of pmfs over 0..K pieces: (..., K+1) -> (...)."""
    return pmf @ np.arange(pmf.shape[-1], dtype=float)


def tilt(pmf: np.ndarray, eta: np.ndarray | float) -> np.ndarray:
    """Tilt pmfs (..., K+1) by eta (broadcast against ...): p(q) exp(eta (q - mean)), rows summing to 1.

    The mean in the exponent cancels when the row is normalised; it keeps the exponents small.
    """
    pieces = np.arange(pmf.shape[-1], dtype=float)
    centred = pieces - mean_pieces(pmf)[..., None]
    weight = pmf * np.exp(np.asarray(eta, dtype=float)[..., None] * centred)
    return weight / weight.sum(axis=-1, keepdims=True)


def tilt_to_mean(pmf: np.ndarray, mean: np.ndarray) -> np.ndarray:
    """Tilt each pmf row so that its mean is `mean`.

    pmf: (..., K+1), rows summing to 1. mean: (...), pieces; what lies outside the row's support is brought
    just inside it. Returns (..., K+1). Newton's method on eta, held inside a shrinking bracket, so it cannot
    run away; the mean is met to 1e-9 pieces wherever the tilt needed is within +-40.
    """
    shape = pmf.shape
    rows = pmf.reshape(int(np.prod(shape[:-1])), shape[-1])
    pieces = np.arange(shape[-1], dtype=float)
    possible = rows > 0
    lowest = possible.argmax(axis=1).astype(float)
    highest = shape[-1] - 1 - possible[:, ::-1].argmax(axis=1).astype(float)
    margin = np.minimum(1e-4, (highest - lowest) / 4)
    target = np.clip(np.broadcast_to(mean, shape[:-1]).reshape(-1), lowest + margin, highest - margin)

    result = rows.copy()
    eta = np.zeros(len(rows))
    low, high = np.full(len(rows), -ETA_LIMIT), np.full(len(rows), ETA_LIMIT)
    pending = np.flatnonzero((highest > lowest) & (np.abs(rows @ pieces - target) > MEAN_TOLERANCE))
    for _ in range(MAX_STEPS):
        if not pending.size:
            break
        centred = pieces - target[pending, None]
        ends = np.array([lowest[pending], highest[pending]]) - target[pending]
        exponent = eta[pending, None] * centred - (eta[pending] * ends).max(axis=0)[:, None]
        weight = rows[pending] * np.exp(np.minimum(exponent, 0.0, out=exponent))  # above 0 only outside the support
        total = weight.sum(axis=1, keepdims=True)
        weight /= total
        reached = weight @ pieces
        variance = np.maximum(weight @ pieces**2 - reached**2, 1e-300)
        gap = target[pending] - reached
        result[pending] = weight
        low[pending] = np.where(gap > 0, eta[pending], low[pending])
        high[pending] = np.where(gap < 0, eta[pending], high[pending])
        step = eta[pending] + np.clip(gap / variance, -ETA_LIMIT, ETA_LIMIT)
        inside = (step > low[pending]) & (step < high[pending])
        eta[pending] = np.where(inside, step, (low[pending] + high[pending]) / 2)
        unfinished = (np.abs(gap) > MEAN_TOLERANCE) & (high[pending] - low[pending] > 1e-13)
        pending = pending[unfinished]
    return result.reshape(shape)
