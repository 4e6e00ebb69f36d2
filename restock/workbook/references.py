"""How a workbook and each of its rows say which plan and which pick they belong to.

A row carries its own reference, so rows may be sorted, filtered, moved or deleted. The letters behind the number
are a check of what the row stands for: they tell a mistyped reference, a row of another plan, and a workbook of
another installation from a true one.
"""

import re
from datetime import UTC
from typing import NamedTuple

from restock.models import Pick, Plan

from .check_letters import check_letters

FORMAT = 1  # raise it when a workbook written before can no longer be read

_FINGERPRINT = re.compile(
    r"Evenfill pick list (\d{1,18}), format (\d{1,4}), department ([-\w]{1,50}), check ([A-Z2-7]+)"
)
_REFERENCE = re.compile(r"P(\d{1,18})-([A-Z2-7]+)")


class Fingerprint(NamedTuple):
    """What the cover sheet says about the plan that the workbook was written from."""

    plan_id: int
    format: int
    department: str
    check: str

    def __str__(self) -> str:
        return (
            f"Evenfill pick list {self.plan_id}, format {self.format}, department {self.department}, check {self.check}"
        )


def fingerprint(plan: Plan) -> Fingerprint:
    """The fingerprint of a workbook written from `plan`."""
    return Fingerprint(plan.pk, FORMAT, plan.department.code, check_letters(_identity(plan)))


def parse_fingerprint(text: str) -> Fingerprint | None:
    """The fingerprint in a cell, or None where the cell holds something else."""
    match = _FINGERPRINT.fullmatch(text)
    return match and Fingerprint(int(match[1]), int(match[2]), match[3], match[4])


def reference(pick: Pick, plan: Plan) -> str:
    """The reference of one row of the storeroom sheets, such as P1287-K7QF3M."""
    line = pick.plan_line
    stands_for = (pick.pk, pick.storeroom_id, line.place_id, line.consumable_id, pick.lot_id)
    return f"P{pick.pk}-{check_letters(f'{_identity(plan)}|{stands_for}')}"


def pick_id(text: str) -> int | None:
    """The pick's primary key in a reference, unchecked, or None where the text is no reference."""
    match = _REFERENCE.fullmatch(text)
    return match and int(match[1])


def _identity(plan: Plan) -> str:
    # The moment of making tells a plan from one of the same number in another database with the same key.
    made_at = plan.made_at.astimezone(UTC).isoformat()
    return f"{FORMAT}|{plan.department.code}|{plan.pk}|{plan.for_date}|{made_at}"
