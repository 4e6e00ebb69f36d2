"""Recalls: find every place that holds or may hold the lots, put them out of reach, and have each place answer.

A drill goes the same way and touches no stock: no lot is put out of reach and no answer moves a piece.
"""

from .answering import answer, shifts_to
from .closing import close, unanswered, withdraw
from .lots import Candidate, candidates, is_named, recall_of, recalled_lines
from .opening import hold_if_recalled, name_place, open_recall
from .places import Suspect, bundles_with, suspects
from .report import PlaceReport, Report, bins_of, report

__all__ = [
    "Candidate",
    "PlaceReport",
    "Report",
    "Suspect",
    "answer",
    "bins_of",
    "bundles_with",
    "candidates",
    "close",
    "hold_if_recalled",
    "is_named",
    "name_place",
    "open_recall",
    "recall_of",
    "recalled_lines",
    "report",
    "shifts_to",
    "suspects",
    "unanswered",
    "withdraw",
]
