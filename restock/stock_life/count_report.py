"""What counts found: where the record and the drawer differed, by line, by place and by cause. Never by person."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal

from inventory.count_rounds import differs, lots_counted, variance
from inventory.models import Consumable, CountRound, CountTask, Department, Place

from ..learning.fits import Captured
from ..models import CaptureRate

WEEKS = 8


@dataclass
class Differed:
    """The settled counts of one line (all places) or one place (all lines); pieces.

    fewer, more: pieces missing and pieces too many, both positive; of each lot where only the lots differ. value: of
    the pieces missing less those too many, None where no price is known.
    """

    what: Consumable | Place
    counts: int = 0
    agreed: int = 0
    fewer: int = 0
    more: int = 0
    value: Decimal | None = None
    causes: Counter = field(default_factory=Counter)

    @property
    def off(self) -> int:
        return self.fewer + self.more

    @property
    def cause_words(self) -> list[tuple[str, int]]:
        labels = dict(CountTask.Cause.choices)
        return [(labels[cause], times) for cause, times in self.causes.most_common() if cause]

    def add(self, task: CountTask) -> None:
        difference, (fewer, more) = variance(task), _pieces_off(task)
        self.counts += 1
        self.agreed += not differs(task)
        self.fewer += fewer
        self.more += more
        if task.consumable.price_per_piece is not None:
            self.value = (self.value or Decimal(0)) - difference * task.consumable.price_per_piece
        if differs(task):
            self.causes[task.cause] += 1


@dataclass(frozen=True)
class Report:
    """The last `weeks` weeks of counts. `lines` and `places` are those that differed, most pieces first."""

    weeks: int
    counts: int
    agreed: int
    lines: tuple[Differed, ...]
    places: tuple[Differed, ...]
    causes: tuple[tuple[str, int, int], ...]


def count_report(department: Department, *, at: datetime, weeks: int = WEEKS) -> Report:
    """What the rounds of the last weeks found: two queries. Causes are (words, counts, pieces)."""
    tasks = CountTask.objects.filter(
        round__department=department, count__at__gt=at - timedelta(weeks=weeks), count__at__lte=at
    )
    tasks = tasks.select_related("count", "consumable", "place").prefetch_related("lots")
    lines: dict[int, Differed] = {}
    places: dict[int, Differed] = {}
    causes: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for task in tasks:
        lines.setdefault(task.consumable_id, Differed(task.consumable)).add(task)
        places.setdefault(task.place_id, Differed(task.place)).add(task)
        if differs(task):
            causes[task.cause][0] += 1
            causes[task.cause][1] += sum(_pieces_off(task))
    labels = dict(CountTask.Cause.choices) | {"": None}
    return Report(
        weeks=weeks,
        counts=sum(one.counts for one in lines.values()),
        agreed=sum(one.agreed for one in lines.values()),
        lines=_most_off_first(lines),
        places=_most_off_first(places),
        causes=tuple(
            (labels[cause], *figures) for cause, figures in sorted(causes.items(), key=lambda item: -item[1][1])
        ),
    )


def logged_shares(
    department: Department, consumables: set[int], *, and_corrected: bool = False
) -> dict[int, CaptureRate]:
    """What counts say of how completely these consumables are logged, as the newest refit found it: one query.

    and_corrected: of every other one too whose forecast is raised for what is not logged.
    """
    rates = CaptureRate.objects.filter(fit__department=department, gone__gt=0).select_related("fit", "consumable")
    return {
        rate.consumable_id: rate
        for rate in rates
        if rate.consumable_id in consumables or (and_corrected and corrects(rate))
    }


def corrects(rate: CaptureRate) -> bool:
    """Whether the forecast is learned with this rate: only where counts leave no doubt that the log is incomplete."""
    return Captured(rate.spans, rate.gone, rate.logged).kappa < 1.0


@dataclass(frozen=True)
class RoundResult:
    """What a round found: settled lines that differ, settled lines that agree, and lines that nobody settled."""

    differ: tuple[CountTask, ...]
    agree: tuple[CountTask, ...]
    wait: tuple[CountTask, ...]


def result_of(round: CountRound) -> RoundResult:
    """Sort the lines of a round; three queries. Lots that differ make a line differ, whatever their total."""
    tasks = list(
        round.tasks.select_related("place", "consumable", "count__by", "first_by").prefetch_related("lots__lot")
    )
    settled = [task for task in tasks if task.count_id is not None]
    return RoundResult(
        differ=tuple(task for task in settled if differs(task)),
        agree=tuple(task for task in settled if not differs(task)),
        wait=tuple(task for task in tasks if task.count_id is None),
    )


def _pieces_off(task: CountTask) -> tuple[int, int]:
    """Pieces missing and pieces too many, by the total or, where the total agrees, by the lots."""
    found = [variance(task) or 0]
    if found == [0]:
        found = [one.variance for one in lots_counted(task)]
    return sum(max(-pieces, 0) for pieces in found), sum(max(pieces, 0) for pieces in found)


def _most_off_first(found: dict[int, Differed]) -> tuple[Differed, ...]:
    return tuple(sorted((one for one in found.values() if one.off), key=lambda one: -one.off))
