"""The gate: a kind of line that ran short more often than its forecast said is widened, and says so.

The forecast's own quantiles stay as they are; the service level that a line is planned with is raised to the level that
would have covered as often as was asked for. Nothing is ever narrowed: stock that was too much is for the par advice.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
from django.db import transaction

from inventory.models import Department

from ..forecasting import scoring
from ..models import Calibration
from .backtest import Backtest

WORST_GAP = 0.015  # of coverage, at any of the levels: 1.5 days in a hundred
PIT_STEPS = 200


def calibrations(
    department: Department, judged: Backtest, *, at: datetime, rng: np.random.Generator
) -> list[Calibration]:
    """What a backtest says of each kind of line, not stored yet."""
    low, high = judged.column(lambda e: e.pit_low), judged.column(lambda e: e.pit_high)
    kinds = judged.kinds
    rows = []
    for found in judged.calibration(rng)[1:]:
        of_kind = kinds == found.kind
        steps = np.linspace(0.0, 1.0, PIT_STEPS + 1)[1:]
        pit = [float(scoring.pit_share_below(low[of_kind], high[of_kind], u).mean()) for u in steps]
        gaps = dict(zip(("gap_90", "gap_95", "gap_99"), (gap.value for gap in found.gap), strict=True))
        rows.append(
            Calibration(
                department=department,
                kind=found.kind,
                first_day=judged.evenings[0].day,
                last_day=judged.evenings[-1].day,
                rows=found.rows,
                passed=not any(gap.value < -WORST_GAP and gap.high < 0.0 for gap in found.gap),
                pit=[round(share, 5) for share in pit],
                judged_at=at,
                **gaps,
            )
        )
    return rows


@transaction.atomic
def keep(department: Department, rows: list[Calibration]) -> list[Calibration]:
    """Replace the department's calibrations; the next plan goes by them."""
    Calibration.objects.filter(department=department).delete()
    return Calibration.objects.bulk_create(rows)
