"""What the record promised and nobody could find: a shortage that the plan could not know.

A line that the plan already found short gets shorter by it; any other line becomes short. Taken back, everything
stands as the plan left it.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from django.db.models import Q, Sum

from ..forecasting.demand import expected_shortfall, p_short
from ..models import Plan, PlanLine, Policy, Shortage, policy_of

NOT_FOUND = Shortage.Cause.NOT_FOUND


def keep_shortages(plan: Plan, line_ids: Iterable[int]) -> None:
    """Bring the shortages of these lines in line with what their picks say was not found. Their picks are locked."""
    lines = (
        PlanLine.objects.filter(pk__in=set(line_ids))
        .annotate(not_found=Sum("picks__not_found"))
        .filter(Q(not_found__gt=0) | Q(shortage__isnull=False))
        .select_related("consumable", "shortage")
    )
    lines = list(lines)
    if not lines:
        return
    policy = policy_of(plan.department)
    for line in lines:
        _keep(line, policy)


def p_short_as_it_will_stand(shortage: Shortage, after: int | None = None) -> float:
    """The chance that the line runs short with everything carried but what was not found.

    after: pieces that it will hold then as recorded now (restock.plans.stock.after_tonight), where that is known.
    """
    line = shortage.plan_line
    planned = line.usable + line.allocated
    after = planned - shortage.not_found if after is None else after
    if after == planned:
        return line.p_short_after
    return float(p_short(np.array([line.pmf]), np.array([max(after, 0)]))[0])


def _keep(line: PlanLine, policy: Policy) -> None:
    known = getattr(line, "shortage", None)
    if not line.not_found and known.cause == NOT_FOUND:
        known.delete()
        return
    before = known.not_found if known else 0
    if before == line.not_found:
        return
    shortage = known or Shortage(plan_line=line, cause=NOT_FOUND, short_by=0, reason="")
    shortage.short_by += line.not_found - before
    shortage.not_found = line.not_found
    shortage.harm = policy.weight(line.consumable.criticality) * _missing(line)
    shortage.save()


def _missing(line: PlanLine) -> float:
    """Expected pieces missing on the day, with everything carried but what was not found."""
    after = max(line.usable + line.allocated - line.not_found, 0)
    return float(expected_shortfall(np.array([line.pmf]), np.array([after]))[0])
