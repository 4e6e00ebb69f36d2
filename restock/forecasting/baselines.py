"""What a department would do instead: rules of thumb to compare the forecast with.

`history` is pieces used per day, (T, L), oldest day first. Levels come back as
whole pieces (L,), distributions as pmfs (L, N).
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class IntermittentForecast:
    """Mean use per period of a slow line, and the parts it is made of.

    size: pieces when there is any use; interval: periods between uses (Croston)
    or its inverse, the chance of any use (TSB), in `chance`. mean: (L,).
    """

    mean: np.ndarray
    size: np.ndarray
    interval: np.ndarray | None = None
    chance: np.ndarray | None = None


def moving_average_times_days(history: np.ndarray, window_days: int, days: float) -> np.ndarray:
    """Stock for so many days of recent mean use (common practice)."""
    return _up(days * history[-window_days:].mean(axis=0))


def mean_plus_deviations(history: np.ndarray, z: float = 1.65, window_days: int = 28) -> np.ndarray:
    """Recent mean plus z standard deviations; 1.65 is the normal 95% (common practice)."""
    recent = history[-window_days:]
    return _up(recent.mean(axis=0) + z * recent.std(axis=0, ddof=1))


def normal_pmf(history: np.ndarray, n_values: int, window_days: int = 28) -> np.ndarray:
    """Mean and standard deviation read as a normal distribution, in whole pieces, with 0 taking what is below."""
    from scipy.special import ndtr

    recent = history[-window_days:]
    centre = recent.mean(axis=0)[:, None]
    spread = np.maximum(recent.std(axis=0, ddof=1)[:, None], 1e-6)
    edge = np.arange(n_values - 1) + 0.5
    cdf = np.concatenate([ndtr((edge - centre) / spread), np.ones((len(centre), 1))], axis=1)
    return np.diff(cdf, axis=1, prepend=0.0)


def poisson_pmf(mean: np.ndarray, n_values: int) -> np.ndarray:
    """Poisson distributions (L, n_values), whatever lies beyond put on the last value."""
    from scipy.special import gammaln, xlogy

    mean = np.asarray(mean, float)[:, None]
    q = np.arange(n_values)
    pmf = np.exp(xlogy(q, mean) - mean - gammaln(q + 1.0))
    pmf[:, -1] += np.maximum(1.0 - pmf.sum(axis=1), 0.0)
    return pmf


def empirical_pmf(history: np.ndarray, n_values: int) -> np.ndarray:
    """The days as they were, each equally likely to come again."""
    days, lines = history.shape
    at = np.arange(lines) * n_values + np.minimum(history, n_values - 1)
    return np.bincount(at.ravel(), minlength=lines * n_values).reshape(lines, n_values) / days


def croston(history, size, interval, alpha: float = 0.1, *, unbiased: bool = True) -> IntermittentForecast:
    """Croston's mean for slow lines, updated on days with use; `unbiased` applies SBA's 1 - alpha/2.

    size, interval: (L,) or scalar starting values. It is a mean only: no
    distribution belongs to it, so it gives no service level.
    Sources: Croston 1972; Syntetos & Boylan 2005.
    """
    lines = history.shape[1]
    size, interval = (np.full(lines, start, float) for start in (size, interval))
    since = np.ones(lines)
    for used in history:
        some = used > 0
        size = np.where(some, size + alpha * (used - size), size)
        interval = np.where(some, interval + alpha * (since - interval), interval)
        since = np.where(some, 1.0, since + 1.0)
    factor = 1.0 - alpha / 2.0 if unbiased else 1.0
    return IntermittentForecast(factor * size / interval, size, interval=interval)


def tsb(history, size, chance, alpha: float = 0.1, beta: float = 0.1) -> IntermittentForecast:
    """Teunter, Syntetos & Babai's mean: the chance of any use is updated every day, so it fades when use stops.

    Source: Teunter, Syntetos & Babai 2011 (from memory).
    """
    lines = history.shape[1]
    size, chance = (np.full(lines, start, float) for start in (size, chance))
    for used in history:
        some = used > 0
        size = np.where(some, size + alpha * (used - size), size)
        chance = chance + beta * (some - chance)
    return IntermittentForecast(chance * size, size, chance=chance)


def _up(pieces: np.ndarray) -> np.ndarray:
    return np.ceil(pieces - 1e-9).astype(int)
