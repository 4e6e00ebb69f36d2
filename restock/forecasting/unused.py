"""Opened but not used: what share of the pieces opened goes to waste, learned beside the use.

A cart loses what is opened, so `usage` learns pieces opened (used and opened-unused together); this module
splits them. Shares of a line are shrunk to its group's and the group's to the line's, by beta-binomial
likelihood: Gelman et al., "Bayesian Data Analysis" 3e, section 5.3 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from restock.forecasting.dirichlet import WEIGHTS, log_prior

EXPECTED_WEIGHT = 16.0  # pieces
PRIOR_UNUSED, PRIOR_OPENED = 0.05, 1.0  # a line that was never logged: 5 in 100 pieces, held as one piece
SMALLEST_SHARE = 1e-6


@dataclass(frozen=True)
class UnusedShare:
    """Beta posterior of the share opened and not used. share, a, b: (lines, cells)."""

    share: np.ndarray
    a: np.ndarray
    b: np.ndarray


def learn_unused_share(unused: np.ndarray, opened: np.ndarray, parent: np.ndarray) -> UnusedShare:
    """Share of opened pieces that was not used, for each cell of each line.

    unused, opened: (lines, cells), weighted pieces, unused among opened. parent: (cells,) int, group of each
    cell. Raises ValueError where more was unused than opened, or the shapes disagree.
    """
    unused, opened = np.asarray(unused, dtype=float), np.asarray(opened, dtype=float)
    if unused.shape != opened.shape or parent.shape != unused.shape[1:]:
        raise ValueError(f"unused {unused.shape}, opened {opened.shape} and parent {parent.shape} disagree.")
    if not ((unused >= 0) & (unused <= opened + 1e-9)).all():
        raise ValueError("More pieces were logged as unused than as opened, or fewer than none.")

    membership = np.zeros((int(parent.max()) + 1 if parent.size else 0, len(parent)))
    membership[parent, np.arange(len(parent))] = 1.0
    group_unused, group_opened = unused @ membership.T, opened @ membership.T

    line_share = (unused.sum(axis=1) + PRIOR_UNUSED) / (opened.sum(axis=1) + PRIOR_OPENED)
    expected = np.broadcast_to(line_share[:, None], group_unused.shape)
    weight = _best_weight(expected, group_unused, group_opened)
    a, b = _posterior(expected, weight, group_unused, group_opened)
    expected = (a / (a + b))[:, parent]
    weight = _best_weight(expected, unused, opened)
    a, b = _posterior(expected, weight, unused, opened)
    return UnusedShare(share=a / (a + b), a=a, b=b)


def _posterior(
    expected: np.ndarray, weight: np.ndarray, unused: np.ndarray, opened: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    held = weight[:, None]
    return held * expected + unused, held * (1 - expected) + opened - unused


def _best_weight(expected: np.ndarray, unused: np.ndarray, opened: np.ndarray) -> np.ndarray:
    """Weight (lines,) in pieces that explains the cells' shares best."""
    from scipy.special import betaln

    expected = np.clip(expected, SMALLEST_SHARE, 1 - SMALLEST_SHARE)
    score = np.empty((len(WEIGHTS), len(unused)))
    for w, weight in enumerate(WEIGHTS):
        a, b = weight * expected, weight * (1 - expected)
        score[w] = (betaln(a + unused, b + opened - unused) - betaln(a, b)).sum(axis=1)
    return WEIGHTS[(score + log_prior(WEIGHTS, EXPECTED_WEIGHT)[:, None]).argmax(axis=0)]
