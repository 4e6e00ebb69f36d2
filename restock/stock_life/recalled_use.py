"""Recalled pieces that nobody will find any more: what the record says they were used for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from inventory.models import Movement, Recall

from .tracing import trace


@dataclass(frozen=True, slots=True)
class UsedBefore:
    """Pieces of recalled lots used for one slot, or in one room and day. in_bundle: they were part of a made-up bundle.

    A slot, never a person: who lay in it is the hospital's own record to answer.
    """

    day: date | None
    room: str | None
    case_order: int | None
    case_type: str | None
    lot_number: str
    line: str
    pieces: int
    in_bundle: bool


def used_before(recall: Recall) -> list[UsedBefore]:
    """Every use of the recalled lots on record, newest first: two queries. Pieces without a lot cannot be told."""
    lots = [named.lot for named in recall.lots.select_related("lot")]
    named = {lot.pk for lot in lots}
    steps = [step for step in trace(*lots) if step.kind == Movement.Kind.USE and step.stands]
    return [
        UsedBefore(
            day=step.case_day,
            room=step.room,
            case_order=step.case_order,
            case_type=step.case_type,
            lot_number=step.lot_number,
            line=step.line,
            pieces=step.pieces,
            in_bundle=step.lot_id not in named,
        )
        for step in reversed(steps)
    ]
