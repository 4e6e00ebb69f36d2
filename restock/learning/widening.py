"""The service level that a line is planned with: what was asked for, or more where its kind failed its gate."""

from __future__ import annotations

import numpy as np

from inventory.models import Department

from ..models import Calibration

HIGHEST = 0.9999  # a level of 1 would ask for everything that is possible


def planned_levels(department: Department, kinds: list[str], asked: np.ndarray) -> np.ndarray:
    """The level (L,) to read the forecast at, so that lines of each kind are covered as often as `asked` (L,).

    For a kind that passed its gate, or was never judged, that is the level asked for. For one that failed it is the
    smallest level below which the transform of its past use fell often enough (restock.models.Calibration.pit).
    """
    failed = dict(Calibration.objects.filter(department=department, passed=False).values_list("kind", "pit"))
    levels = np.array(asked, dtype=float)
    for n, kind in enumerate(kinds):
        if kind in failed:
            reached = np.array(failed[kind])
            step = int(np.searchsorted(reached, levels[n]))
            levels[n] = max(levels[n], min((step + 1) / len(reached), HIGHEST))
    return levels
