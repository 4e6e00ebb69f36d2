"""Stand-ins that the catalogue names: what a person may propose, before anybody has to think of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from datetime import date

from inventory.models import Consumable, Department, NamedStandIn
from inventory.orders import coming

from ..models import Plan, Shortage, Substitution
from .substitutions import forbidden


def named_for(wanted: Collection[int]) -> dict[int, list[NamedStandIn]]:
    """What the catalogue names for each line, by its primary key, without what may never be. One query."""
    named: dict[int, list[NamedStandIn]] = defaultdict(list)
    rows = NamedStandIn.objects.filter(wanted__in=wanted).select_related("wanted", "stand_in")
    for one in rows.order_by("wanted", "pk"):
        if not forbidden(one.wanted, one.stand_in):
            named[one.wanted_id].append(one)
    return dict(named)


def lines_to_replace(department: Department, plan: Plan | None, *, on: date) -> list[Consumable]:
    """Lines that the plan finds short, or that a supplier owes or is late with, in the catalogue's order."""
    owed = {due.consumable_id for due in coming(department, today=on) if due.late or due.back_ordered}
    short = Shortage.objects.filter(plan_line__plan=plan).values_list("plan_line__consumable", flat=True)
    return list(department.consumables.filter(pk__in=owed | set(short)).order_by("section", "code"))


def with_a_card(department: Department, *, on: date) -> set[tuple[int, int]]:
    """(wanted, stand-in) of every card that waits or holds."""
    still_open = Substitution.objects.filter(department=department, ended_at=None, until__gte=on)
    return set(still_open.values_list("wanted", "stand_in"))
