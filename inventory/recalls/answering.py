"""What a place answers to a recall, and what the answer does to its stock."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from .. import ledger
from ..ledger.balances import lock
from ..models import Holding, Lot, Movement, Place, RecallAnswer, RecallPlace

Kind = Movement.Kind
_REASON_LENGTH = Movement._meta.get_field("reason").max_length


@transaction.atomic
def answer(
    *,
    recall_place: RecallPlace,
    found: int,
    by,
    at: datetime,
    key: str,
    returned: int = 0,
    destroyed: int = 0,
    note: str = "",
) -> RecallAnswer:
    """Record what somebody found of the recalled lots at a place, none included, and what became of it.

    Pieces neither returned to the supplier nor destroyed stay put aside there. The record is made to agree with what
    was found: pieces too many are first those that were recorded there without a lot, pieces too few are missing.

    A further answer of the same place is a correction: what the one before it did to the stock is reversed first. An
    answer that comes after the closing signature is kept as well, and the report says so. In a drill nothing moves.

    Raises Refused for a withdrawn recall or figures that cannot be, ValidationError for a note that may name a person,
    KeyReused for a known key with other content.
    """
    place = RecallPlace.objects.select_for_update(of=("self",), no_key=True).select_related(
        "recall__consumable", "place"
    )
    place = place.get(pk=recall_place.pk)
    recall = place.recall
    earlier = RecallAnswer.objects.filter(key=key).first()
    if earlier is not None:
        same = (earlier.recall_place_id, earlier.found, earlier.returned, earlier.destroyed)
        if same != (place.pk, found, returned, destroyed):
            raise ledger.KeyReused(key)
        return earlier
    if min(found, returned, destroyed) < 0 or returned + destroyed > found:
        raise ledger.Refused(_("Returned and destroyed together cannot be more than what was found."))
    if recall.withdrawn:
        raise ledger.Refused(_("This recall was withdrawn: its lots are in use again."))

    written = RecallAnswer(
        recall_place=place,
        found=found,
        returned=returned,
        destroyed=destroyed,
        quarantined=found - returned - destroyed,
        note=note.strip(),
        by=by,
        at=at,
        key=key,
    )
    written.full_clean()
    before = place.answers.last()
    written.save()
    if not recall.drill:
        if before is not None:
            _take_back(before, key=key, by=by, at=at)
        ledger.record(_movements(place, written), by=by)
    return written


def shifts_to(held: Mapping[int | None, int], lots: Iterable[int], found: int, *, surplus_to: int) -> dict:
    """What to add to each balance of a place, so that those of the recalled lots add up to `found`.

    held: pieces of every lot of the line there, None for those without one. lots: the recalled ones, those that expire
    first before the others. Pieces too few are missed from the lots that expire last, as in a count. Pieces too many
    were recorded without a lot as far as there are such pieces, and are of the lot `surplus_to`.
    """
    lots = list(lots)
    settled = {lot: max(held.get(lot, 0), 0) for lot in lots}
    surplus = found - sum(settled.values())
    shifts: dict[int | None, int] = {}
    if surplus > 0:
        settled[surplus_to] += surplus
        unlabelled = min(surplus, max(held.get(None, 0), 0))
        if unlabelled:
            shifts[None] = -unlabelled
    missing = max(-surplus, 0)
    for lot in reversed(lots):
        gone = min(settled[lot], missing)
        settled[lot] -= gone
        missing -= gone
    return shifts | {lot: pieces - held.get(lot, 0) for lot, pieces in settled.items() if pieces != held.get(lot, 0)}


def _movements(place: RecallPlace, told: RecallAnswer) -> list[ledger.Entry]:
    """The answer as movements: the record made right, then what went back and what was destroyed, lot by lot."""
    recall = place.recall
    lots = list(Lot.objects.filter(recalls__recall=recall).values_list("pk", flat=True))
    roles = Place.Role.SUPPLIER, Place.Role.DISCARDED, Place.Role.COUNT_VARIANCE
    supplier, discarded, variance = (ledger.virtual_place(recall.department_id, role) for role in roles)
    lock((recall.consumable_id, one.pk) for one in (place.place, supplier, discarded, variance))
    balances = Holding.objects.filter(place=place.place_id, consumable=recall.consumable_id)
    held = dict(balances.values_list("lot", "quantity"))
    if recall.all_lots:
        # Whatever is there is recalled, lots that turned up since and pieces of none included.
        lots += [lot for lot in held if lot is not None and lot not in lots]
    if not lots:
        return []
    shifts = shifts_to(held, lots, told.found, surplus_to=_likeliest(place, lots))
    left = {lot: held.get(lot, 0) + shifts.get(lot, 0) for lot in lots}
    moves = []
    for lot, pieces in shifts.items():
        source, destination = (variance, place.place) if pieces > 0 else (place.place, variance)
        moves.append((Kind.ADJUST, source, destination, lot, abs(pieces)))
    gone = (Kind.RETURN, supplier, told.returned), (Kind.DISCARD, discarded, told.destroyed)
    for kind, destination, pieces in gone:
        for lot in lots:
            part = min(left[lot], pieces)
            if part > 0:
                moves.append((kind, place.place, destination, lot, part))
                left[lot] -= part
                pieces -= part
    return [
        ledger.Entry(
            kind=kind,
            source=source,
            destination=destination,
            consumable=recall.consumable_id,
            lot=lot,
            quantity=pieces,
            at=told.at,
            key=ledger.part_key(told.key, number),
            reason=f"recall {recall.notice}"[:_REASON_LENGTH],
        )
        for number, (kind, source, destination, lot, pieces) in enumerate(moves, start=1)
    ]


def _likeliest(place: RecallPlace, lots: list[int]) -> int:
    """The recalled lot that pieces of no recorded lot are taken to be of: the last one brought there, or the first."""
    brought = Movement.objects.filter(destination=place.place_id, lot__in=lots).not_reversed().order_by("-at", "-pk")
    return brought.values_list("lot", flat=True).first() or lots[0]


def _take_back(told: RecallAnswer, *, key: str, by, at: datetime) -> None:
    for number, movement in enumerate(ledger.movements_of(told.key), start=1):
        if not Movement.objects.filter(reverses=movement).exists():
            ledger.reverse(
                movement=movement, by=by, at=at, key=f"{key}/back{number}", reason="the recall's answer was corrected"
            )
