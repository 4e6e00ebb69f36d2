"""Rounds of counting: blind counts, a second one where the first differs much, and then the ledger once.

Whoever counts is not told what is on record. Each figure goes against what the ledger held when the person looked, so
pieces that moved between a first and a second count make no difference to either. The ledger is written at the moment
of the count that settles a line, never later: what is used in between would be lost. Why it differed can be said
afterwards.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import Q, Sum
from django.utils.translation import gettext as _

from . import ledger
from .models import Consumable, Count, CountRound, CountTask, Department, Holding, Movement, Place

Kind, Why, Cause = CountRound.Kind, CountTask.Why, CountTask.Cause


class NotCounted(Exception):
    """Nothing was recorded; the message is for the person who counted."""


@dataclass(frozen=True, slots=True)
class ToCount:
    """A line to count, and why."""

    place_id: int
    consumable_id: int
    why: str


@dataclass(frozen=True, slots=True)
class Recount:
    """When a count is taken a second time: it differs by `pieces`, and by `share` of the greater of both figures."""

    pieces: int
    share: float

    def asked(self, counted: int, expected: int) -> bool:
        """Whether the difference is too great to believe one person's one look."""
        difference = abs(counted - expected)
        # At least one piece, however the two limits are set: what agrees needs no second look.
        return difference >= max(self.pieces, 1) and difference >= self.share * max(counted, expected)


@transaction.atomic
def open_round(
    *,
    department: Department,
    lines: Iterable[ToCount],
    for_date: date,
    by,
    at: datetime,
    place: Place | None = None,
) -> CountRound:
    """The round of that day or of that place, in the order of `lines`; the one that still runs, if there is one.

    Raises NotCounted where there is nothing to count.
    """
    Department.objects.select_for_update().get(pk=department.pk)  # two people who begin at once begin one round
    running = CountRound.objects.filter(department=department, place=place, finished_at=None)
    if place is None:
        running = running.filter(for_date=for_date)
    if found := running.first():
        return found
    lines = list(lines)
    if not lines:
        raise NotCounted(_("There is nothing to count."))
    opened = CountRound.objects.create(
        department=department,
        kind=Kind.WHOLE_PLACE if place else Kind.DAILY,
        place=place,
        for_date=for_date,
        made_at=at,
        made_by=by,
    )
    CountTask.objects.bulk_create(
        CountTask(round=opened, place_id=line.place_id, consumable_id=line.consumable_id, position=number, why=line.why)
        for number, line in enumerate(lines, start=1)
    )
    return opened


@transaction.atomic
def add_line(*, round: CountRound, place: Place, consumable: Consumable) -> CountTask:
    """Put a line that a person came upon on a running round, once. Raises NotCounted on a finished one."""
    if round.finished_at is not None:
        raise NotCounted(_("This count is finished."))
    task, _made = CountTask.objects.get_or_create(
        round=round,
        place=place,
        consumable=consumable,
        defaults={"why": Why.ASKED, "position": round.tasks.count() + 1},
    )
    return task


def stage(task: CountTask) -> str:
    """Where a line stands, as a page says back what it showed: "open", "again" (a second count is asked), "settled"."""
    if task.count_id is not None:
        return "settled"
    return "open" if task.first_counted is None else "again"


