"""Judge the forecast on the department's own log, and keep what was found: for the command and for the page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
from django.db import transaction

from inventory.models import Department

from ..forecasting.scoring import Estimate
from ..models import Calibration
from .backtest import Backtest, backtest
from .gate import calibrations, keep
from .judging import findings, keep_judgement

SEED = 2026  # of the bootstrap only: the same log gives the same intervals


@dataclass(frozen=True)
class Judged:
    """What a backtest found. against: its scores as shares of each rule's, by rule and score."""

    backtest: Backtest
    against: dict[str, dict[str, Estimate]]
    calibrations: list[Calibration]
    rng: np.random.Generator


def judge(
    department: Department,
    *,
    first: date,
    last: date,
    at: datetime,
    progress: Callable[[date], None] = lambda day: None,
) -> Judged | None:
    """Judge every day from `first` to `last`; the next plan goes by what is kept. None where no day can be judged."""
    judged = backtest(department, first=first, last=last, progress=progress)
    if not judged.evenings:
        return None
    rng = np.random.default_rng(SEED)
    rows = calibrations(department, judged, at=at, rng=rng)
    against = judged.against(rng)
    found = findings(department, judged, at=at, against=against, rng=rng)
    with transaction.atomic():
        kept = keep(department, rows)
        keep_judgement(found)
    return Judged(judged, against, kept, rng)
