"""A department's set-up standard, stated as "opened in 60% of cases, 2 pieces if so", made a distribution.

A standard says what is typical, not how much cases differ, so each stated quantity is softened: neighbouring
quantities get some probability too. Tails are short on purpose. On simulated departments a fat-tailed
standard was the worst forecast of all that know the case list, and a short-tailed one did no harm.
"""

from __future__ import annotations

import numpy as np

NEIGHBOUR = 0.12  # weight of one piece more or one piece less, relative to the stated quantity
TAIL_RATIO = 0.4  # each further piece, relative to the one before
# A case that opens none of a line seldom opens one (an assumption). Softer would add up: of 400 lines on a
# cart a case type names some 60, and the first evening would ask for pieces of the other 340.
UNSTATED_NEIGHBOUR = 0.002


def standard_pmf(
    probability: np.ndarray | float,
    quantity: np.ndarray | float,
    k_max: int,
    *,
    soft: bool = True,
) -> np.ndarray:
    """Distribution of pieces opened in a case, from one row of a set-up standard.

    probability: (...), share of cases that open the line, 0 to 1.
    quantity: (...), pieces if opened; 1.29 means that 29 in 100 of those cases open 2 and the others 1.
    k_max: largest number of pieces that is told apart; what lies above is counted as k_max.
    soft: give the neighbours of each stated quantity some probability.
    Returns (..., k_max+1), rows summing to 1. Raises ValueError for a probability outside 0..1, a quantity
    that is negative or not a number, or a k_max below 1.
    """
    probability, quantity = np.broadcast_arrays(np.asarray(probability, dtype=float), np.asarray(quantity, dtype=float))
    if k_max < 1:
        raise ValueError(f"k_max is {k_max}; a distribution of pieces needs at least 0 and 1.")
    if not ((probability >= 0) & (probability <= 1)).all():
        raise ValueError("A probability in a set-up standard lies outside 0 to 1.")
    if not (quantity >= 0).all() or np.isinf(quantity).any():
        raise ValueError("A quantity in a set-up standard is negative or not a number.")

    whole = np.floor(quantity)
    fraction = (quantity - whole)[..., None]
    opened = (1 - fraction) * _around(whole, k_max, soft) + fraction * _around(whole + 1, k_max, soft)
    unopened = _around(np.zeros_like(quantity), k_max, soft)
    return (1 - probability)[..., None] * unopened + probability[..., None] * opened


def combine_rows(pmfs: np.ndarray) -> np.ndarray:
    """Distribution of the total when a case type names the same line in several rows.

    pmfs: (rows, ..., K+1), independent of each other. Returns (..., K+1); totals above K count as K.
    """
    total = pmfs[0]
    k_max = total.shape[-1] - 1
    for row in pmfs[1:]:
        summed = np.zeros_like(total)
        for pieces in range(k_max + 1):
            summed[..., pieces:] += row[..., pieces, None] * total[..., : k_max + 1 - pieces]
            summed[..., k_max] += row[..., pieces] * total[..., k_max + 1 - pieces :].sum(axis=-1)
        total = summed
    return total


def _around(stated: np.ndarray, k_max: int, soft: bool) -> np.ndarray:
    stated = np.minimum(stated, k_max)
    distance = np.abs(np.arange(k_max + 1) - stated[..., None])
    if not soft:
        return (distance == 0).astype(float)
    neighbour = np.where(stated == 0, UNSTATED_NEIGHBOUR, NEIGHBOUR)[..., None]
    weight = np.where(distance == 0, 1.0, neighbour * TAIL_RATIO ** np.maximum(distance - 1, 0))
    return weight / weight.sum(axis=-1, keepdims=True)