@transaction.atomic
def record_count(
    *,
    task_id: int,
    counted: int,
    seen: str,
    recount: Recount,
    by,
    at: datetime,
    seen_at: datetime | None = None,
    elsewhere: int = 0,
) -> CountTask:
    """Record what a person counted of a line, blind.

    seen: the `stage` that the page showed. seen_at: when the person looked, if that was before `at`: what was recorded
    since is added to the figure. elsewhere: pieces on record here that lie in another spot for now, on a trolley say,
    and were not counted.

    The same figure sent twice by one person is recorded once. Two people who count a line at the same time have
    counted it twice: the later figure is the second count, where one is asked for. Raises NotCounted for a finished
    round, for a line that a colleague settled with another figure, and for a second figure of one person who was not
    yet told that a second is asked for.
    """
    task = (
        CountTask.objects.select_for_update(of=("self",))
        .select_related("round", "place", "consumable", "count")
        .get(pk=task_id)
    )
    now = stage(task)
    if task.round.finished_at is not None:
        raise NotCounted(_("This count is finished."))
    if now == "settled":
        said = task.first_counted if task.second_counted is None else task.second_counted
        if said == counted:
            return task
        raise NotCounted(
            _("%(name)s has counted %(pieces)d here meanwhile. If you found another number, count the line again.")
            % {"name": task.count.by.get_username(), "pieces": said}
        )
    if now == "again" and seen == "open" and task.first_by_id == by.pk:
        if task.first_counted == counted:
            return task
        raise NotCounted(_("You have said another number before. Count the line once more and save that."))
    since = _recorded_since(task, seen_at) if seen_at is not None else 0
    on_record = _on_record(task)
    expected = on_record - since - elsewhere
    if now == "open":
        task.first_counted, task.expected = counted, expected
        task.first_at, task.first_by = seen_at or at, by
        settles = not recount.asked(counted, expected)
    else:
        task.second_counted = counted
        settles = True
    if settles:
        task.count = ledger.count(
            place=task.place,
            consumable=task.consumable,
            counted=max(counted + since + elsewhere, 0),
            by=by,
            at=at,
            key=_next_key(task),
        )
    task.save()
    return task


def variance(task: CountTask) -> int | None:
    """Pieces more (negative: fewer) than on record at the count that settled the line, None before it."""
    return None if task.count is None else task.count.counted - task.count.expected


@transaction.atomic
def count_again(*, task_id: int) -> CountTask:
    """Open a settled line anew because somebody doubts it. What was counted stays in the ledger.

    Raises NotCounted on a finished round.
    """
    task = CountTask.objects.select_for_update(of=("self",)).select_related("round").get(pk=task_id)
    if task.round.finished_at is not None:
        raise NotCounted(_("This count is finished."))
    task.first_counted = task.first_at = task.first_by = task.expected = task.second_counted = task.count = None
    task.cause = task.note = ""
    task.save()
    return task


@transaction.atomic
def say_cause(*, task_id: int, cause: str, note: str = "") -> CountTask:
    """Keep why a settled line differed. `note` is about stock only. Raises ValidationError, NotCounted."""
    task = CountTask.objects.select_for_update(of=("self",)).get(pk=task_id)
    if task.count_id is None:
        raise NotCounted(_("Count the line first."))
    task.cause, task.note = cause, note
    task.clean_fields(exclude=[field.name for field in task._meta.fields if field.name not in ("cause", "note")])
    task.save(update_fields=["cause", "note"])
    return task


def finish_round(*, round: CountRound, at: datetime) -> bool:
    """End a round; lines that nobody settled stay as they are. False where it was ended before."""
    return bool(CountRound.objects.filter(pk=round.pk, finished_at=None).update(finished_at=at))


def _next_key(task: CountTask) -> str:
    """One key for each time the line is settled. The task is locked, so nobody else takes the same."""
    key = f"count-task:{task.pk}:"
    return f"{key}{Count.objects.filter(key__startswith=key).count() + 1}"


def _on_record(task: CountTask) -> int:
    held = Holding.objects.filter(place=task.place, consumable=task.consumable)
    return held.aggregate(pieces=Sum("quantity", default=0))["pieces"]


def _recorded_since(task: CountTask, when: datetime) -> int:
    """Pieces that the ledger says came (negative: went) after `when`. What a count adjusted is no piece that moved."""
    moved = Movement.objects.filter(consumable=task.consumable, at__gt=when).exclude(kind=Movement.Kind.ADJUST)
    totals = moved.aggregate(
        came=Sum("quantity", filter=Q(destination=task.place), default=0),
        went=Sum("quantity", filter=Q(source=task.place), default=0),
    )
    return totals["came"] - totals["went"]
