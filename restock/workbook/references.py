"""How a workbook and each of its rows say which plan and which pick they belong to.

A row carries its own reference, so rows may be sorted, filtered, moved or deleted. The letters behind the number
are a keyed hash of what the row stands for: they tell a mistyped reference, a row of another plan, and a workbook
of another installation from a true one. They are no secret and no signature against fraud.
"""

import re
from base64 import b32encode
from datetime import UTC
from typing import NamedTuple

from django.utils.crypto import salted_hmac

from restock.models import Pick, Plan

FORMAT = 1  # raise it when a workbook written before can no longer be read
CHECK_LENGTH = 6  # letters of 5 bits: a wrong reference passes once in 2**30

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
    return Fingerprint(plan.pk, FORMAT, plan.department.code, _check(_identity(plan)))


def parse_fingerprint(text: str) -> Fingerprint | None:
    """The fingerprint in a cell, or None where the cell holds something else."""
    match = _FINGERPRINT.fullmatch(text)
    return match and Fingerprint(int(match[1]), int(match[2]), match[3], match[4])


def reference(pick: Pick, plan: Plan) -> str:
    """The reference of one row of the storeroom sheets, such as P1287-K7QF3M."""
    line = pick.plan_line
    stands_for = (pick.pk, pick.storeroom_id, line.place_id, line.consumable_id, pick.lot_id)
    return f"P{pick.pk}-{_check(f'{_identity(plan)}|{stands_for}')}"


def pick_id(text: str) -> int | None:
    """The pick's primary key in a reference, unchecked, or None where the text is no reference."""
    match = _REFERENCE.fullmatch(text)
    return match and int(match[1])


def _identity(plan: Plan) -> str:
    # The moment of making tells a plan from one of the same number in another database with the same key.
    made_at = plan.made_at.astimezone(UTC).isoformat()
    return f"{FORMAT}|{plan.department.code}|{plan.pk}|{plan.for_date}|{made_at}"


def _check(value: str) -> str:
    digest = salted_hmac("restock.workbook", value, algorithm="sha256").digest()
    return b32encode(digest).decode("ascii")[:CHECK_LENGTH]
