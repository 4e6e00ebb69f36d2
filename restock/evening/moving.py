"""Moves beside the pick list: recorded when somebody says that pieces were carried, taken back where that was wrong.

Every move has a `key`: the same key again is the same move. Pages that propose one give it the same key, so that what
is told on two of them is recorded once. A swap is two movements of the ledger, short-dated pieces there and
longer-dated ones back.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime
from hashlib import sha256
from uuid import UUID

from django.db import transaction
from django.db.models import F, Sum
from django.utils.translation import gettext as _

from inventory import ledger
from inventory.models import Consumable, Department, Holding, Lot, Movement, Place

from ..cases.fetching import pieces_carried

PREFIX, BACK = "done:", ":back"
MOVED, SWAPPED = "moved to where it does more good", "swapped for pieces that last longer"


class NotMoved(ValueError):
    """Nothing was written; the message says to a person why."""


@dataclass
class Done:
    """One move as the ledger has it. pieces: those that went; a swap brought as many back."""

    key: str
    source: Place
    destination: Place
    consumable: Consumable
    by: object
    at: datetime
    pieces: int = 0
    lots: list[Lot] = field(default_factory=list)
    is_swap: bool = False


@transaction.atomic
def record_move(
    *,
    source: Place,
    destination: Place,
    consumable: Consumable,
    pieces: int,
    on: date,
    by,
    at: datetime,
    key: str,
    lot: Lot | None = None,
    swap: bool = False,
) -> Done:
    """Record that pieces were carried: of `lot`, or else of those that expire first and may be used on
    the day `on`. A swap brings as many back.

    Raises NotMoved where a storeroom's record holds fewer, and for a known key with other content. A cart's record may
    fall below zero: what was carried is a fact. A swap needs as many on record at both places, carts too, before
    either half of it: the pieces that arrive are not those that go back.
    """
    told = {"consumable": consumable, "quantity": pieces, "on": on, "at": at, "reason": SWAPPED if swap else MOVED}
    try:
        if not ledger.movements_of(PREFIX + key):
            carried = pieces_carried(source=source, destination=destination, key=PREFIX + key, lot=lot, **told)
            if swap:
                _refuse_to_swap_more_than_held(source, consumable, pieces, on=on, lot=lot)
                _refuse_to_swap_more_than_held(destination, consumable, pieces, on=on)
                back = {"source": destination, "destination": source, "key": PREFIX + key + BACK}
                carried += pieces_carried(**back, longest_first=True, **told)
            ledger.record(carried, by=by)
    except ledger.Refused as problem:
        raise NotMoved(str(problem)) from problem
    if Movement.objects.filter(reverses__in=_of(key)).exists():
        raise NotMoved(_("This move was taken back. Open the page again to record another."))
    [done] = _read(Movement.objects.filter(pk__in=[movement.pk for movement in _of(key)]))
    if (done.source, done.destination, done.consumable, done.pieces) != (source, destination, consumable, pieces):
        raise NotMoved(_("This was recorded before with other figures. Open the page again."))
    return done


@transaction.atomic
def take_back(*, department: Department, key: str, by, at: datetime) -> None:
    """Reverse every movement of a move. The same again changes nothing. Raises NotMoved for a key that is none."""
    movements = [movement for movement in _of(key) if movement.source.department_id == department.pk]
    if not movements:
        raise NotMoved(_("No such move is on record."))
    for movement in movements:
        ledger.reverse(movement=movement, by=by, at=at, key=f"back:{movement.pk}", reason="the move was taken back")


def moves_since(department: Department, since: datetime) -> list[Done]:
    """Moves recorded from that instant on that stand, newest first: two queries."""
    recorded = Movement.objects.filter(
        at__gte=since, kind=Movement.Kind.MOVE, key__startswith=PREFIX, source__department=department
    )
    return _read(recorded.not_reversed())[::-1]


def told_since(department: Department, since: datetime) -> Counter[tuple[int, int, int]]:
    """How many moves were told of for each (source, destination, consumable), those taken back included: one query."""
    told = Movement.objects.filter(
        at__gte=since, kind=Movement.Kind.MOVE, key__startswith=PREFIX, source__department=department
    )
    firsts = told.exclude(key__contains="#").exclude(key__endswith=BACK).order_by()
    return Counter(firsts.values_list("source", "destination", "consumable"))


def proposal_key(source: int, destination: int, consumable: int, *, swap: bool, day: date, told_before: int) -> str:
    """The key of a proposed move (primary keys): the same wherever it is proposed that day, until it is told of.

    It has the form of a random one (RFC 9562, version 4), as the keys that forms bring.
    """
    told = f"{source}:{destination}:{consumable}:{swap}:{day}:{told_before}"
    return str(UUID(bytes=sha256(told.encode()).digest()[:16], version=4))


def lots_to_take(pairs: list[tuple[int, int]], *, on: date) -> dict[tuple[int, int], list[Holding]]:
    """Dated pieces that may be taken at each (place, consumable), those that expire first in front: one query."""
    found: dict[tuple[int, int], list[Holding]] = defaultdict(list)
    held = Holding.objects.usable(on=on).filter(
        place__in={place for place, _ in pairs},
        consumable__in={consumable for _, consumable in pairs},
        quantity__gt=0,
        lot__isnull=False,
    )
    wanted = set(pairs)
    for one in held.select_related("lot").order_by(F("lot__expires_on").asc(nulls_last=True), "lot__number"):
        if (one.place_id, one.consumable_id) in wanted:
            found[one.place_id, one.consumable_id].append(one)
    return dict(found)


def _refuse_to_swap_more_than_held(
    place: Place, consumable: Consumable, pieces: int, *, on: date, lot: Lot | None = None
) -> None:
    held = Holding.objects.filter(place=place, consumable=consumable).usable(on=on)
    if lot is not None:
        held = held.filter(lot=lot)
    most = max(held.aggregate(pieces=Sum("quantity", default=0))["pieces"], 0)
    if pieces > most:
        raise NotMoved(
            _("The record of %(place)s holds %(most)d that may be used. If there are more, correct the count first.")
            % {"place": place, "most": most}
        )


def _of(key: str) -> list[Movement]:
    return [*ledger.movements_of(PREFIX + key), *ledger.movements_of(PREFIX + key + BACK)]


def _read(movements) -> list[Done]:
    """Movements put together as moves, oldest first."""
    found: dict[str, Done] = {}
    for movement in movements.select_related("source", "destination", "consumable", "lot", "by").order_by("pk"):
        stem = movement.key.partition("#")[0].removeprefix(PREFIX)
        key = stem.removesuffix(BACK)
        if key not in found:
            found[key] = Done(key, movement.source, movement.destination, movement.consumable, movement.by, movement.at)
        if stem != key:
            found[key].is_swap = True
            continue
        found[key].pieces += movement.quantity
        found[key].lots += [movement.lot] if movement.lot else []
    return list(found.values())
