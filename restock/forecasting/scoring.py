"""How good past forecasts were: scores of distributions against what was used.

Every score takes demand distributions `pmf` (L, N) and the pieces really used
`actual` (L,), one row per line and day, and gives one value per row; averages
and their uncertainty come from `by_day`, because the lines of one day are not
independent. Lower is better for every score here.

Counts are discrete: the 95% quantile of a perfect forecast covers more than 95%
of days. Coverage is therefore compared with the model's own F(q), never with
the level itself.

Sources: Gneiting, Balabdaoui & Raftery 2007 (sharpness subject to calibration);
Czado, Gneiting & Held 2009 (scores for counts, non-randomised PIT);
Dimitriadis, Gneiting & Jordan 2021 (CORP reliability).
"""

from dataclasses import dataclass

import numpy as np

from restock.forecasting.demand import quantile


@dataclass(frozen=True)
class Estimate:
    """A value with its interval (low, high) at the stated level."""

    value: float
    low: float
    high: float
    level: float


@dataclass(frozen=True)
class Coverage:
    """Whether each row's quantile was enough, and how often the model said it would be.

    quantile: (L,) pieces; covered: (L,) bool, actual <= quantile; stated: (L,)
    the model's own F(quantile). `gap` is observed minus stated, over all rows.
    """

    quantile: np.ndarray
    covered: np.ndarray
    stated: np.ndarray

    @property
    def gap(self) -> float:
        return float(self.covered.mean() - self.stated.mean())


@dataclass(frozen=True)
class Reliability:
    """Forecast chances against what happened, after monotone regression (CORP).

    forecast, observed: (n,) rising forecasts and the chance that fits each.
    The mean Brier score is miscalibration - discrimination + uncertainty.
    """

    forecast: np.ndarray
    observed: np.ndarray
    brier: float
    miscalibration: float
    discrimination: float
    uncertainty: float


def crps(pmf: np.ndarray, actual: np.ndarray) -> np.ndarray:
    """Continuous ranked probability score, for counts the ranked probability score, in pieces.

    The sum over q of (F(q) - [actual <= q])^2; also E|D - y| - E|D - D'|/2.
    Use beyond the support counts in full.
    """
    actual = np.asarray(actual)
    cdf = np.cumsum(pmf, axis=1)
    happened = np.arange(pmf.shape[1]) >= actual[:, None]
    return ((cdf - happened) ** 2).sum(axis=1) + np.maximum(actual - pmf.shape[1], 0)


def pinball(stock: np.ndarray, actual: np.ndarray, tau: float) -> np.ndarray:
    """Cost of holding `stock` pieces: tau per piece short, 1 - tau per piece left over."""
    missing = np.asarray(actual) - np.asarray(stock)
    return np.where(missing > 0, tau * missing, (tau - 1.0) * missing)


def coverage(pmf: np.ndarray, actual: np.ndarray, tau: float) -> Coverage:
    """Did the tau-quantile cover the use, as often as the model's own F(q) says?"""
    level = quantile(pmf, tau)
    stated = np.take_along_axis(np.cumsum(pmf, axis=1), level[:, None], axis=1)[:, 0]
    return Coverage(level, np.asarray(actual) <= level, stated)


def pit_interval(pmf: np.ndarray, actual: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """F(y-1) and F(y): the interval of each row's probability integral transform."""
    actual = np.asarray(actual)
    cdf = np.concatenate([np.zeros((len(pmf), 1)), np.cumsum(pmf, axis=1)], axis=1)
    last = pmf.shape[1]
    low = np.take_along_axis(cdf, np.minimum(actual, last)[:, None], axis=1)[:, 0]
    high = np.take_along_axis(cdf, np.minimum(actual + 1, last)[:, None], axis=1)[:, 0]
    return low, high


def pit_share_below(low: np.ndarray, high: np.ndarray, u: float | np.ndarray) -> np.ndarray:
    """Non-randomised PIT: the part of each row's interval below u, (L,) for scalar u."""
    width = high - low
    inside = (u - low) / np.where(width > 0.0, width, 1.0)
    return np.where(width > 0.0, np.clip(inside, 0.0, 1.0), u >= high)


def pit_histogram(low: np.ndarray, high: np.ndarray, bins: int = 10) -> np.ndarray:
    """Share of the PIT in each of `bins` equal bins; flat at 1/bins when calibrated."""
    below = [pit_share_below(low, high, edge).mean() for edge in np.linspace(0.0, 1.0, bins + 1)[1:-1]]
    return np.diff(np.concatenate([[0.0], below, [1.0]]))


def brier(p: np.ndarray, short: np.ndarray) -> np.ndarray:
    """Squared error of the forecast chance of running short."""
    return (np.asarray(p) - np.asarray(short)) ** 2


def reliability(p: np.ndarray, short: np.ndarray) -> Reliability:
    """CORP reliability of P(short): isotonic regression of what happened on what was said."""
    from scipy.optimize import isotonic_regression

    p, short = np.asarray(p, float), np.asarray(short, float)
    value, where = np.unique(p, return_inverse=True)
    rows = np.bincount(where)
    rate = np.bincount(where, weights=short) / rows
    fitted = isotonic_regression(rate, weights=rows).x
    score, base = brier(p, short).mean(), brier(short.mean(), short).mean()
    refitted = brier(fitted[where], short).mean()
    return Reliability(value, fitted, score, score - refitted, base - refitted, base)


def calibration_error(p: np.ndarray, short: np.ndarray, bins: int = 10) -> float:
    """Mean |said - happened| over bins with equally many rows, of forecasts in rising order."""
    order = np.argsort(p, kind="stable")
    total = 0.0
    for rows in np.array_split(order, bins):
        if rows.size:
            total += rows.size * abs(np.mean(np.asarray(p)[rows]) - np.mean(np.asarray(short)[rows]))
    return float(total / len(order))


def clopper_pearson(hits: int, trials: int, level: float = 0.95) -> Estimate:
    """A share with its exact binomial interval (Clopper & Pearson 1934)."""
    from scipy.special import betaincinv

    side = (1.0 - level) / 2.0
    low = betaincinv(hits, trials - hits + 1, side) if hits else 0.0
    high = betaincinv(hits + 1, trials - hits, 1.0 - side) if hits < trials else 1.0
    return Estimate(hits / trials, float(low), float(high), level)


def by_day(
    value: np.ndarray,
    day: np.ndarray,
    rng: np.random.Generator,
    *,
    relative_to: np.ndarray | None = None,
    level: float = 0.95,
    resamples: int = 2000,
) -> Estimate:
    """Mean of `value` over rows, or its ratio to `relative_to`, with a bootstrap interval over days.

    value, relative_to: (L,), day: (L,) any labels. Whole days are drawn again,
    so that lines that share a day stay together. Pass the difference of two
    models' scores for a paired comparison, or one score relative to another.
    """
    _, which = np.unique(day, return_inverse=True)
    top = np.bincount(which, weights=value)
    base = np.bincount(which, weights=relative_to)
    picks = rng.multinomial(len(top), np.full(len(top), 1.0 / len(top)), size=resamples)
    with np.errstate(divide="ignore", invalid="ignore"):
        drawn = (picks @ top) / (picks @ base)
        side = (1.0 - level) / 2.0
        low, high = np.quantile(drawn, [side, 1.0 - side])
        return Estimate(float(top.sum() / base.sum()), float(low), float(high), level)
