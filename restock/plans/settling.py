"""What people really picked, wherever they say it: the movements that follow, and what stays missing.

One path for a workbook that came back and for a line saved on a page. The rules of both:

- A pick is open until somebody says what was picked; then that many pieces of its lot move from the storeroom to the
  cart under the key `pick:<number>`, so that the same said twice moves them once.
- What was said stands. Saying it again changes nothing; another number or lot reverses the first movement and writes
  the right one under a key of its own.
- Pieces that were looked for in vain become a shortage of the line, for as long as that is said.
- A storeroom's record cannot fall below zero by a pick. Who stands at the shelf with a page is asked to count there
  first; what a list of the evening says was taken is a fact, so the record is first put right by the pieces it lacked,
  under the key of the movement with ":more" behind it. Where the pick is corrected, that goes back with it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from inventory.ledger import Entry, record, virtual_place
from inventory.models import Holding, Lot, Movement, Place

from ..models import Pick, Plan
from .missing import keep_shortages

MORE = ":more"  # behind the key of a movement: what the storeroom's record was first raised by


@dataclass(frozen=True, slots=True)
class Settled:
    """One pick with the pieces and the lot now known. picked: None opens it again.

    before: pieces said earlier, None if there were none. standing: the movement of those earlier pieces, where it has
    to be known. not_found: pieces of the rest that were looked for in vain.
    """

    pick: Pick
    picked: int | None
    lot: Lot | None
    before: int | None
    standing: Movement | None = None
    not_found: int = 0

    @property
    def is_new(self) -> bool:
        return self.before is None

    @property
    def is_correction(self) -> bool:
        if self.before is None:
            return False
        return self.before != self.picked or (self.standing is not None and self.standing.lot_id != self.lot_id)

    @property
    def moves_stock(self) -> bool:
        """False where only what is missing was said, and the pieces stand as they were."""
        return self.is_new or self.is_correction

    @property
    def lot_id(self) -> int | None:
        return self.lot.pk if self.lot else None


@dataclass(frozen=True, slots=True)
class Overdrawn:
    """Picks that together take `asked` pieces of a lot, of which the storeroom's record holds `most`.

    lacking: for each of the picks the pieces that the record has to be put right by before it can give them.
    """

    together: tuple[Settled, ...]
    asked: int
    most: int
    lacking: tuple[int, ...]

    @property
    def first(self) -> Settled:
        """One of the picks: all have the same storeroom, consumable and lot."""
        return self.together[0]

    @property
    def pieces_lacking(self) -> int:
        return sum(self.lacking)


def locked(picks: QuerySet[Pick]) -> QuerySet[Pick]:
    """The picks as the lock: whoever settles one of them at the same time waits, and then finds it done."""
    return (
        picks.select_related("plan_line__consumable", "plan_line__place", "storeroom", "lot", "bin")
        .select_for_update(of=("self",), no_key=True)
        .order_by("pk")
    )


def said_before(pick: Pick) -> int | None:
    """Pieces that somebody said were picked, None where the pick is open."""
    return pick.picked if pick.confirmed_at else None


def standing_movement(pick: Pick) -> Movement | None:
    """The movement that was written for this pick and still stands; None where no piece moved."""
    written = Movement.objects.not_reversed().filter(_of(pick), kind=Movement.Kind.MOVE)
    return written.select_related("lot").first()


def newer_plan(plan: Plan) -> Plan | None:
    """The newest later plan of the same day. It was made without what is said about this one only now."""
    same_day = Plan.objects.filter(department=plan.department_id, for_date=plan.for_date)
    return same_day.filter(made_at__gt=plan.made_at).order_by("-made_at").first()


def overdrawn(changes: Iterable[Settled]) -> list[Overdrawn]:
    """Balances of storerooms that these changes would bring below zero."""
    moving = [one for one in changes if one.moves_stock]
    given_back = defaultdict(int)
    by_balance = defaultdict(list)
    for one in moving:
        line = (one.pick.storeroom_id, one.pick.plan_line.consumable_id)
        by_balance[*line, one.lot_id].append(one)
        if one.standing:
            given_back[*line, one.standing.lot_id] += one.standing.quantity
    for more in _standing_adjustments(moving):
        given_back[more.destination_id, more.consumable_id, more.lot_id] -= more.quantity
    holdings = Holding.objects.filter(
        place__in={place for place, _, _ in by_balance}, consumable__in={consumable for _, consumable, _ in by_balance}
    )
    held = {(h.place_id, h.consumable_id, h.lot_id): h.quantity for h in holdings}

    found = []
    for balance, together in by_balance.items():
        there = held.get(balance, 0) + given_back[balance]
        asked = sum(one.picked or 0 for one in together)
        if asked > max(there, 0):
            found.append(Overdrawn(tuple(together), asked, max(there, 0), _lacking(together, there)))
    return found


def _lacking(together: Iterable[Settled], there: int) -> tuple[int, ...]:
    """The pieces that a balance of `there` lacks, pick by pick. A record below zero is first brought up to zero."""
    lacking = []
    for one in together:
        lacking.append(max(one.picked - there, 0) if one.picked else 0)
        there = max(there - one.picked, 0) if one.picked else there
    return tuple(lacking)


def write(changes: Sequence[Settled], plan: Plan, *, by, at: datetime, put_right: Iterable[Overdrawn] = ()) -> None:
    """Write what follows from these changes of locked picks: movements, picks and shortages, all or none.

    put_right: balances that `overdrawn` found, whose record is raised by what it lacked. Raises
    inventory.ledger.InsufficientStock where a record holds too little that is not among them, for example because
    somebody else took the last pieces since `overdrawn` looked.
    """
    moving = [one for one in changes if one.moves_stock]
    standing = [*(one.standing for one in moving if one.standing), *_standing_adjustments(moving)]
    moves = _moves([one for one in moving if one.picked], plan, at)
    adjustments = _adjustments(moves, put_right, plan, at)
    record([*(_reversal(movement, at) for movement in standing), *adjustments, *moves.values()], by=by)
    for one in changes:
        pick = one.pick
        pick.picked, pick.not_found = one.picked, one.not_found
        pick.confirmed_at, pick.confirmed_by = (None, None) if one.picked is None else (at, by)
    fields = ["picked", "not_found", "confirmed_at", "confirmed_by"]
    Pick.objects.bulk_update([one.pick for one in changes], fields, batch_size=100)
    keep_shortages(plan, {one.pick.plan_line_id for one in changes})


def _moves(moving: Sequence[Settled], plan: Plan, at: datetime) -> dict[int, Entry]:
    """The movement of each pick by its primary key."""
    first_keys = [_key(one.pick) for one in moving]
    written = Movement.objects.in_bulk(first_keys, field_name="key")
    return {
        one.pick.pk: Entry(
            kind=Movement.Kind.MOVE,
            source=one.pick.storeroom_id,
            destination=one.pick.plan_line.place_id,
            consumable=one.pick.plan_line.consumable_id,
            lot=one.lot_id,
            quantity=one.picked,
            at=at,
            key=_next_key(one.pick) if key in written else key,
            reason=_("pick list %(plan)s") % {"plan": plan.pk},
        )
        for one, key in zip(moving, first_keys, strict=True)
    }


def _adjustments(moves: dict[int, Entry], put_right: Iterable[Overdrawn], plan: Plan, at: datetime) -> list[Entry]:
    """What the storerooms' records have to be raised by, so that they can give what was taken."""
    lacking = [
        (moves[one.pick.pk], pieces)
        for beyond in put_right
        for one, pieces in zip(beyond.together, beyond.lacking, strict=True)
        if pieces
    ]
    if not lacking:
        return []
    variance = virtual_place(plan.department_id, Place.Role.COUNT_VARIANCE)
    return [
        Entry(
            kind=Movement.Kind.ADJUST,
            source=variance,
            destination=move.source,
            consumable=move.consumable,
            lot=move.lot,
            quantity=pieces,
            at=at,
            key=f"{move.key}{MORE}",
            reason=_("pick list %(plan)s: more was taken than was on record") % {"plan": plan.pk},
        )
        for move, pieces in lacking
    ]


def _standing_adjustments(moving: Iterable[Settled]) -> list[Movement]:
    """What the records were raised by for the movements that these changes replace."""
    keys = [f"{one.standing.key}{MORE}" for one in moving if one.standing]
    return list(Movement.objects.not_reversed().filter(key__in=keys)) if keys else []


def _key(pick: Pick) -> str:
    return f"pick:{pick.pk}"


def _of(pick: Pick) -> Q:
    return Q(key=_key(pick)) | Q(key__startswith=f"{_key(pick)}:")


def _next_key(pick: Pick) -> str:
    """The key of a corrected movement. The picks are locked, so nobody else counts at the same time."""
    written = Movement.objects.filter(_of(pick), kind=Movement.Kind.MOVE)
    return f"{_key(pick)}:{written.count() + 1}"


def _reversal(movement: Movement, at: datetime) -> Entry:
    return Entry(
        kind=Movement.Kind.REVERSE,
        source=movement.destination_id,
        destination=movement.source_id,
        consumable=movement.consumable_id,
        lot=movement.lot_id,
        quantity=movement.quantity,
        at=at,
        key=f"{movement.key}:back",
        reason=_("picked quantity corrected"),
        reverses=movement,
    )
