"""What a backtest found, kept so that the page on accuracy reads it and computes nothing."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from datetime import datetime

import numpy as np
from django.db import transaction

from inventory.models import Department

from ..forecasting.drift import drifting
from ..forecasting.scoring import Estimate
from ..models import Judgement, LineDrift, RuleScore
from .backtest import Backtest, LevelSeen

LEAST_DRIFT = 0.1  # pieces a day, an assumption: less than one piece in ten days moves no par


@dataclass(frozen=True)
class Tenth:
    """Share of the use that fell into one tenth of the forecast, and the range that chance leaves open, 0 to 1."""

    share: float
    low: float
    high: float


def levels_of(judgement: Judgement) -> list[LevelSeen]:
    """How often each service level covered what was used, lowest level first."""
    return [LevelSeen(*values) for values in judgement.levels]


def tenths_of(judgement: Judgement) -> list[Tenth]:
    """The ten tenths of the forecast, lowest first; empty where the judgement is older than they are."""
    return [Tenth(*values) for values in judgement.tenths]


@dataclass(frozen=True)
class Findings:
    """A judgement with its rows, not stored yet."""

    judgement: Judgement
    rules: list[RuleScore]
    drifts: list[LineDrift]


def findings(
    department: Department,
    judged: Backtest,
    *,
    at: datetime,
    against: dict[str, dict[str, Estimate]],
    rng: np.random.Generator,
) -> Findings:
    """What a backtest found. against: its scores beside the rules'."""
    brier, error = judged.stock_out_calibration()
    judgement = Judgement(
        department=department,
        judged_at=at,
        first_day=judged.evenings[0].day,
        last_day=judged.evenings[-1].day,
        evenings=len(judged.evenings),
        lines=len(judged.frame.lines),
        levels=[[round(value, 5) for value in astuple(seen)] for seen in judged.levels(rng)],
        tenths=[[round(value, 5) for value in (t.value, t.low, t.high)] for t in judged.tenths(rng)],
        brier=brier,
        calibration_error=error,
    )
    rules = [
        RuleScore(
            judgement=judgement,
            rule=rule,
            score=score,
            ratio=_finite(estimate.value),
            low=_finite(estimate.low),
            high=_finite(estimate.high),
        )
        for rule, scores in against.items()
        for score, estimate in scores.items()
    ]
    return Findings(judgement, rules, _drifts(judgement, judged))


@transaction.atomic
def keep_judgement(found: Findings) -> Judgement:
    """Replace the department's judgement."""
    Judgement.objects.filter(department=found.judgement.department_id).delete()
    found.judgement.save()
    RuleScore.objects.bulk_create(found.rules)
    LineDrift.objects.bulk_create(found.drifts)
    return found.judgement


def _drifts(judgement: Judgement, judged: Backtest) -> list[LineDrift]:
    """All carts of a consumable together: what one cart lacks another may have used."""
    ids, group = np.unique([line.consumable_id for line in judged.frame.lines], return_inverse=True)
    used, forecast = (
        np.array([np.bincount(group, weights=read(evening), minlength=len(ids)) for evening in judged.evenings])
        for read in (lambda e: e.actual, lambda e: e.mean)
    )
    found = drifting(used, forecast)
    return [
        LineDrift(
            judgement=judgement,
            consumable_id=int(ids[n]),
            used_per_day=float(found.used[n]),
            forecast_per_day=float(found.forecast[n]),
            p_value=float(found.p_value[n]),
        )
        for n in np.flatnonzero(found.drifts & (np.abs(found.used - found.forecast) >= LEAST_DRIFT))
    ]


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
