"""Scores of forecasts of counts, kept per line and day so that they can be pooled in several ways.

CRPS of a count is the ranked probability score, and coverage is held against the forecast's own F(q), not
against the nominal level (Czado, Gneiting & Held 2009, Biometrics 65:1254-1261). Pinball loss is the
newsvendor's cost (Snyder & Shen 2019, "Fundamentals of Supply Chain Theory" 2e, chapter 4).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEVELS = (0.90, 0.95, 0.99)
SHORT_BINS = np.array([0.0, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 1.0])


@dataclass(frozen=True)
class Scores:
    """Arrays over line-days (n,); `pinball`, `covered` and `promised` are (levels, n)."""

    crps: np.ndarray
    pinball: np.ndarray
    covered: np.ndarray
    promised: np.ndarray
    p_short: np.ndarray
    short: np.ndarray


def quantile(cdf: np.ndarray, level: float) -> np.ndarray:
    """Smallest total whose probability of sufficing is at least `level`: (..., N) -> (...)."""
    return np.minimum((cdf < level - 1e-9).sum(axis=-1), cdf.shape[-1] - 1)


def judge(pmf: np.ndarray, observed: np.ndarray, par: np.ndarray) -> Scores:
    """pmf (n, N), observed (n,), par (n,) int, a fixed stock that P(short) is asked of."""
    cdf = np.cumsum(pmf, axis=-1)
    happened = np.arange(pmf.shape[-1]) >= observed[:, None]
    rows = np.arange(len(observed))
    pinball, covered, promised = [], [], []
    for level in LEVELS:
        q = quantile(cdf, level)
        pinball.append(np.where(observed >= q, level * (observed - q), (1 - level) * (q - observed)))
        covered.append(observed <= q)
        promised.append(cdf[rows, q])
    return Scores(
        crps=((cdf - happened) ** 2).sum(axis=-1),
        pinball=np.array(pinball),
        covered=np.array(covered),
        promised=np.array(promised),
        p_short=1 - cdf[rows, par],
        short=observed > par,
    )


def pool(scores: list[Scores]) -> Scores:
    fields = Scores.__dataclass_fields__
    return Scores(**{name: np.concatenate([getattr(s, name) for s in scores], axis=-1) for name in fields})


def coverage_gaps(scores: Scores, group: np.ndarray | None = None) -> np.ndarray:
    """Coverage less what was promised, in points: (levels,), or (levels, groups) by `group` (n,) int."""
    gap = 100 * (scores.covered - scores.promised)
    if group is None:
        return gap.mean(axis=1)
    size = np.bincount(group)
    return np.stack([np.bincount(group, weights=row) / size for row in gap])


def short_reliability(scores: Scores) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean forecast, observed share and number of line-days in each bin of P(short)."""
    bin_of = np.digitize(scores.p_short, SHORT_BINS[1:-1])
    n = np.bincount(bin_of, minlength=len(SHORT_BINS) - 1)
    forecast = np.bincount(bin_of, weights=scores.p_short, minlength=len(n)) / np.maximum(n, 1)
    observed = np.bincount(bin_of, weights=scores.short, minlength=len(n)) / np.maximum(n, 1)
    return forecast, observed, n


def short_calibration_error(scores: Scores) -> float:
    """Mean distance of P(short) from the share that ran short, over bins weighted by size, in points."""
    forecast, observed, n = short_reliability(scores)
    return float(100 * (np.abs(forecast - observed) * n).sum() / n.sum())
