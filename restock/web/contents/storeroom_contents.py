"""One storeroom as a person stands before it: its lines shelf by shelf, lot by lot, and how long they last."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import F, Max, Sum
from django.utils.safestring import SafeString

from inventory.models import Bin, Consumable, Count, Holding, Lot, Place, StockingLine, bin_order
from restock.models import Pick, Plan, StoreroomCover

from ..ages import counted_words, counts_words
from ..hubs import hub_swatch
from .shortage_facts import cover_words


@dataclass(frozen=True)
class HeldLot:
    """Pieces of one lot, None for those without. may_be_used: as HoldingQuerySet.usable says of the day."""

    lot: Lot | None
    pieces: int
    may_be_used: bool


@dataclass(frozen=True)
class StoreroomLine:
    """One line that the storeroom keeps or holds. par is None where it only holds it.

    tonight: pieces that open picks take. cover: how long it lasts, in words, empty where nobody worked it out.
    """

    consumable: Consumable
    bin: Bin | None
    par: int | None
    lots: tuple[HeldLot, ...]
    tonight: int
    cover: str
    counted: str

    @property
    def on_hand(self) -> int:
        return sum(held.pieces for held in self.lots)

    @property
    def unusable(self) -> int:
        return sum(held.pieces for held in self.lots if not held.may_be_used and held.pieces > 0)

    @property
    def swatch(self) -> SafeString | str:
        return hub_swatch(self.consumable)


@dataclass(frozen=True)
class StoreroomContents:
    """lines: in the order in which a foot passes the shelves. counted: how old the counts are."""

    lines: tuple[StoreroomLine, ...]
    counted: str


def storeroom_contents(storeroom: Place, plan: Plan | None, *, day: date, now: datetime) -> StoreroomContents:
    """Read the storeroom for `day`: six queries, whatever the number of lines."""
    kept = {line.consumable_id: line for line in StockingLine.objects.filter(place=storeroom).select_related("bin")}
    lots = defaultdict(list)
    holdings = Holding.objects.filter(place=storeroom).exclude(quantity=0).marked_usable(on=day).select_related("lot")
    for held in holdings.order_by(F("lot__expires_on").asc(nulls_last=True), "lot__number", "pk"):
        lots[held.consumable_id].append(HeldLot(held.lot, held.quantity, held.is_usable))
    counts = Count.objects.filter(place=storeroom).order_by().values_list("consumable").annotate(Max("at"))
    counted_at = dict(counts)
    tonight = {}
    if plan is not None:
        waiting = Pick.objects.filter(plan_line__plan=plan, storeroom=storeroom, confirmed_at__isnull=True)
        tonight = dict(waiting.order_by().values_list("plan_line__consumable").annotate(Sum("quantity")))
    covers = {cover.consumable_id: cover for cover in StoreroomCover.objects.filter(place=storeroom)}
    lines = []
    for consumable in Consumable.objects.filter(pk__in=kept.keys() | lots.keys()):
        pk = consumable.pk
        stocking, cover = kept.get(pk), covers.get(pk)
        lines.append(
            StoreroomLine(
                consumable=consumable,
                bin=stocking and stocking.bin,
                par=stocking.par if stocking else None,
                lots=tuple(lots[pk]),
                tonight=tonight.get(pk, 0),
                cover=cover_words(cover.low, cover.high, cover.open_ended) if cover else "",
                counted=counted_words(counted_at.get(pk), now),
            )
        )
    lines.sort(key=_shelf_order)
    return StoreroomContents(tuple(lines), counts_words([counted_at.get(line.consumable.pk) for line in lines], now))


def _shelf_order(line: StoreroomLine):
    return (*bin_order(line.bin), line.consumable.code)
