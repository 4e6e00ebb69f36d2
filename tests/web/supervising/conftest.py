"""Pars that were advised, and a forecast that was judged."""

import pytest
from django.utils import timezone

from restock.forecasting.usage import METHOD
from restock.models import (
    AdvisedPar,
    Calibration,
    CaptureRate,
    Fit,
    Judgement,
    LineDrift,
    ParAdviceRun,
    RuleScore,
)
from tests.factories import (
    ConsumableFactory,
)


@pytest.fixture
def supervising(client, supervisor):
    client.force_login(supervisor)
    return client


@pytest.fixture
def advise(department, supervisor, today):
    """`advise(line, par=9)`: an open proposal about a plan line, in one run."""

    def make(line, par=9, **values):
        run, _ = ParAdviceRun.objects.get_or_create(
            department=department, defaults={"made_at": timezone.now(), "by": supervisor, "first_day": today,
            "last_day": today, "days": 20, "lines": 60},
        )  # fmt: skip
        figures = {
            "par": 5, "service_level": 0.95, "p_short_now": 0.3, "p_short_advised": 0.04, "days_short_now": 6,
            "days_short_advised": 1, "on_hand_now": 5, "on_hand_advised": 9, "reason": "Par 5 covers only 70.",
        }  # fmt: skip
        stocking = line.place.stocking_lines.get(consumable=line.consumable)
        return AdvisedPar.objects.create(run=run, stocking_line=stocking, advised=par, **(figures | values))

    return make


@pytest.fixture
def judged(department, today):
    """`judged(lines)`: what a backtest and a refit keep about so many lines."""

    def keep(lines):
        now, span = timezone.now(), {"first_day": today, "last_day": today}
        Judgement.objects.filter(department=department).delete()
        judgement = Judgement.objects.create(
            department=department, judged_at=now, evenings=20, lines=60, brier=0.01, calibration_error=0.002,
            levels=[[0.9, 0.92, 0.915, 0.9, 0.93], [0.95, 0.961, 0.948, 0.94, 0.957]],
            tenths=[[0.08, 0.07, 0.09]] * 9 + [[0.28, 0.2, 0.31]], **span,
        )  # fmt: skip
        fit, _ = Fit.objects.get_or_create(
            department=department, defaults={"method": METHOD, "fitted_at": now, "records": 1}
        )
        RuleScore.objects.create(judgement=judgement, rule="par as it is", score="CRPS", ratio=0.8, low=0.7, high=0.9)
        for _ in range(lines):
            line = ConsumableFactory()
            Calibration.objects.create(
                department=department, kind=line.code, rows=9, gap_90=0.01, gap_95=-0.02, gap_99=0, passed=False,
                judged_at=now, **span,
            )  # fmt: skip
            LineDrift.objects.create(
                judgement=judgement, consumable=line, used_per_day=7.2, forecast_per_day=4.1, p_value=0.001
            )
            CaptureRate.objects.create(
                fit=fit, consumable=line, spans=3, gone=40, logged=30, mean=0.75, low=0.6, high=0.86
            )
        return judgement

    return keep
