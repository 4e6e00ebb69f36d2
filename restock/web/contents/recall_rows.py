"""Rows of a sweep as the page shows them: the place, why it is asked, what it answered, and the form for it."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from inventory.models import Holding, Recall, RecallAnswer
from inventory.recalls import PlaceReport, Report, bins_of, bundles_with

from ..forms.recalls import AnswerForm


@dataclass(frozen=True)
class SweepRow:
    """One place. bins: where it keeps the line. bundles: made-up bundles there that may hold it, with their pieces.

    scanning: its packs are being scanned; said: what the last scan said.
    """

    told: PlaceReport
    bins: str
    bundles: tuple[tuple[str, int], ...]
    form: AnswerForm
    key: uuid.UUID
    refused: bool = False
    scanning: bool = False
    said: str = ""

    @property
    def place(self):
        return self.told.recall_place.place

    @property
    def answer(self) -> RecallAnswer | None:
        return self.told.answer


def sweep_rows(found: Report, refused: Mapping[int, AnswerForm] | None = None) -> list[SweepRow]:
    """A row for each place, in walking order; four queries at most. refused: forms that were sent and cannot stand."""
    refused = refused or {}
    recall = found.recall
    bins = bins_of(recall)
    bundles = _bundles_at(recall)
    return [
        SweepRow(
            told=told,
            bins=bins.get(told.recall_place.place_id, ""),
            bundles=tuple(bundles[told.recall_place.place_id].items()),
            form=refused.get(told.recall_place.pk) or _form(told),
            key=uuid.uuid4(),
            refused=told.recall_place.pk in refused,
        )
        for told in found.places
    ]


def _form(told: PlaceReport) -> AnswerForm:
    initial = {"key": uuid.uuid4(), "recall_place": told.recall_place.pk}
    if told.answer:
        initial |= {name: getattr(told.answer, name) for name in ("found", "returned", "destroyed")}
    return AnswerForm(initial=initial, auto_id=f"%s-{told.recall_place.pk}")


def _bundles_at(recall: Recall) -> dict[int, dict[str, int]]:
    at: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    if bundles := bundles_with(recall.consumable):
        held = Holding.objects.filter(consumable__in=bundles, quantity__gt=0).select_related("consumable")
        for one in held:
            at[one.place_id][one.consumable.label] += one.quantity
    return at
