"""A count: what a person saw at a place, and the adjustment that makes the ledger agree."""

from datetime import datetime

from django.db import transaction

from ..models import Consumable, Count, Holding, Movement, Place
from .balances import lock
from .entries import Entry, record, virtual_place
from .events import part_key
from .refusals import KeyReused, Refused


@transaction.atomic
def count(*, place: Place, consumable: Consumable, counted: int, by, at: datetime, key: str) -> Count:
    """Record that a person counted `counted` pieces of a line at a place, and adjust the balances to it.

    The count is kept even where it changes nothing: it says how old our knowledge is. Afterwards no balance of the
    line there is below zero, and they add up to what was counted.

    Raises Refused for fewer than zero pieces or a virtual place, KeyReused for a known key with other content.
    """
    if counted < 0:
        raise Refused("Nobody can count fewer than zero pieces.")
    if place.is_virtual:
        raise Refused(f"{place} cannot be counted: it stands for what is not here.")
    variance = virtual_place(place.department_id, Place.Role.COUNT_VARIANCE)
    lock([(consumable.pk, place.pk), (consumable.pk, variance.pk)])

    earlier = Count.objects.filter(key=key).first()
    if earlier is not None:
        if (earlier.place_id, earlier.consumable_id, earlier.counted) != (place.pk, consumable.pk, counted):
            raise KeyReused(key)
        return earlier

    held = {h.lot_id: h.quantity for h in Holding.objects.filter(place=place, consumable=consumable).order_by("lot")}
    record(
        (
            Entry(
                kind=Movement.Kind.ADJUST,
                source=variance if difference > 0 else place,
                destination=place if difference > 0 else variance,
                consumable=consumable,
                lot=lot_id,
                quantity=abs(difference),
                at=at,
                key=part_key(key, number),
                reason="count",
            )
            for number, (lot_id, difference) in enumerate(differences_by_lot(held, counted), start=1)
        ),
        by=by,
    )
    return Count.objects.create(
        place=place, consumable=consumable, expected=sum(held.values()), counted=counted, by=by, at=at, key=key
    )


def differences_by_lot(held: dict[int | None, int], counted: int) -> list[tuple[int | None, int]]:
    """What to add to each lot's balance so that none is below zero and all add up to `counted`.

    `held` maps each lot, first expiring first (None: pieces without a lot), to its recorded pieces. A person who
    counts does not read lots. Pieces too many are pieces without a lot. Pieces too few are missed first from those
    without a lot, then from the lots that expire last: what expires first stays on the list of what to look for.
    """
    settled = {None: 0} | {lot: max(pieces, 0) for lot, pieces in held.items()}
    surplus = counted - sum(settled.values())
    if surplus > 0:
        settled[None] += surplus
    else:
        missing = -surplus
        for lot in [None, *(lot for lot in reversed(settled) if lot is not None)]:
            gone = min(settled[lot], missing)
            settled[lot] -= gone
            missing -= gone
    return [(lot, pieces - held.get(lot, 0)) for lot, pieces in settled.items() if pieces != held.get(lot, 0)]
