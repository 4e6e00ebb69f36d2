"""What is known of a recall: place by place, and in sum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Prefetch

from ..models import Recall, RecallAnswer, RecallPlace, StockingLine


@dataclass(frozen=True, slots=True)
class PlaceReport:
    """One place with its answer that counts, None while there is none. corrections: answers that it replaced."""

    recall_place: RecallPlace
    answer: RecallAnswer | None
    corrections: int
    late: bool

    @property
    def difference(self) -> int | None:
        """Pieces found beyond those recorded when the recall was opened; None while nobody has answered."""
        return None if self.answer is None else self.answer.found - self.recall_place.recorded_pieces


@dataclass(frozen=True, slots=True)
class Report:
    """A recall in figures, pieces and places. nil: places that answered that they found none.

    Times run from the first answer of the first place to that of the last, and from the opening to the last.
    """

    recall: Recall
    places: Sequence[PlaceReport]
    answered: int
    nil: int
    recorded: int
    found: int
    returned: int
    destroyed: int
    quarantined: int
    first_answer_at: datetime | None
    last_answer_at: datetime | None

    @property
    def waiting(self) -> int:
        return len(self.places) - self.answered

    @property
    def answering_took(self) -> timedelta | None:
        return self.last_answer_at - self.first_answer_at if self.first_answer_at else None

    @property
    def took(self) -> timedelta | None:
        return self.last_answer_at - self.recall.opened_at if self.last_answer_at else None


def report(recall: Recall) -> Report:
    """Every place of a recall in walking order with what it answered: three queries, however many places there are."""
    answers = Prefetch("answers", RecallAnswer.objects.select_related("by"))
    asked = recall.places.select_related("place__room").prefetch_related(answers)
    places, firsts = [], []
    for place in asked.order_by("place__walk_order", "place__code"):
        told = list(place.answers.all())
        firsts += [told[0].at] if told else []
        late = bool(told) and recall.closed_at is not None and told[-1].at > recall.closed_at
        places.append(PlaceReport(place, told[-1] if told else None, max(len(told) - 1, 0), late))
    counted = [one.answer for one in places if one.answer]
    return Report(
        recall=recall,
        places=places,
        answered=len(counted),
        nil=sum(one.found == 0 for one in counted),
        recorded=sum(one.recall_place.recorded_pieces for one in places),
        found=sum(one.found for one in counted),
        returned=sum(one.returned for one in counted),
        destroyed=sum(one.destroyed for one in counted),
        quarantined=sum(one.quarantined for one in counted),
        first_answer_at=min(firsts, default=None),
        last_answer_at=max(firsts, default=None),
    )


def bins_of(recall: Recall) -> dict[int, str]:
    """Where each place keeps the line: the code of its bin, by the primary key of the place."""
    kept = StockingLine.objects.filter(consumable=recall.consumable_id, bin__isnull=False)
    return dict(kept.values_list("place_id", "bin__code"))
