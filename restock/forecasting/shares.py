"""Shares of counted things and their differences, with the range that chance leaves open.

Sources: Wilson 1927, J Am Stat Assoc 22:209 (score interval of a share); Newcombe 1998, Stat Med 17:873, method 10
(interval of the difference of two independent shares, from two score intervals).
"""

from __future__ import annotations

from math import hypot, sqrt

from .scoring import Estimate

Z_95 = 1.959963984540054  # the 97.5% quantile of the normal distribution


def share(hits: int, trials: int) -> Estimate:
    """A share with its 95% score interval. Raises ValueError where nothing was tried."""
    if trials < 1:
        raise ValueError("A share needs at least one trial.")
    p, square = hits / trials, Z_95 * Z_95
    middle = (p + square / (2 * trials)) / (1 + square / trials)
    reach = Z_95 / (1 + square / trials) * sqrt(p * (1 - p) / trials + square / (4 * trials * trials))
    return Estimate(p, max(middle - reach, 0.0), min(middle + reach, 1.0), 0.95)


def difference(after: Estimate, before: Estimate) -> Estimate:
    """`after` minus `before`, shares as `share` gives them, with its 95% interval."""
    change = after.value - before.value
    down = hypot(after.value - after.low, before.high - before.value)
    up = hypot(after.high - after.value, before.value - before.low)
    return Estimate(change, change - down, change + up, 0.95)
