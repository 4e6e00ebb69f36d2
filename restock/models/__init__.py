"""Decisions and what they rest on: cases as slots, usage, what was learned, plans, shortages."""

from .calibration import Calibration
from .cases import Case, CaseType, Extra, SetupStandard, SizeClass, Technique
from .imports import Import
from .learning import Learning, QuantityTally, SplitTally, Stratum
from .ordering import OrderPolicy
from .plans import Pick, Plan, PlanLine
from .policy import Policy
from .shortages import Shortage
from .usage import UsageRecord

__all__ = [
    "Calibration",
    "Case",
    "CaseType",
    "Extra",
    "Import",
    "Learning",
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
