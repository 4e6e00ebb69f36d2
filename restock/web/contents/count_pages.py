"""The pages of counting: rows of a round without a figure of the record before it may be seen, words for reasons."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from inventory.count_rounds import lots_counted, lots_to_read, stage, variance
from inventory.models import CountRound, CountTask, Department, Lot, Place
from restock.sheets.count_sheets import bins_of
from restock.stock_life.counting import Doubtful, Doubts, last_counted

from ..ages import age_words
from ..counted_lots import NOTHING_TYPED, LotField, Typed, TypedLot, lot_fields, lot_words
from ..hubs import hub_swatch

REASONS_SHOWN = 3


@dataclass(frozen=True)
class TaskRow:
    """One line of a round as the page shows it.

    Blind: nothing here tells what is on record until the line is settled; `variance` is None before, and so is `said`,
    the settled figure. opens_place, opens_bin: the first line of its place, of its bin. lots: those to read where the
    line may be counted lot by lot, None for a line that is counted in total.
    """

    task: CountTask
    stage: str
    bin: str
    opens_place: bool
    opens_bin: bool
    why: str
    swatch: SafeString | str
    is_expanded: bool
    lots: list[Lot] | None = None
    typed: Typed = NOTHING_TYPED
    trouble: str = ""

    @property
    def by_lot(self) -> bool:
        """Whether the line's fields ask for each lot."""
        return self.lots is not None and not self.typed.in_total

    @property
    def lot_fields(self) -> tuple[LotField, ...]:
        return lot_fields(self.lots or (), self.typed)

    @property
    def others(self) -> tuple[TypedLot, ...]:
        """Lots that a person added, and room for one more."""
        return (*self.typed.others, TypedLot("", "", ""))

    @property
    def lots_said(self) -> list[str]:
        """What was counted of each lot, once the line is settled."""
        if not self.is_settled:
            return []
        return [
            _("%(lot)s: %(pieces)d, %(differs)s")
            % {"lot": lot_words(one.lot), "pieces": one.counted, "differs": variance_words(one.variance)}
            for one in lots_counted(self.task)
        ]

    @property
    def is_settled(self) -> bool:
        return self.stage == "settled"

    @property
    def said(self) -> int | None:
        """Pieces that were counted, once the line is settled."""
        if not self.is_settled:
            return None
        return self.task.first_counted if self.task.second_counted is None else self.task.second_counted

    @property
    def variance(self) -> int | None:
        return variance(self.task)

    @property
    def differs(self) -> str:
        """The variance in words."""
        return variance_words(self.variance)


def variance_words(difference: int) -> str:
    """What a count found against the record."""
    if not difference:
        return _("as on record")
    if difference < 0:
        return ngettext("%(n)d fewer than on record", "%(n)d fewer than on record", -difference) % {"n": -difference}
    return ngettext("%(n)d more than on record", "%(n)d more than on record", difference) % {"n": difference}


def task_rows(round: CountRound, *, opened: int = 0, typed: Typed = NOTHING_TYPED, trouble: str = "") -> list[TaskRow]:
    """The lines of a round in walking order; that with the key `opened` has its fields open. Ten queries at most."""
    tasks = list(
        round.tasks.select_related("place", "consumable", "count__by", "first_by").prefetch_related("lots__lot")
    )
    bins, lots = bins_of(tasks), lots_to_read(tasks)
    pairs = {(task.place_id, task.consumable_id) for task in tasks}
    counted_at = last_counted(round.department, pairs, before=round.made_at)
    first_open = next((task.pk for task in tasks if stage(task) != "settled"), 0)
    rows: list[TaskRow] = []
    for task in tasks:
        bin = bins.get((task.place_id, task.consumable_id), "")
        before = rows[-1] if rows else None
        opens_place = before is None or before.task.place_id != task.place_id
        is_opened = task.pk == opened
        rows.append(
            TaskRow(
                task=task,
                stage=stage(task),
                bin=bin,
                opens_place=opens_place,
                opens_bin=opens_place or before.bin != bin,
                why=_why(task, counted_at.get((task.place_id, task.consumable_id)), round.made_at),
                swatch=hub_swatch(task.consumable),
                is_expanded=is_opened or (not opened and task.pk == first_open),
                lots=lots.get(task.pk),
                typed=typed if is_opened else NOTHING_TYPED,
                trouble=trouble if is_opened else "",
            )
        )
    return rows


def reasons_of(doubtful: Doubtful) -> str:
    """Why a line is asked for, the strongest reason first, in words."""
    record = doubtful.record
    words = [
        _reason(
            why,
            days_counted=record.days_counted,
            days_moved=record.days_moved,
            likely_off=record.likely_off,
        )
        for why in doubtful.ranked.reasons
    ]
    return "; ".join(dict.fromkeys(words[:REASONS_SHOWN]))


def place_choices(department: Department, found: Doubts) -> list[dict]:
    """Every place that may be counted whole, and how long ago its line that waits longest was counted."""
    places = Place.objects.filter(department=department, sealed=False).physical()
    oldest = found.oldest_count()
    return [
        {"place": place, "oldest": age_words(timedelta(days=oldest[place.pk])) if place.pk in oldest else ""}
        for place in places.order_by("role", "walk_order", "code")
    ]


def _why(task: CountTask, counted_at: datetime | None, made_at: datetime) -> str:
    days = None if counted_at is None else (made_at - counted_at).days
    return _reason(task.why, days_counted=days)


def _reason(
    why: str, *, days_counted: float | None, days_moved: float | None = None, likely_off: float | None = None
) -> str:
    if why == CountTask.Why.AGE:
        if days_counted is None:
            return _("never counted")
        days = int(days_counted)
        return ngettext("not counted for %(n)d day", "not counted for %(n)d days", days) % {"n": days}
    if why == CountTask.Why.NEVER_MOVES and days_moved is not None:
        days = int(days_moved)
        return ngettext("has not moved for %(n)d day", "has not moved for %(n)d days", days) % {"n": days}
    if why == CountTask.Why.DRIFT and likely_off is not None and likely_off >= 1:
        pieces = round(likely_off)
        return ngettext("record may be off by %(n)d piece", "record may be off by %(n)d pieces", pieces) % {"n": pieces}
    return {
        CountTask.Why.BELOW_ZERO: _("recorded below zero"),
        CountTask.Why.FOUND_WRONG: _("its record was found wrong"),
        CountTask.Why.DRIFT: _("moves much since its last count"),
        CountTask.Why.CRITICAL: _("never to be out"),
        CountTask.Why.VALUE: _("worth much"),
        CountTask.Why.NEVER_MOVES: _("never moves"),
        CountTask.Why.ASKED: _("asked for"),
        CountTask.Why.WHOLE_PLACE: "",
    }[CountTask.Why(why)]
