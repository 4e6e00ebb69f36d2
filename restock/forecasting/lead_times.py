"""How long deliveries take, learned from those that came and those that are still awaited. Days are whole days.

Method. Chances of a lead time of 0, 1, 2 ... days have a Dirichlet prior, `weight` observations spread as `prior`.
Observations are pieces of order lines: those that came after d days, and those still open at an age of d days, of
which is known only that they take longer (right-censored). With hazards h_d = P(L = d | L >= d) the prior is
independent Beta(a_d, a_{d+1} + a_{d+2} + ...), the likelihood factors in them too, and the posterior means are

    h_d = (a_d + came_d) / (a_d + a_{d+1} + ... + at risk on day d)

from which the chances follow. This is the estimator of Susarla & Van Ryzin 1976 (J. Am. Stat. Assoc. 71:897) on whole
days; without censoring it is the Dirichlet's posterior mean, and as the prior's weight goes to nothing it becomes
Kaplan & Meier's (1958). Formulas derived here; sources from memory; checked against scipy.
"""

from __future__ import annotations

import numpy as np


def lead_chances(prior: np.ndarray, weight: float, came: np.ndarray, still_open: np.ndarray) -> np.ndarray:
    """Chance of a lead time of 0, 1, 2 ... days: (D,), posterior mean.

    prior: (P,) chances by days; weight: in observations, > 0. came: (C,) observations by the days they took.
    still_open: (O,) observations by their age in days: not come by the end of that day. All may be fractions.
    D = the longest of them, and one day more where something open is older than everything known: what is left is put
    on that first later day, since nothing says how much later it comes.

    Raises ValueError for a prior that is no distribution, or a weight that is not positive.
    """
    prior, came, still_open = (np.asarray(one, float) for one in (prior, came, still_open))
    if weight <= 0.0 or prior.min(initial=0.0) < 0.0 or abs(prior.sum() - 1.0) > 1e-8:
        raise ValueError("A prior is a distribution over days, worth more than no observation.")
    days = max(len(prior), len(came), len(still_open)) + 1
    prior, came, still_open = (np.pad(one, (0, days - len(one))) for one in (prior * weight, came, still_open))
    at_risk = _from_here(prior + came + still_open)
    hazard = np.divide(prior + came, at_risk, out=np.ones(days), where=at_risk > 0.0)
    hazard[-1] = 1.0
    survived = np.concatenate([[1.0], np.cumprod(1.0 - hazard[:-1])])
    chances = hazard * survived
    return chances[: np.flatnonzero(chances > 0.0)[-1] + 1]


def within(chances: np.ndarray, most_days: int, negligible: float = 1e-3) -> np.ndarray:
    """The same chances with no more than `most_days` days: what is later counts as that day. What is hardly ever
    exceeded is cut, and the rest adds up to one."""
    chances = np.asarray(chances, float)
    if len(chances) > most_days + 1:
        chances = np.append(chances[:most_days], chances[most_days:].sum())
    kept = chances[: int(np.argmax(np.cumsum(chances) >= 1.0 - negligible)) + 1]
    return kept / kept.sum()


def quantile_days(chances: np.ndarray, chance: float) -> int:
    """The day by which a delivery has come with at least this chance."""
    return int(np.argmax(np.cumsum(chances) >= chance - 1e-9))


def _from_here(values: np.ndarray) -> np.ndarray:
    """Sums over this day and all later ones."""
    return np.cumsum(values[::-1])[::-1]
