"""Lines saved one by one from a page, while a colleague saves others.

Whoever saves says what stood there when they looked (`seen`). Where a colleague has said something else meanwhile,
nothing is written and the colleague's word is shown; saving again then replaces it knowingly. The same said twice is
written once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from django.db import transaction
from django.utils.translation import gettext_lazy as _

from inventory.ledger import InsufficientStock
from inventory.models import Department, Lot

from ..models import Filling, Pick, Plan, PlanLine
from ..plans.filling import spread
from ..plans.settling import Settled, locked, newer_plan, overdrawn, said_before, standing_movement, write


class Why(Enum):
    """Why a line was not saved."""

    SAID_MEANWHILE = _("a colleague has said something else")
    NEWER_PLAN = _("a newer plan was made without these pieces")
    BEYOND_STOCK = _("the storeroom's record holds fewer")
    UNKNOWN_LOT = _("the lot is none of this line")


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why one pick was not saved. most: pieces of the lot that the storeroom's record holds."""

    pick: Pick
    why: Why
    most: int | None = None


class NotSaved(Exception):
    """Nothing was written. `refusals` say why, pick by pick; `newer` is the plan that stands in the way."""

    def __init__(self, *refusals: Refusal, newer: Plan | None = None) -> None:
        self.refusals = refusals
        self.newer = newer
        super().__init__("; ".join(f"{refusal.pick}: {refusal.why.value}" for refusal in refusals))


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a person says about one pick.

    picked: pieces, None opens it again. seen: the pieces that stood there when they looked, None where it was open.
    lot_id: another lot than stands there, None for the same. rest_not_found: what is missing was looked for.
    """

    pick_id: int
    picked: int | None
    seen: int | None = None
    lot_id: int | None = None
    rest_not_found: bool = False


@transaction.atomic
def save_picks(
    said: Iterable[Said], *, department: Department, by, at: datetime, superseded: bool = False
) -> tuple[Pick, ...]:
    """Write what a person says about some picks of one plan: all or none; return those picks.

    superseded: a newer plan for the day is no obstacle. Raises NotSaved, and Pick.DoesNotExist where a pick is none of
    the department's or of another plan than the first.
    """
    said = list(said)
    touched = PlanLine.objects.filter(picks__in=[one.pick_id for one in said], plan__department=department)
    # All picks of a line are the lock, because they share one shortage.
    picks = {pick.pk: pick for pick in locked(Pick.objects.filter(plan_line__in=touched))}
    plans = {pick.plan_line.plan_id for pick in picks.values()}
    if len(plans) != 1 or any(one.pick_id not in picks for one in said):
        raise Pick.DoesNotExist("A pick of another department, of another plan, or of none.")
    changes = list(filter(None, (_change(picks[one.pick_id], one) for one in said)))
    _write(changes, Plan.objects.get(pk=plans.pop()), by=by, at=at, superseded=superseded)
    return tuple(picks[one.pick_id] for one in said)


@transaction.atomic
def put_in(
    line_id: int,
    *,
    department: Department,
    pieces: int | None,
    seen: int | None,
    by,
    at: datetime,
    superseded: bool = False,
) -> PlanLine:
    """Say that so many pieces of a line lie in their drawer; None takes that back and leaves the picks as they are.

    Open picks are settled with it, and picks of which fewer or more went in are corrected: what did not fit is back in
    the storeroom. Where a newer plan asks for what is open, only what was picked is put in. seen: pieces that stood
    there when the person looked, None where nothing did.

    Raises NotSaved, and PlanLine.DoesNotExist for a line of another department or without a pick.
    """
    line = PlanLine.objects.select_related("plan").get(pk=line_id, plan__department=department)
    picks = sorted(locked(Pick.objects.filter(plan_line=line)), key=lambda pick: pick.confirmed_at is None)
    if not picks:
        raise PlanLine.DoesNotExist("Nothing is picked for this line.")
    if picks[0].confirmed_at and newer_plan(line.plan):
        picks = [pick for pick in picks if pick.confirmed_at]
    filling = Filling.objects.filter(plan_line=line).first()
    stands = filling and filling.pieces
    if stands == pieces:
        return line
    if stands != seen:
        raise NotSaved(Refusal(picks[0], Why.SAID_MEANWHILE))
    if pieces is None:
        filling.delete()
        return line
    told = zip(picks, spread(pieces, picks), strict=True)
    changes = [_told_at_the_cart(pick, here) for pick, here in told if here != said_before(pick)]
    _write(changes, line.plan, by=by, at=at, superseded=superseded)
    Filling.objects.update_or_create(plan_line=line, defaults={"pieces": pieces, "by": by, "at": at})
    return line


def _change(pick: Pick, said: Said) -> Settled | None:
    """What saying this changes, or None where it stands so already. Raises NotSaved."""
    before = said_before(pick)
    standing = standing_movement(pick) if before else None
    lot = standing.lot if standing else pick.lot
    if said.lot_id is not None and said.picked:
        lot = Lot.objects.filter(pk=said.lot_id, consumable=pick.plan_line.consumable_id).first()
        if lot is None:
            raise NotSaved(Refusal(pick, Why.UNKNOWN_LOT))
    missing = max(pick.quantity - said.picked, 0) if said.rest_not_found and said.picked is not None else 0
    same_lot = standing is None or standing.lot_id == (lot and lot.pk)
    if before == said.picked and same_lot and pick.not_found == missing:
        return None
    if before != said.seen:
        raise NotSaved(Refusal(pick, Why.SAID_MEANWHILE))
    return Settled(pick, said.picked, lot, before, standing, missing)


def _told_at_the_cart(pick: Pick, pieces: int) -> Settled:
    before = said_before(pick)
    standing = standing_movement(pick) if before else None
    not_found = min(pick.not_found, max(pick.quantity - pieces, 0))
    return Settled(pick, pieces, standing.lot if standing else pick.lot, before, standing, not_found)


def _write(changes: Sequence[Settled], plan: Plan, *, by, at: datetime, superseded: bool) -> None:
    if not changes:
        return
    if not superseded and (newer := newer_plan(plan)):
        raise NotSaved(*(Refusal(one.pick, Why.NEWER_PLAN) for one in changes), newer=newer)
    beyond = [
        Refusal(one.pick, Why.BEYOND_STOCK, many.most)
        for many in overdrawn(changes)
        for one in many.together
        if one.picked
    ]
    if beyond:
        raise NotSaved(*beyond)
    try:
        write(changes, plan, by=by, at=at)
    except InsufficientStock as refusal:
        # Somebody else took the last ones between our look and our turn (PostgreSQL only).
        most = max(refusal.held_pieces, 0)
        raise NotSaved(*(Refusal(one.pick, Why.BEYOND_STOCK, most) for one in changes)) from None
