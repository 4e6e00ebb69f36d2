"""Decisions and what they rest on: cases as slots, usage, what was learned, plans, shortages."""

from .advice import AdvisedPar, ParAdviceRun, StoreroomCover
from .calibration import Calibration
from .case_logs import CaseLog
from .cases import Case, CaseType, Extra, SetupStandard, SizeClass, Technique
from .fits import CaptureRate, DayEffect, Fit, LineWeights
from .headings import HeadingMap
from .imports import Import
from .jobs import WorkRequest
from .judgements import Judgement, LineDrift, RuleScore
from .learning import Learning, OpenedTally, QuantityTally, SplitTally, Stratum
from .memberships import Membership
from .ordering import OrderPolicy
from .plans import Pick, Plan, PlanLine
from .policy import Policy, policy_of
from .quick_sign_in import QuickSignIn
from .records import RecordTallies, RecordTally
from .rounds import Claim, Filling
from .setup_changes import SetupChange
from .shortages import Shortage
from .substitutions import Substitution
from .supervising import ParChange, ShortageAction
from .usage import UsageRecord

__all__ = [
    "AdvisedPar",
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
    "HeadingMap",
    "Import",
    "Judgement",
    "Learning",
    "LineDrift",
    "LineWeights",
    "Membership",
    "OpenedTally",
    "OrderPolicy",
    "ParAdviceRun",
    "ParChange",
    "Pick",
    "Plan",
    "PlanLine",
    "Policy",
    "QuantityTally",
    "QuickSignIn",
    "RecordTallies",
    "RecordTally",
    "RuleScore",
    "SetupChange",
    "SetupStandard",
    "Shortage",
    "ShortageAction",
    "SizeClass",
    "SplitTally",
    "StoreroomCover",
    "Stratum",
    "Substitution",
    "Technique",
    "UsageRecord",
    "WorkRequest",
    "policy_of",
]
