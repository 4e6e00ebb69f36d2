"""All that could be moved tonight, put together for one day's plan."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

from inventory.models import Department, Place
from restock.learning.forecast import Frame
from restock.models import OrderPolicy
from restock.plans.planning import Draft, draft_plan

from .ahead import line_demand, look_ahead
from .dates import Dates, advise_dates, places_demand, short_dated
from .moves import Walk, back_to_storeroom, between_carts
from .past import believed, policy_of


@dataclass(frozen=True)
class MovesAdvice:
    """draft: tonight's plan that the advice stands beside. wait_days: how long a piece on a cart is looked at.

    expiry_days: how far ahead dates are looked at.
    """

    draft: Draft
    wait_days: int
    expiry_days: int
    between_carts: tuple[Walk, ...]
    back_to_storeroom: tuple[Walk, ...]
    dates: Dates


def advise_moves(department: Department, day: date) -> MovesAdvice:
    """What to move on the evening before `day`, from the stored tallies and balances."""
    policy, orders = policy_of(department), OrderPolicy()
    today = day - timedelta(days=1)
    wait_days = orders.review_days + orders.longest_lead_days  # a delivery ordered at the next review is there by then
    draft = draft_plan(department, day, policy=policy)
    frame, tallies = draft.forecast.frame, draft.forecast.known.tallies
    ahead = look_ahead(department, today=today, days=max(wait_days, policy.expiry_warning_days))
    beliefs = believed(draft.forecast, ahead.kinds)
    stores = Place.objects.filter(department=department).storerooms().order_by("walk_order", "code")

    held = short_dated(department, on=day, within_days=policy.expiry_warning_days)
    dated = {one.consumable.pk for one in held}
    few = Frame(tuple(line for line in frame.lines if line.consumable_id in dated), frame.routes, frame.setups)
    about_few = beliefs.about(few)

    @cache
    def on_lines(after_days: int, days: int):
        return line_demand(about_few, ahead, tallies, after_days, days)

    return MovesAdvice(
        draft=draft,
        wait_days=wait_days,
        expiry_days=policy.expiry_warning_days,
        between_carts=tuple(between_carts(draft, policy)),
        back_to_storeroom=tuple(
            back_to_storeroom(
                draft, policy, line_demand(beliefs, ahead, tallies, 0, wait_days), {store.pk: store for store in stores}
            )
        ),
        dates=advise_dates(held, places_demand(few, held, on_lines), policy, today=today),
    )
