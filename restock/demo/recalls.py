"""Invented recalls: a drill of last week, answered and signed, and a recall of one lot that waits for answers."""

from __future__ import annotations

from datetime import datetime, timedelta

from inventory import recalls
from inventory.models import Department, Lot

DRILLED = "TT09"  # a line that every room's cart keeps
RECALLED = "FN01"  # held on sealed carts too, and by no list likely to be used tomorrow
DRILL_DAYS_AGO = 7
DRILL_HOUR = timedelta(hours=13)
ONE_ANSWER_TAKES = timedelta(seconds=7)
NOTE = "invented for the demo"


def invent_recalls(department: Department, *, at: datetime, by) -> None:
    """A drill that touched nothing, and a recall that puts the oldest lot of a rarely used line out of reach."""
    drilled = Lot.objects.filter(consumable__department=department, consumable__code=DRILLED).first()
    if drilled:
        _drill(department, drilled, at=at, by=by)
    recalled = Lot.objects.filter(consumable__department=department, consumable__code=RECALLED).first()
    if recalled:
        recall = recalls.open_recall(
            consumable=recalled.consumable,
            notice="Invented notice 2 (demo)",
            recall_class="II",
            lot_numbers=[recalled.number],
            instruction="Put aside and send back. Invented for the demo.",
            by=by,
            at=at,
        )
        first = recalls.report(recall).places[0].recall_place
        recalls.answer(
            recall_place=first, found=first.recorded_pieces, note=NOTE, by=by, at=at, key=f"demo-recall-{first.pk}"
        )


def _drill(department: Department, lot: Lot, *, at: datetime, by) -> None:
    day = department.local_date(at) - timedelta(days=DRILL_DAYS_AGO)
    began = department.local_midnight(day) + DRILL_HOUR
    drill = recalls.open_recall(
        consumable=lot.consumable,
        notice="Drill, invented (demo)",
        lot_numbers=[lot.number],
        drill=True,
        by=by,
        at=began,
    )
    for number, one in enumerate(recalls.report(drill).places, start=1):
        asked = one.recall_place
        recalls.answer(
            recall_place=asked,
            found=max(asked.recorded_pieces, 0),
            by=by,
            at=began + number * ONE_ANSWER_TAKES,
            key=f"demo-drill-{asked.pk}",
        )
    recalls.close(recall=drill, by=by, at=began + timedelta(minutes=10), note=NOTE)
