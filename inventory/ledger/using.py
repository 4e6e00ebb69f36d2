"""Use: pieces that left for a patient's care, taken from the lots that a careful hand would have taken."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from ..fefo import LotOnHand, choose_lots
from ..in_parts import in_parts
from ..models import Consumable, Holding, Movement, Place
from .balances import lock
from .entries import Entry, part_key, record, virtual_place
from .refusals import KeyReused, Refused


@dataclass(frozen=True, slots=True, kw_only=True)
class Used:
    """Pieces of one line taken from one place for one patient's care: `quantity` used, `opened_unused` besides."""

    place: Place
    consumable: Consumable
    quantity: int
    at: datetime
    key: str
    opened_unused: int = 0

    @property
    def pieces(self) -> int:
        return self.quantity + self.opened_unused


@transaction.atomic
def use_all(uses: Iterable[Used], *, by) -> dict[str, Movement]:
    """Record many uses as `events.use` does without a lot, all or none; the first movement of each, by its key.

    Lots are chosen in the order given, so pass the uses in the order in which they happened. A key that is known with
    the same content is skipped, and its first movement is among those returned.

    Raises KeyReused, and Refused for a use of nothing.
    """
    uses = list(uses)
    for one in uses:
        if one.quantity < 0 or one.opened_unused < 0 or one.pieces == 0:
            raise Refused(_("A use takes at least one piece, used or opened unused."))
    used = {pk: virtual_place(pk, Place.Role.USED) for pk in {one.place.department_id for one in uses}}
    lock((one.consumable.pk, place) for one in uses for place in (one.place.pk, used[one.place.department_id].pk))
    earlier = _earlier(uses)
    new = [one for one in uses if one.key not in earlier]
    lots = _lots(new)

    entries = []
    for one in new:
        unused_left = one.opened_unused
        parts = _take(lots[one.place.pk, one.consumable.pk], one)
        for number, (lot_id, part) in enumerate(parts, start=1):
            unused_here = min(unused_left, part)
            unused_left -= unused_here
            entries.append(
                Entry(
                    kind=Movement.Kind.USE,
                    source=one.place,
                    destination=used[one.place.department_id],
                    consumable=one.consumable,
                    lot=lot_id,
                    quantity=part,
                    opened_unused=unused_here,
                    at=one.at,
                    key=part_key(one.key, number),
                )
            )
    keys = {one.key for one in new}
    return earlier | {movement.key: movement for movement in record(entries, by=by) if movement.key in keys}


def _earlier(uses: Sequence[Used]) -> dict[str, Movement]:
    """First movements of the uses that the ledger knows already."""
    by_key = {one.key: one for one in uses}
    events = events_of(by_key)
    for key, event in events.items():
        first, one = event[0], by_key[key]
        told = (first.kind, first.source_id, first.consumable_id)
        pieces = (sum(m.quantity for m in event), sum(m.opened_unused for m in event))
        if told != (Movement.Kind.USE, one.place.pk, one.consumable.pk) or pieces != (one.pieces, one.opened_unused):
            raise KeyReused(key)
    return {key: event[0] for key, event in events.items()}


def _lots(uses: Sequence[Used]) -> Mapping[tuple[int, int], list[LotOnHand]]:
    """Lots with pieces, first expiring first, for each (place, consumable) of primary keys."""
    held = (
        Holding.objects.filter(
            place__in={one.place.pk for one in uses},
            consumable__in={one.consumable.pk for one in uses},
            lot__isnull=False,
            quantity__gt=0,
        )
        .select_related("lot")
        .order_by("lot")
    )
    lots = defaultdict(list)
    for h in held:
        usable = h.lot.quarantined_at is None
        lots[h.place_id, h.consumable_id].append(LotOnHand(h.lot_id, h.lot.expires_on, h.quantity, usable))
    return lots


def _take(lots: list[LotOnHand], one: Used) -> list[tuple[int | None, int]]:
    """(lot or None, pieces) that this use takes; `lots` holds afterwards what is left."""
    if not lots:
        return [(None, one.pieces)]
    choice = choose_lots(lots, needed_pieces=one.pieces, on=one.place.department.local_date(one.at))
    taken = dict(choice.taken)
    lots[:] = [lot._replace(pieces=lot.pieces - taken.get(lot.key, 0)) for lot in lots]
    return [*choice.taken, *([(None, choice.short_pieces)] if choice.short_pieces else [])]


def movements_of(key: str) -> list[Movement]:
    """Every movement of the event with this key, the first one first; empty where the ledger knows no such event."""
    return events_of([key]).get(key, [])


def events_of(keys: Iterable[str]) -> dict[str, list[Movement]]:
    """As `movements_of` for many keys, by the key of each event that the ledger knows."""
    first = Movement.objects.in_bulk(list(keys), field_name="key")
    events = {key: [movement] for key, movement in first.items()}
    # One event, one instant: the index on `at` finds its other parts, which a prefix of the key would not on SQLite.
    for instants in in_parts(sorted({movement.at for movement in first.values()})):
        for part in Movement.objects.filter(at__in=instants, key__contains="#").order_by("pk"):
            of_event, _mark, _number = part.key.rpartition("#")
            if of_event in events:
                events[of_event].append(part)
    return events
