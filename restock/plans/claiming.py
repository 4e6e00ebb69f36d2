"""Taking carts for tonight, so that two people do not fill the same one.

Every step is one conditional write: of two people who tap at the same moment one gets the cart, and the other is told
whose it is. Nobody's work depends on a claim: a line saved on a colleague's cart is a fact and is kept.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db import transaction
from django.db.models import F
from django.db.models.functions import Greatest

from inventory.models import Department, Place

from ..models import Claim, Plan


def take(plan: Plan, place_ids: Iterable[int], *, by, at: datetime) -> tuple[list[Claim], list[Claim]]:
    """Take carts of the plan; return the claims that are now `by`'s own and those that others hold.

    Taking a cart again changes nothing. Places that are no cart of the plan are left out. Where the day was planned
    again meanwhile, the claims are those of the newest plan.
    """
    plan = Plan.objects.filter(department=plan.department_id, for_date=plan.for_date).latest("made_at", "pk")
    carts = Place.objects.carts().filter(pk__in=list(place_ids), plan_lines__plan=plan).distinct()
    wanted = list(carts.order_by("walk_order", "code"))
    Claim.objects.bulk_create([Claim(plan=plan, place=cart, by=by, at=at) for cart in wanted], ignore_conflicts=True)
    claims = claims_of(plan).filter(place__in=wanted).order_by("place__walk_order", "place__code")
    return [claim for claim in claims if claim.by_id == by.pk], [claim for claim in claims if claim.by_id != by.pk]


def give_back(claim_id: int, *, department: Department, by, at: datetime) -> bool:
    """End one's own claim. False where it has ended already or is somebody else's."""
    own = Claim.objects.filter(pk=claim_id, plan__department=department, by=by, ended_at__isnull=True)
    return own.update(ended_at=at) == 1


def is_own(claim_id: int, *, department: Department, by) -> bool:
    """Whether the claim stands and is this person's."""
    return Claim.objects.filter(pk=claim_id, plan__department=department, by=by, ended_at__isnull=True).exists()


@transaction.atomic
def hand_over(claim_id: int, *, department: Department, to, at: datetime) -> Claim | None:
    """End a claim and open one for `to`; None where it has ended meanwhile, and whoever holds the cart keeps it."""
    standing = Claim.objects.filter(pk=claim_id, plan__department=department, ended_at__isnull=True)
    if standing.update(ended_at=at) != 1:
        return None
    ended = Claim.objects.get(pk=claim_id)
    return Claim.objects.create(plan_id=ended.plan_id, place_id=ended.place_id, by=to, at=at)


@transaction.atomic
def carry_over(plan: Plan, *, at: datetime) -> None:
    """Let everybody keep on a new plan the carts that they hold on earlier ones for its day."""
    earlier = Claim.objects.filter(
        plan__department=plan.department_id, plan__for_date=plan.for_date, ended_at__isnull=True
    ).exclude(plan=plan)
    held = {
        claim.place_id: claim.by_id
        for claim in earlier.select_for_update(of=("self",), no_key=True).order_by("plan__made_at", "plan", "pk")
    }
    earlier.update(ended_at=Greatest(F("at"), at))
    Claim.objects.bulk_create(Claim(plan=plan, place_id=place, by_id=by, at=at) for place, by in held.items())


def claims_of(plan: Plan):
    """The claims of a plan that stand."""
    return Claim.objects.filter(plan=plan, ended_at__isnull=True).select_related("by", "place")
