"""Stock against stock-outs: how many pieces a rule must keep on the carts for a given share of short lines.

Each rule has one knob. All are tuned to the same realised share, so nobody's nominal level is believed.
Every night each cart line is brought exactly to its level; what is above is taken back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.judging import quantile

QUANTILE_LEVELS = 1 - np.geomspace(0.2, 2e-5, 61)
SAFETY_FACTORS = np.linspace(0.0, 7.0, 71)  # z in mean + z sd


@dataclass(frozen=True)
class Frontier:
    """held: (knobs,) pieces a line. short: (knobs,) share of line-days that ran out."""

    held: np.ndarray
    short: np.ndarray

    def held_at(self, short: float) -> float:
        order = np.argsort(self.short, kind="stable")
        return float(np.interp(short, self.short[order], self.held[order]))

    def short_at(self, held: float) -> float:
        return float(np.interp(held, self.held, self.short))


def of_quantiles(cdf: np.ndarray, observed: np.ndarray) -> Frontier:
    """cdf (n, N), observed (n,): the level is the forecast's quantile."""
    return _frontier([quantile(cdf, level) for level in QUANTILE_LEVELS], observed)


def of_safety_factors(mean: np.ndarray, sd: np.ndarray, observed: np.ndarray) -> Frontier:
    """The level is mean + z sd, rounded up."""
    return _frontier([np.ceil(mean + z * sd - 1e-9) for z in SAFETY_FACTORS], observed)


def _frontier(levels: list[np.ndarray], observed: np.ndarray) -> Frontier:
    return Frontier(
        held=np.array([level.mean() for level in levels]),
        short=np.array([(observed > level).mean() for level in levels]),
    )
