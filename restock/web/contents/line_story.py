"""One plan line with everything that explains it: demand, lots, cases, movements."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db.models import Q
from django.utils.translation import gettext as _

from inventory.models import Holding, Lot, Movement, Place
from restock.cases.routes import routes
from restock.models import Case, PlanLine, Policy

from ..charts import days_of_hundred
from ..levels import share_covered
from .cart_contents import listed_cases

MOVEMENTS_SHOWN = 20
LEAST_CHANCE = 0.0005  # quantities less likely than this would read 0.0 %


@dataclass(frozen=True)
class Figure:
    """A quantity that means something, and how many of 100 such days it is enough for."""

    name: str
    pieces: int
    enough_days: str


@dataclass(frozen=True)
class Chance:
    """One quantity of the day's demand: its probability in percent and how many days of 100 it covers."""

    pieces: int
    percent: float
    enough_days: str


@dataclass(frozen=True)
class HeldLot:
    """Pieces of one lot at one place, with a word on whether they may be used on the plan's day."""

    place: Place
    lot: Lot | None
    pieces: int
    may_be_used: bool
    remark: str


@dataclass(frozen=True)
class Step:
    """A movement seen from the cart: `change` is negative where pieces left."""

    movement: Movement
    change: int
    other: Place | None


def figures(line: PlanLine) -> list[Figure]:
    """The quantities that the plan weighed, smallest first."""
    named = [
        (_("likely, from"), line.q50),
        (_("likely, up to"), line.q_service),
        (_("on hand"), line.usable),
        (_("par"), line.par),
        (_("target"), line.target),
    ]
    if line.allocated:
        named.append((_("after the round"), line.usable + line.allocated))
    if line.floor:
        named.append((_("floor"), line.floor))
    named.sort(key=lambda pair: pair[1])
    return [Figure(name, pieces, days_of_hundred(share_covered(line.pmf, pieces))) for name, pieces in named]


def chances(line: PlanLine) -> list[Chance]:
    """The whole distribution, without quantities that hardly occur."""
    return [
        Chance(pieces, 100 * probability, days_of_hundred(share_covered(line.pmf, pieces)))
        for pieces, probability in enumerate(line.pmf)
        if probability >= LEAST_CHANCE
    ]


def lots_held(line: PlanLine, policy: Policy) -> list[HeldLot]:
    """What the cart and the storerooms hold of it now, the cart first, then lots in the order of expiry."""
    day = line.plan.for_date
    held = Holding.objects.filter(
        Q(place=line.place_id) | Q(place__department=line.plan.department_id, place__role=Place.Role.STOREROOM),
        consumable=line.consumable_id,
    ).exclude(quantity=0)
    usable = set(held.usable(on=day).values_list("pk", flat=True))
    expiring = set(held.expiring(on=day, within_days=policy.expiry_warning_days).values_list("pk", flat=True))
    rows = sorted(held.select_related("place", "lot"), key=lambda h: _lot_order(h, line.place_id))
    return [
        HeldLot(h.place, h.lot, h.quantity, h.pk in usable, _lot_remark(h, h.pk in usable, h.pk in expiring))
        for h in rows
    ]


def cases_behind(line: PlanLine) -> list[Case]:
    """The day's listed cases whose room reaches to this cart for this line."""
    department = line.plan.department
    where = routes(department)
    rooms = {room for room in where.by_room if where.cart_id(room, line.consumable_id) == line.place_id}
    return listed_cases(department, line.plan.for_date, rooms)


def recent_steps(line: PlanLine) -> list[Step]:
    """The cart's latest movements of it, newest first."""
    movements = (
        Movement.objects.filter(Q(source=line.place_id) | Q(destination=line.place_id), consumable=line.consumable_id)
        .select_related("source", "destination", "lot")
        .order_by("-at", "-pk")[:MOVEMENTS_SHOWN]
    )
    steps = []
    for movement in movements:
        left = movement.source_id == line.place_id
        other = movement.destination if left else movement.source
        change = -movement.quantity if left else movement.quantity
        steps.append(Step(movement, change, None if other.is_virtual else other))
    return steps


def _lot_order(holding: Holding, cart_id: int):
    expires_on = holding.lot.expires_on if holding.lot else None
    place = holding.place
    return (place.pk != cart_id, place.walk_order, place.code, expires_on or date.max)


def _lot_remark(holding: Holding, usable: bool, expiring: bool) -> str:
    if holding.quantity < 0:
        return _("record below zero: please count")
    if not usable:
        # Pieces without a lot have no date to end: they are out of reach because their whole line is recalled.
        aside = holding.lot is None or holding.lot.quarantined_at
        return _("set aside: do not use") if aside else _("out of date by then: do not use")
    return _("use first") if expiring else ""
