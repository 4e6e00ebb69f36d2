"""Invented substitution cards: one that a clinician agreed to, and one that waits."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.auth import get_user_model

from inventory.models import Department
from restock.stock_life import substitutions

AGREED = ("TT09", "TT10")  # (missing, may stand in): codes of the fictional catalogue
WAITING = ("SY04", "SY05")
DAYS = 21
WHY = "back-order, invented for the demo"


def invent_substitutions(department: Department, *, at: datetime, by) -> None:
    """Proposed by the supervisor; the clinician has agreed to the first."""
    lines = {line.code: line for line in department.consumables.filter(code__in=[*AGREED, *WAITING])}
    until = department.local_date(at) + timedelta(days=DAYS)
    cards = []
    for missing, stand_in in (AGREED, WAITING):
        wanted, other = lines[missing], lines[stand_in]
        found = substitutions.differences(wanted, other)
        cards.append(
            substitutions.propose(
                wanted=wanted,
                stand_in=other,
                in_words="; ".join(found.words) or "another maker",
                until=until,
                why=WHY,
                by=by,
                at=at - timedelta(hours=5),
            )
        )
    clinician = get_user_model().objects.get(username=substitutions.CLINICIAN)
    substitutions.agree(cards[0], by=clinician, at=at - timedelta(hours=4))
