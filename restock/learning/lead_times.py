"""How each storeroom line is ordered: as its policy says, with the lead time that receipts have taught.

An order line is one observation, spread over its pieces: those that came, by the days they took, and those still
open, by their age. A line of few orders leans on all lines of the department with the same stated lead time, and these
on what the policy states. What was closed without coming says nothing about how long it would have taken. The
arithmetic, with its source, is `restock.forecasting.lead_times`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import numpy as np

from inventory.models import Department, OrderLine, Receipt, StockingLine
from inventory.orders import coming, standings_of
from restock.forecasting.lead_times import lead_chances, quantile_days, within

from ..models import OrderPolicy

WINDOW_DAYS = 365  # orders placed before that are forgotten: suppliers change
# Assumptions: what the policy states is worth so many order lines, what all lines together teach so many for each.
STATED_WEIGHT = 4.0
POOLED_WEIGHT = 6.0
MOST_LEAD_DAYS = 28  # what takes longer counts as so long: by then somebody asks the supplier
LIKELY = (0.1, 0.9)

Key = tuple[int, int]  # storeroom, consumable


@dataclass
class Observed:
    """Order lines seen, by days: (MOST_LEAD_DAYS + 1,) each, in order lines and fractions of them."""

    came: np.ndarray = field(default_factory=lambda: np.zeros(MOST_LEAD_DAYS + 1))
    still_open: np.ndarray = field(default_factory=lambda: np.zeros(MOST_LEAD_DAYS + 1))
    lines: int = 0

    def add(self, other: Observed, times: int = 1) -> None:
        self.came += times * other.came
        self.still_open += times * other.still_open
        self.lines += times * other.lines


@dataclass(frozen=True)
class LeadTime:
    """What is believed of one storeroom line's deliveries. Days; lines: order lines behind it, its own and all alike.

    low, usual, high: the days by which 1, 5 and 9 of 10 deliveries have come.
    """

    chances: tuple[float, ...]
    own_lines: int
    all_lines: int
    fixed: bool

    @property
    def low(self) -> int:
        return quantile_days(np.array(self.chances), LIKELY[0])

    @property
    def usual(self) -> int:
        return quantile_days(np.array(self.chances), 0.5)

    @property
    def high(self) -> int:
        return quantile_days(np.array(self.chances), LIKELY[1])


def policies_of(kept: Sequence[StockingLine], department: Department, *, today: date) -> list[OrderPolicy]:
    """How each storeroom line is ordered, defaults where nobody said, lead times as learned: six queries."""
    ids = [line.pk for line in kept if line.pk]
    stated = {one.stocking_line_id: one for one in OrderPolicy.objects.filter(stocking_line__in=ids)}
    policies = [stated.get(line.pk) or OrderPolicy(stocking_line=line) for line in kept]
    for policy, lead in zip(policies, lead_times(policies, department, today=today), strict=True):
        if lead.all_lines and not lead.fixed:
            policy.learned_lead = lead.chances
    return policies


def lead_times(policies: Sequence[OrderPolicy], department: Department, *, today: date) -> list[LeadTime]:
    """What is believed of each policy's deliveries, in their order. A policy's `stocking_line` has to be loaded."""
    observed = observe(department, today=today)
    alike = _stated_alike(policies, department)
    pools: dict[tuple[int, int], Observed] = defaultdict(Observed)
    for key, own in observed.items():
        pools[alike[key]].add(own)
    found = []
    for policy in policies:
        own, pool = observed.get(_key(policy), Observed()), pools[policy.lead_days, policy.lead_spread_days]
        chances = tuple(policy.stated_lead_chances())
        if pool.lines and not policy.lead_fixed:
            chances = _learned(policy, own, pool)
        found.append(LeadTime(chances, own.lines, pool.lines, policy.lead_fixed))
    return found


def _stated_alike(policies: Sequence[OrderPolicy], department: Department) -> dict[Key, tuple[int, int]]:
    """Lead days and spread that are stated for each storeroom line, the policies at hand first, then the defaults."""
    usual = OrderPolicy()
    stated: dict[Key, tuple[int, int]] = defaultdict(lambda: (usual.lead_days, usual.lead_spread_days))
    of_lines = OrderPolicy.objects.filter(stocking_line__place__department=department).values_list(
        "stocking_line__place", "stocking_line__consumable", "lead_days", "lead_spread_days"
    )
    stated |= {(place, consumable): (days, spread) for place, consumable, days, spread in of_lines}
    stated |= {_key(policy): (policy.lead_days, policy.lead_spread_days) for policy in policies}
    return stated


def observe(department: Department, *, today: date) -> dict[Key, Observed]:
    """What orders of the last WINDOW_DAYS show, by storeroom and consumable: four queries."""
    since = department.local_midnight(today - timedelta(days=WINDOW_DAYS))
    lines = OrderLine.objects.filter(order__storeroom__department=department, order__placed_at__gte=since)
    receipts: dict[int, list[tuple[datetime, int]]] = defaultdict(list)
    came = Receipt.objects.filter(order_line__in=lines, movement__reversal__isnull=True).order_by("pk")
    for line, at, pieces in came.values_list("order_line", "movement__at", "movement__quantity"):
        receipts[line].append((at, pieces))
    observed: dict[Key, Observed] = defaultdict(Observed)
    for one in standings_of(list(lines.select_related("order"))):
        order = one.line.order
        placed_on = department.local_date(order.placed_at)
        seen = observed[order.storeroom_id, one.line.consumable_id]
        whole = max(one.line.pieces, one.received)  # more than ordered is still one order line
        for at, pieces in receipts[one.line.pk]:
            days = (department.local_date(at) - placed_on).days
            seen.came[_within_reach(days)] += pieces / whole
        seen.still_open[_within_reach((today - placed_on).days)] += one.open / whole
        seen.lines += bool(one.received or one.open)
    return {key: seen for key, seen in observed.items() if seen.lines}


def _learned(policy: OrderPolicy, own: Observed, pool: Observed) -> tuple[float, ...]:
    others = Observed()
    others.add(pool)
    others.add(own, times=-1)
    pooled = lead_chances(
        np.array(policy.stated_lead_chances()), STATED_WEIGHT, _clean(others.came), _clean(others.still_open)
    )
    learned = lead_chances(pooled, POOLED_WEIGHT, own.came, own.still_open)
    return tuple(within(learned, MOST_LEAD_DAYS).tolist())


def _clean(counts: np.ndarray) -> np.ndarray:
    """Without what subtracting fractions leaves below zero."""
    return np.where(counts < 1e-9, 0.0, counts)


def _key(policy: OrderPolicy) -> Key:
    return policy.stocking_line.place_id, policy.stocking_line.consumable_id


def _within_reach(days: int) -> int:
    return min(max(days, 0), MOST_LEAD_DAYS)


def on_order(department: Department, policies: Iterable[OrderPolicy], *, today: date) -> dict[Key, int]:
    """Pieces that open orders bring while an order placed today is waited for and used up, by storeroom line.

    Not counted: what is expected only later, and what the supplier owes without naming a day.
    """
    reach = {_key(policy): today + timedelta(days=policy.review_days + policy.longest_lead_days) for policy in policies}
    pieces: dict[Key, int] = defaultdict(int)
    for due in coming(department, today=today):
        key = due.storeroom_id, due.consumable_id
        in_time = key in reach and due.expected_on <= reach[key] if due.expected_on else not due.back_ordered
        if in_time:
            pieces[key] += due.pieces
    return dict(pieces)
