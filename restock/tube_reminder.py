"""Tracheal tube sizes that a size class usually needs: a reminder with its neighbours, never "the" size."""

from __future__ import annotations

from .models import Policy, SizeClass
from .sizing import ADULT_YEARS, DAYS_PER_YEAR, SizeReminder, tracheal_tubes


def tube_reminders(size_class: SizeClass, policy: Policy) -> tuple[SizeReminder, ...]:
    """Cuffed by the department's formula, and below adult age uncuffed beside it."""
    youngest = (size_class.age_days_from or 0) / DAYS_PER_YEAR
    below = size_class.age_days_below
    oldest = youngest if below is None else max(youngest, (below - 1) / DAYS_PER_YEAR)
    kinds = (True,) if youngest >= ADULT_YEARS else (True, False)
    return tuple(
        tracheal_tubes(
            years=(youngest, oldest), cuffed=cuffed, cuffed_plus_mm=float(policy.cuffed_tube), sex=size_class.sex
        )
        for cuffed in kinds
    )
