"""Orders put together from the forecast: what each storeroom line should get, why, and when it may be expected."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime, timedelta

from django.db import transaction

from inventory import orders
from inventory.arrivals import ShortDated
from inventory.models import Consumable, Department, Order, Owner, Place, StockingLine
from inventory.orders import Wanted

from ..advising.order_reasons import cover_of, why_ordered
from ..advising.storerooms import OrderProposal, advise_orders
from ..forecasting.lead_times import quantile_days
from ..learning.lead_times import LIKELY, policies_of
from ..models import OrderPolicy, policy_of
from ..sentences import Sentence


def put_together(department: Department, *, by, at: datetime, today: date) -> list[Order]:
    """Begin an order for every storeroom that should order today, each line with its reason, for a person to change
    and to place. It takes seconds, in which others can write: the orders are begun together, once all are known. The
    pharmacy's lines are the pharmacy's to order. Returns none where none is needed.
    """
    wanted: dict[Place, list[Wanted]] = defaultdict(list)
    for one in advise_orders(department, today=today):
        if one.order_packs and one.consumable.owner != Owner.PHARMACY:
            reason = why(one).to_json()
            wanted[one.place].append(Wanted(one.consumable, one.order_packs, one.pieces_per_pack, reason))
    with transaction.atomic():
        return [
            orders.start_order(storeroom=storeroom, number=orders.next_number(storeroom), lines=lines, by=by, at=at)
            for storeroom, lines in wanted.items()
        ]


@transaction.atomic
def place(order: Order, *, by, at: datetime, today: date, number: str = "") -> Order:
    """Say that an order was sent, and when each of its lines may be expected: by its usual lead time."""
    return orders.place_order(order=order, by=by, at=at, number=number, expected=expected_days(order, today=today))


def expected_days(order: Order, *, today: date) -> dict[int, date]:
    """The day on which each line of an order placed today has come in half of all cases, by consumable."""
    consumables = list(order.lines.values_list("consumable", flat=True))
    kept = {
        line.consumable_id: line
        for line in StockingLine.objects.filter(place=order.storeroom, consumable__in=consumables)
    }
    # A line that the storeroom does not keep is ordered as the defaults say.
    lines = [kept.get(pk) or StockingLine(place=order.storeroom, consumable_id=pk, par=0) for pk in consumables]
    policies = policies_of(lines, order.storeroom.department, today=today)
    return {
        line.consumable_id: today + timedelta(days=policy.usual_lead_days)
        for line, policy in zip(lines, policies, strict=True)
    }


def pieces_per_pack(consumable: Consumable) -> int:
    """The smallest pack of a line that holds more than a piece; one where there is none."""
    return orders.usual_packs([consumable.pk])[consumable.pk]


def short_dated(department: Department) -> ShortDated:
    """When a pack is short-dated on arrival, by the department's policy."""
    policy = policy_of(department)
    return ShortDated(policy.short_dated_days, policy.short_dated_share)


def why(one: OrderProposal) -> Sentence:
    """The reason of a proposal."""
    chances = one.policy.lead_chances()
    low, high = (quantile_days(chances, chance) for chance in LIKELY)
    return why_ordered(
        up_to_level=one.policy.method == OrderPolicy.Method.ORDER_UP_TO,
        usable=one.usable,
        owed=one.owed,
        on_order=one.on_order,
        level=one.level,
        least=one.least,
        service=one.service,
        review_days=one.policy.review_days,
        lead_days=(low, high),
        mean_per_day=one.mean_per_day,
        now=cover_of(one.cover, one.cover_open),
        then=cover_of(one.cover_then, one.cover_then_open),
    )
