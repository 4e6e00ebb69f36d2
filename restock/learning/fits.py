"""What the newest refit found, in memory: as the forecast uses it and as an explanation quotes it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import astuple, dataclass, field, fields

from inventory.models import Department

from ..cases.setups import Line
from ..forecasting.capture import Capture, capture
from ..forecasting.usage import METHOD, Weights
from ..models import CaptureRate, DayEffect, Fit, LineWeights

# A log is put right where counts leave no doubt that it is incomplete. Assumptions, on the side of leaving it alone:
# of 30 pieces gone with 27 logged, chance alone leaves the rate anywhere from 0.74 to 0.97.
FEWEST_SPANS = 4  # between counts that follow each other
FEWEST_PIECES = 30  # gone in them
COMPLETE_FROM = 0.98  # the upper end of the rate's interval lies below this

WEIGHT_FIELDS = tuple(field.name for field in fields(Weights))


@dataclass(frozen=True)
class Captured:
    """Pieces that left by count, and pieces that left by the log, over `spans` between counts."""

    spans: int = 0
    gone: int = 0
    logged: int = 0

    def __add__(self, other: Captured) -> Captured:
        return Captured(*(mine + theirs for mine, theirs in zip(astuple(self), astuple(other), strict=True)))

    @property
    def rate(self) -> Capture:
        return capture(max(self.gone, 0), max(self.logged, 0))

    @property
    def kappa(self) -> float:
        """The capture rate to learn with: 1 unless there are counts enough to say that the log is incomplete."""
        if self.spans < FEWEST_SPANS or self.gone < FEWEST_PIECES or self.rate.high >= COMPLETE_FROM:
            return 1.0
        return float(self.rate.mean)


@dataclass(frozen=True)
class Fitted:
    """weights: of each line, for its use by cases (False) or by rooms (True), in the order of WEIGHT_FIELDS.

    day_effect: sigma of each consumable that has one. captured: of each consumable that was counted twice.
    """

    weights: dict[tuple[bool, Line], tuple[float, ...]] = field(default_factory=dict)
    day_effect: dict[int, float] = field(default_factory=dict)
    captured: dict[int, Captured] = field(default_factory=dict)


NOTHING_FITTED = Fitted()


def read_fitted(department: Department) -> Fitted:
    """The stored fit: four queries. What another version of the method fitted is of no use to this one."""
    fit = Fit.objects.filter(department=department, method=METHOD).first()
    if fit is None:
        return NOTHING_FITTED
    weights = {}
    rows = LineWeights.objects.filter(fit=fit).values_list("by_room", "consumable", "size_run", *WEIGHT_FIELDS)
    for by_room, consumable, run, *values in rows:
        weights[by_room, ("run", run) if run else ("piece", consumable)] = tuple(values)
    counted = CaptureRate.objects.filter(fit=fit).values_list("consumable", "spans", "gone", "logged")
    return Fitted(
        weights=weights,
        day_effect=dict(DayEffect.objects.filter(fit=fit).values_list("consumable", "sigma")),
        captured={consumable: Captured(*found) for consumable, *found in counted},
    )


def captured_by_section(department: Department) -> dict[int, Captured]:
    """What counts say of the log, by section of the work area. Use logged twice on one line hides no gap of another."""
    rows = CaptureRate.objects.filter(fit__department=department, fit__method=METHOD, gone__gt=0)
    found: dict[int, Captured] = defaultdict(Captured)
    for section, spans, gone, logged in rows.values_list("consumable__section", "spans", "gone", "logged"):
        found[section] += Captured(spans, gone, min(logged, gone))
    return dict(sorted(found.items()))
