"""Decisions and what they rest on: cases as slots, usage, what was learned, plans, shortages."""

from .calibration import Calibration
from .case_logs import CaseLog
from .cases import Case, CaseType, Extra, SetupStandard, SizeClass, Technique
from .fits import CaptureRate, DayEffect, Fit, LineWeights
from .imports import Import
from .learning import Learning, OpenedTally, QuantityTally, SplitTally, Stratum
from .ordering import OrderPolicy
from .plans import Pick, Plan, PlanLine
from .policy import Policy
from .rounds import Claim, Filling
from .shortages import Shortage
from .usage import UsageRecord

__all__ = [
    "Calibration",
    "CaptureRate",
    "Case",
    "CaseLog",
    "CaseType",
    "Claim",
    "DayEffect",
    "Extra",
    "Filling",
    "Fit",
    "Import",
    "Learning",
    "LineWeights",
    "OpenedTally",
    "OrderPolicy",
    "Pick",
    "Plan",
    "PlanLine",
    "Policy",
    "QuantityTally",
    "SetupStandard",
    "Shortage",
    "SizeClass",
    "SplitTally",
    "Stratum",
    "Technique",
    "UsageRecord",
]
