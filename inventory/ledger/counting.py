"""A count: what a person saw at a place, and the adjustment that makes the ledger agree."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from ..models import Consumable, Count, Holding, Movement, Place
from .balances import lock
from .entries import Entry, part_key, record, virtual_place
from .refusals import KeyReused, Refused


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What a person saw of one line at one place.

    pieces: all of them. by_lot: pieces of each lot (its primary key) where the lots were read; what is left of
    `pieces` is without a lot. None where nobody read them.
    """

    place: Place
    consumable: Consumable
    pieces: int
    key: str
    by_lot: Mapping[int, int] | None = None


def count(*, place: Place, consumable: Consumable, counted: int, by, at: datetime, key: str) -> Count:
    """Record that a person counted `counted` pieces of a line at a place, and adjust the balances to it.

    The count is kept even where it changes nothing: it says how old our knowledge is. Afterwards no balance of the
    line there is below zero, and they add up to what was counted.

    Raises Refused for fewer than zero pieces, a virtual place or a line of another department, KeyReused for a known
    key with other content.
    """
    written = count_all([Counted(place=place, consumable=consumable, pieces=counted, key=key)], by=by, at=at)
    return written[0] if written else Count.objects.get(key=key)


@transaction.atomic
def count_all(counted: Iterable[Counted], *, by, at: datetime) -> list[Count]:
    """Record many counts as `count` does, all or none; return those that were not recorded before.

    Each line of a place at most once. The number of queries grows with the number of lines only where the database
    limits what one query may hold. Raises as `count` does.
    """
    counted = list(counted)
    variances = _variances(counted)
    lock(
        (told.consumable.pk, place)
        for told in counted
        for place in (told.place.pk, variances[told.place.department_id].pk)
    )
    known = Count.objects.in_bulk([told.key for told in counted], field_name="key")
    new = [told for told in counted if not _is_known(told, known.get(told.key))]

    held: dict[tuple[int, int], dict[int | None, int]] = defaultdict(dict)
    holdings = Holding.objects.filter(
        place__in={told.place.pk for told in new}, consumable__in={told.consumable.pk for told in new}
    )
    for place, consumable, lot, pieces in holdings.order_by("lot").values_list(
        "place_id", "consumable_id", "lot_id", "quantity"
    ):
        held[place, consumable][lot] = pieces

    entries, counts = [], []
    for told in new:
        variance = variances[told.place.department_id]
        before = held[told.place.pk, told.consumable.pk]
        for number, (lot_id, difference) in enumerate(_differences(before, told), start=1):
            entries.append(
                Entry(
                    kind=Movement.Kind.ADJUST,
                    source=variance if difference > 0 else told.place,
                    destination=told.place if difference > 0 else variance,
                    consumable=told.consumable,
                    lot=lot_id,
                    quantity=abs(difference),
                    at=at,
                    key=part_key(told.key, number),
                    reason="count",
                )
            )
        counts.append(
            Count(
                place=told.place,
                consumable=told.consumable,
                expected=sum(before.values()),
                counted=told.pieces,
                by=by,
                at=at,
                key=told.key,
            )
        )
    record(entries, by=by)
    return Count.objects.bulk_create(counts)


def _variances(counted: list[Counted]) -> dict[int, Place]:
    """The count variance of each department, once every count was found possible."""
    for told in counted:
        if told.pieces < 0 or any(pieces < 0 for pieces in (told.by_lot or {}).values()):
            raise Refused(_("Nobody can count fewer than zero pieces."))
        if told.by_lot and sum(told.by_lot.values()) > told.pieces:
            raise Refused(
                _("More pieces of %(consumable)s were counted by lot than in all.") % {"consumable": told.consumable}
            )
        if told.place.department_id != told.consumable.department_id:
            raise Refused(_("The place and the line belong to different departments."))
        if told.place.is_virtual:
            raise Refused(_("%(place)s cannot be counted: it stands for what is not here.") % {"place": told.place})
    departments = {told.place.department_id for told in counted}
    return {department: virtual_place(department, Place.Role.COUNT_VARIANCE) for department in departments}


def _is_known(told: Counted, earlier: Count | None) -> bool:
    if earlier is None:
        return False
    content = (earlier.place_id, earlier.consumable_id, earlier.counted)
    if content != (told.place.pk, told.consumable.pk, told.pieces):
        raise KeyReused(told.key)
    return True


def _differences(held: dict[int | None, int], told: Counted) -> list[tuple[int | None, int]]:
    """What to add to each lot's balance, so that all agree with what was counted."""
    if told.by_lot is None:
        return differences_by_lot(held, told.pieces)
    settled = dict.fromkeys(held, 0) | {None: told.pieces - sum(told.by_lot.values())} | dict(told.by_lot)
    return [(lot, pieces - held.get(lot, 0)) for lot, pieces in settled.items() if pieces != held.get(lot, 0)]


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
