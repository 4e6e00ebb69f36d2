"""Opening a recall: the notice becomes lots out of reach and a list of places that have to answer."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from .. import ledger
from ..holds import settle
from ..lot_ranges import lies_between
from ..models import Consumable, Holding, Lot, Movement, Place, Recall, RecallLot, RecallPlace
from ..scanning import holds_a_person, words
from .lots import is_named, recall_of
from .places import suspects

# Stands for pieces whose lot nobody read, while every lot of their line is recalled: the ledger can then hold them.
LOT_NOT_READ = "lot not read"


@transaction.atomic
def open_recall(
    *,
    consumable: Consumable,
    notice: str,
    by,
    at: datetime,
    lot_numbers: Iterable[str] = (),
    lot_from: str = "",
    lot_to: str = "",
    all_lots: bool = False,
    barcode: str = "",
    recall_class: str = "",
    instruction: str = "",
    drill: bool = False,
) -> Recall:
    """Open a recall of the lots named, of all on record in a range, or of the whole line.

    `lot_numbers` are those that a person named or ticked, a range's own lots included or not: both count. A number that
    is not on record yet becomes a lot out of reach, so that a pack of it is held when it comes; a lot of the range that
    comes later is held by `hold_if_recalled`. Every other lot stays in use.

    Raises Refused where no lot is named, for a code about a person, or where a drill names a lot that is not on record;
    NotComparable for a range that says nothing; ValidationError for a field that cannot stand.
    """
    numbers = list(dict.fromkeys(number.strip() for number in lot_numbers if number.strip()))
    if any(map(holds_a_person, (*numbers, lot_from, lot_to))):
        raise ledger.Refused(_(words.PERSON))
    if lot_from or lot_to:
        lies_between(lot_from, lot_from, lot_to)
    elif not (numbers or all_lots):
        raise ledger.Refused(_("Name the lots, give a range, or recall the whole line."))
    recall = Recall(
        department_id=consumable.department_id,
        consumable=consumable,
        notice=notice.strip(),
        recall_class=recall_class,
        all_lots=all_lots,
        lot_from=lot_from.strip(),
        lot_to=lot_to.strip(),
        barcode=barcode.strip(),
        drill=drill,
        instruction=instruction.strip(),
        opened_at=at,
        opened_by=by,
    )
    recall.full_clean()
    recall.save()
    lots = _lots_meant(recall, numbers)
    _name_lots(recall, lots, at=at)
    found = suspects(consumable, lots, all_lots=all_lots)
    RecallPlace.objects.bulk_create(
        RecallPlace(recall=recall, place=one.place, why=one.why, recorded_pieces=one.recorded_pieces) for one in found
    )
    if all_lots and not drill:
        _hold_pieces_of_no_lot(recall, by=by, at=at)
    return recall


@transaction.atomic
def hold_if_recalled(lot: Lot, *, place: Place, at: datetime) -> Recall | None:
    """Put a lot that has just come in out of reach where a recall means it, and have its place answer.

    For who receives, in the same transaction. Returns the recall, or None where the lot may be used. A recall that was
    closed holds the lot as well; its places stay as they were signed for.
    """
    recall = recall_of(lot.consumable, lot.number)
    if recall is None:
        return None
    _name_lots(recall, [lot], at=at)
    if recall.closed_at is None:
        RecallPlace.objects.get_or_create(recall=recall, place=place, defaults={"why": RecallPlace.Why.RECORDED})
    return recall


@transaction.atomic
def name_place(*, recall: Recall, place: Place) -> RecallPlace:
    """Have a place answer that nothing on record pointed to.

    Raises Refused for a closed recall, and for a place that keeps no pieces or is another department's.
    """
    if recall.closed_at is not None:
        raise ledger.Refused(_("This recall is closed: open another one for what turned up since."))
    if place.is_virtual or place.department_id != recall.department_id:
        raise ledger.Refused(_("Name a cart or a storeroom of this department."))
    return RecallPlace.objects.get_or_create(recall=recall, place=place, defaults={"why": RecallPlace.Why.NAMED})[0]


def _lots_meant(recall: Recall, numbers: list[str]) -> list[Lot]:
    lots = list(recall.consumable.lots.all())
    known = {lot.number for lot in lots}
    unknown = [number for number in numbers if number not in known]
    if unknown and recall.drill:
        raise ledger.Refused(
            _("No lot %(number)s is on record: a drill searches for lots that are.") % {"number": unknown[0]}
        )
    meant = [lot for lot in lots if lot.number in numbers or is_named(recall, lot.number)]
    return meant + [Lot.objects.create(consumable=recall.consumable, number=number) for number in unknown]


def _name_lots(recall: Recall, lots: Iterable[Lot], *, at: datetime) -> None:
    """Make lots part of a recall and, unless it is a drill, put them out of reach.

    A lot that was out of reach for no reason on record stays so when the recall lets its lots go.
    """
    for lot in lots:
        own = not recall.drill and (lot.quarantined_at is None or lot.holds.exists() or lot.recalls.exists())
        RecallLot.objects.get_or_create(recall=recall, lot=lot, defaults={"quarantined": own})
        if own:
            settle(lot, at=at)


def _hold_pieces_of_no_lot(recall: Recall, *, by, at: datetime) -> None:
    """Give pieces without a lot one that is out of reach, place by place."""
    consumable = recall.consumable
    held = Holding.objects.filter(consumable=consumable, lot=None, quantity__gt=0)
    held = held.filter(place__role__in=[Place.Role.CART, Place.Role.STOREROOM]).order_by("place")
    balances = list(held.values_list("place_id", "quantity"))
    if not balances:
        return
    lot, _made = Lot.objects.get_or_create(consumable=consumable, number=LOT_NOT_READ)
    variance = ledger.virtual_place(recall.department_id, Place.Role.COUNT_VARIANCE)
    told = {"kind": Movement.Kind.ADJUST, "consumable": consumable, "at": at, "reason": "recall of every lot"}
    entries = []
    for number, (place, pieces) in enumerate(balances):
        key = f"recall-{recall.pk}-{number}"
        told["quantity"] = pieces
        entries.append(ledger.Entry(source=place, destination=variance, key=f"{key}-out", **told))
        entries.append(ledger.Entry(source=variance, destination=place, lot=lot, key=f"{key}-in", **told))
    ledger.record(entries, by=by)
    _name_lots(recall, [lot], at=at)
