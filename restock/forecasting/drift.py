"""Which lines steadily use more, or less, than was forecast: one test for each line, guarded against testing many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

FALSE_DISCOVERIES = 0.05  # share of the lines named that may be named by chance
FEWEST_DAYS = 8


@dataclass(frozen=True)
class Drift:
    """used, forecast: mean pieces a day, (L,). p_value: two-sided. drifts: (L,) True where a line is named."""

    used: np.ndarray
    forecast: np.ndarray
    p_value: np.ndarray
    drifts: np.ndarray


def drifting(used: np.ndarray, forecast: np.ndarray) -> Drift:
    """Compare use with the forecast mean, both (T, L) pieces by day and line.

    Student's t test of the daily differences against zero; lines are named so that of those named a share of at most
    FALSE_DISCOVERIES is expected to be named by chance (Benjamini and Hochberg 1995, J R Stat Soc B 57:289). Days
    are taken as independent. Below FEWEST_DAYS days, and where every day is alike, nothing is named.
    """
    used, forecast = np.asarray(used, dtype=float), np.asarray(forecast, dtype=float)
    days, lines = used.shape
    p_value = np.ones(lines)
    if days >= FEWEST_DAYS:
        difference = used - forecast
        spread = difference.std(axis=0, ddof=1)
        varies = spread > 1e-9
        t = difference[:, varies].mean(axis=0) / (spread[varies] / np.sqrt(days))
        p_value[varies] = 2.0 * stats.t.sf(np.abs(t), days - 1)
    adjusted = stats.false_discovery_control(p_value, method="bh") if lines else p_value
    mean = (used.mean(axis=0), forecast.mean(axis=0)) if days else (np.zeros(lines), np.zeros(lines))
    return Drift(*mean, p_value, adjusted <= FALSE_DISCOVERIES)
