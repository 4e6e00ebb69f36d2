"""Put on record what came from a supplier: one click for everything that nothing stands against.

Every lot of a line becomes one receipt: the ledger's movement, and the order line that it answers. Undo reverses the
movement and puts the packs back on the list.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from uuid import uuid4

from django.db import transaction

from . import ledger
from .arrivals import Arrival, ShortDated, arrivals
from .ledger import Entry, virtual_place
from .models import ArrivedPack, Lot, Movement, Order, Place, Receipt

Remark = Receipt.Remark
State = ArrivedPack.State


@dataclass(frozen=True)
class Recorded:
    """What one click did: the receipts written, in the list's order, and what stays on the list and why."""

    receipts: tuple[Receipt, ...]
    left: tuple[Arrival, ...]

    @property
    def packs(self) -> int:
        return sum(len(receipt.movement.arrived_packs.all()) for receipt in self.receipts)

    @property
    def pieces(self) -> int:
        return sum(receipt.movement.quantity for receipt in self.receipts)


@transaction.atomic
def receive_all(
    *, storeroom: Place, order: Order | None, by, at: datetime, today: date, short_dated: ShortDated
) -> Recorded:
    """Receive every waiting pack that nothing stands against; the others stay on the list.

    Said twice it receives once: what is on record is no longer waiting.
    """
    # Held until the end, so that two people who press at once do not receive the same packs twice.
    list(
        ArrivedPack.objects.select_for_update(no_key=True).filter(storeroom=storeroom, order=order, state=State.WAITING)
    )
    waiting = arrivals(storeroom, order, today=today, short_dated=short_dated)
    taken = [one for one in waiting if not one.against]
    if not taken:
        return Recorded((), tuple(waiting))
    lots = _lots(taken)
    supplier = virtual_place(storeroom.department_id, Place.Role.SUPPLIER)
    movements = ledger.record(
        [
            Entry(
                kind=Movement.Kind.RECEIVE,
                source=supplier,
                destination=storeroom,
                consumable=one.consumable,
                lot=lots.get((one.consumable.pk, one.lot_number)),
                quantity=one.pieces,
                at=at,
                # Twice the same packs cannot happen here: only what waits is received, under a lock.
                key=f"arrived:{uuid4()}",
            )
            for one in taken
        ],
        by=by,
    )
    receipts = Receipt.objects.bulk_create(
        Receipt(
            movement=movement,
            order=order,
            order_line=one.standing.line if one.standing else None,
            remark=_remark(one, order),
        )
        for one, movement in zip(taken, movements, strict=True)
    )
    for one, movement in zip(taken, movements, strict=True):
        ids = [pack.pk for pack in one.packs]
        ArrivedPack.objects.filter(pk__in=ids).update(
            state=State.RECORDED, movement=movement, consumable=one.consumable
        )
    return Recorded(tuple(receipts), tuple(one for one in waiting if one.against))


@transaction.atomic
def take_back(*, receipt: Receipt, by, at: datetime, reason: str = "received in error") -> Movement:
    """Undo a receipt: reverse its movement, and put its packs back on the waiting list.

    Said twice it is undone once. Pieces that have been carried away meanwhile are not refused: the balance falls below
    zero there and asks for a count.
    """
    movement = receipt.movement
    reversal = ledger.reverse(movement=movement, by=by, at=at, key=f"{movement.key[:70]}:back", reason=reason)
    ArrivedPack.objects.filter(movement=movement).update(state=State.WAITING, movement=None)
    return reversal


def _remark(one: Arrival, order: Order | None) -> str:
    """What to remember about a receipt: how it answers the order, and whether its pieces are short-dated."""
    if order is not None and one.standing is None:
        return Remark.SHORT_DATED_NOT_ORDERED if one.short_dated else Remark.NOT_ORDERED
    if one.over:
        return Remark.SHORT_DATED_MORE if one.short_dated else Remark.MORE
    return Remark.SHORT_DATED if one.short_dated else Remark.AS_ORDERED


def _lots(taken: Iterable[Arrival]) -> dict[tuple[int, str], Lot]:
    """The lots by line and number, made where they are new; a last day that nobody knew yet is filled in."""
    lots: dict[tuple[int, str], Lot] = {}
    for one in taken:
        if not one.lot_number:
            continue
        lot, _ = Lot.objects.get_or_create(
            consumable=one.consumable, number=one.lot_number, defaults={"expires_on": one.expires_on}
        )
        if lot.expires_on is None and one.expires_on is not None:
            lot.expires_on = one.expires_on
            lot.save(update_fields=["expires_on"])
        lots[one.consumable.pk, one.lot_number] = lot
    return lots
