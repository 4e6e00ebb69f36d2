"""Tracheal tube sizes that a size class usually needs: a reminder with its neighbours, never "the" size."""

from __future__ import annotations

from ..models import Policy, SizeClass
from .sizing import ADULT_YEARS, DAYS_PER_YEAR, SizeReminder, suction_catheter_fr, tracheal_tubes

CATHETERS_FR = (5, 6, 8, 10, 12, 14, 16, 18)  # the usual French sizes: common practice, no source


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


def suction_reminder(reminders: tuple[SizeReminder, ...]) -> list[tuple[float, float]]:
    """(tube in mm, largest suction catheter in French that suits it) for every likely tube, smallest first."""
    likely = sorted({size for reminder in reminders for size in reminder.likely})
    fitting = [(tube_mm, suction_catheter_fr(tube_mm, CATHETERS_FR)) for tube_mm in likely]
    return [(tube_mm, french) for tube_mm, french in fitting if french is not None]
