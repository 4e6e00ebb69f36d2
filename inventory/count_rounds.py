"""Rounds of counting: blind counts, a second one where the first differs much, and then the ledger once.

Whoever counts is not told what is on record. Each figure goes against what the ledger held when the person looked, so
pieces that moved between a first and a second count make no difference to either. The ledger is written at the moment
of the count that settles a line, never later: what is used in between would be lost. Why it differed can be said
afterwards.

A line of a storeroom that is kept by lot may be counted lot by lot. Which lots are on record there is shown, so that
nobody has to write them down; how many of each is not.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import Prefetch
from django.utils.translation import gettext as _

from . import ledger
from .in_parts import in_parts
from .models import (
    Consumable,
    Count,
    CountedLot,
    CountRound,
    CountTask,
    Department,
    Holding,
    Lot,
    Movement,
    Place,
    StockingLine,
)

Kind, Why, Cause, Look = CountRound.Kind, CountTask.Why, CountTask.Cause, CountedLot.Look

_SETTLED = "count-task:"  # and the line's key begin the keys of the counts that settled it

# Pieces by the primary key of their lot, None: without a lot.
ByLot = Mapping[int | None, int]


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
    # Two people who begin at once begin one round.
    Department.objects.select_for_update(no_key=True).get(pk=department.pk)
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
def add_line(*, round: CountRound, place: Place, consumable: Consumable, why: Why = Why.ASKED) -> CountTask:
    """Put a line that asks for a count on a running round, once. Raises NotCounted on a finished one."""
    if round.finished_at is not None:
        raise NotCounted(_("This count is finished."))
    task, _made = CountTask.objects.get_or_create(
        round=round,
        place=place,
        consumable=consumable,
        defaults={"why": why, "position": round.tasks.count() + 1},
    )
    return task


def stage(task: CountTask) -> str:
    """Where a line stands, as a page says back what it showed: "open", "again" (a second count is asked), "settled"."""
    if task.count_id is not None:
        return "settled"
    return "open" if task.first_counted is None else "again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a person says of a line after a blind look at it.

    counted: all pieces, or those of each lot where the lots were read; of a lot that is not named none was found. seen:
    the `stage` that the page showed. seen_at: when the person looked, if that was before it was told: what was recorded
    since is added to the figure. elsewhere: pieces on record here that lie in another spot for now, on a trolley say,
    and were not counted; they are of no lot that anybody read.
    """

    task_id: int
    counted: int | ByLot
    seen: str
    seen_at: datetime | None = None
    elsewhere: int = 0

    @property
    def by_lot(self) -> Counter | None:
        return None if isinstance(self.counted, int) else Counter(self.counted)

    @property
    def total(self) -> int:
        return self.counted if isinstance(self.counted, int) else sum(self.counted.values())


def record_count(
    *,
    task_id: int,
    counted: int | ByLot,
    seen: str,
    recount: Recount,
    by,
    at: datetime,
    seen_at: datetime | None = None,
    elsewhere: int = 0,
) -> CountTask:
    """Record what a person counted of a line, blind; the figures are those of `Told`.

    Lot by lot a second count is asked for also where one lot differs too much, whatever the total.

    The same figure sent twice by one person is recorded once. Two people who count a line at the same time have
    counted it twice: the later figure is the second count, where one is asked for. Raises NotCounted for a finished
    round, for a line that a colleague settled with another figure, and for a second figure of one person who was not
    yet told that a second is asked for.
    """
    told = Told(task_id=task_id, counted=counted, seen=seen, seen_at=seen_at, elsewhere=elsewhere)
    [done] = record_counts([told], recount=recount, by=by, at=at)
    if isinstance(done, NotCounted):
        raise done
    return done


@transaction.atomic
def record_counts(all_told: Iterable[Told], *, recount: Recount, by, at: datetime) -> list[CountTask | NotCounted]:
    """Record many lines as `record_count` does, each at most once: in their order the line, or why it was not recorded.

    The number of queries grows with the lines only where the database limits what one query may hold.
    """
    all_told = list(all_told)
    tasks = _locked([told.task_id for told in all_told])
    on_record, since = _on_record(tasks.values()), _recorded_since(all_told, tasks)
    done: list[CountTask | NotCounted] = []
    looked, lots, settled = [], [], []
    for told in all_told:
        task = tasks[told.task_id]
        try:
            if _was_said_before(task, told, by=by):
                done.append(task)
                continue
        except NotCounted as refused:
            done.append(refused)
            continue
        done.append(task)
        looked.append(task)
        moved = since[task.pk]
        expected = Counter(on_record[task.pk])
        expected.subtract(moved)
        expected[None] -= told.elsewhere
        first = stage(task) == "open"
        if first:
            task.first_counted, task.expected = told.total, expected.total()
            task.first_at, task.first_by = told.seen_at or at, by
        else:
            task.second_counted = told.total
        if told.by_lot is not None:
            lots += _counted_lots(task, told.by_lot, expected, Look.FIRST if first else Look.SECOND)
        if not first or not _asked_again(recount, told.total, told.by_lot, expected):
            moved[None] += told.elsewhere
            settled.append((task, told, moved))
    CountedLot.objects.bulk_create(lots)
    keys = _next_keys([task for task, _told, _moved in settled])
    counted = [_settled(task, told, moved, keys[task.pk]) for task, told, moved in settled]
    for (task, _told, _moved), count in zip(settled, ledger.count_all(counted, by=by, at=at), strict=True):
        task.count = count
    CountTask.objects.bulk_update(looked, _LOOKED)
    return done


def variance(task: CountTask) -> int | None:
    """Pieces more (negative: fewer) than on record at the count that settled the line, None before it."""
    return None if task.count is None else task.count.counted - task.count.expected


def lots_counted(task: CountTask) -> list[CountedLot]:
    """What was counted of each lot at the last look at the line; empty where it was counted in total."""
    return _of_last_look(task, task.lots.all())


def _of_last_look(task: CountTask, lots: Iterable[CountedLot]) -> list[CountedLot]:
    look = Look.FIRST if task.second_counted is None else Look.SECOND
    return [one for one in lots if one.look == look]


def differs(task: CountTask) -> bool:
    """Whether the count that settled a line found other pieces than were on record, or the same of other lots."""
    return bool(variance(task)) or any(one.variance for one in lots_counted(task))


def lots_to_read(tasks: Iterable[CountTask]) -> dict[int, list[Lot]]:
    """For each line that is counted lot by lot, by the task's primary key, the lots to look for: three queries.

    These are the lines of storerooms that are kept by lot; other lines are counted in total and left out. Lots are
    those on record there, and those that the first look found; how many pieces of each is not said.
    """
    tasks = [task for task in tasks if task.place.role == Place.Role.STOREROOM]
    here = {"place__in": {task.place_id for task in tasks}, "consumable__in": {task.consumable_id for task in tasks}}
    by_lot = set(
        StockingLine.objects.filter(**here, tracking=StockingLine.Tracking.LOT).values_list("place", "consumable")
    )
    held: dict[tuple[int, int], set[int]] = defaultdict(set)
    for place, consumable, lot in (
        Holding.objects.filter(**here, lot__isnull=False).exclude(quantity=0).values_list("place", "consumable", "lot")
    ):
        held[place, consumable].add(lot)
    found = CountedLot.objects.filter(task__in=tasks, lot__isnull=False)
    for place, consumable, lot in found.values_list("task__place", "task__consumable", "lot"):
        held[place, consumable].add(lot)
    lots = list(Lot.objects.filter(pk__in={pk for some in held.values() for pk in some}))
    return {
        task.pk: [lot for lot in lots if lot.pk in held[task.place_id, task.consumable_id]]
        for task in tasks
        if (task.place_id, task.consumable_id) in by_lot
    }


@transaction.atomic
def count_again(*, task_id: int) -> CountTask:
    """Open a settled line anew because somebody doubts it. What was counted stays in the ledger.

    Raises NotCounted on a finished round.
    """
    task = CountTask.objects.select_for_update(of=("self",), no_key=True).select_related("round").get(pk=task_id)
    if task.round.finished_at is not None:
        raise NotCounted(_("This count is finished."))
    task.first_counted = task.first_at = task.first_by = task.expected = task.second_counted = task.count = None
    task.cause = task.note = ""
    task.save()
    task.lots.all().delete()
    return task


@transaction.atomic
def say_cause(*, task_id: int, cause: str, note: str = "") -> CountTask:
    """Keep why a settled line differed. `note` is about stock only. Raises ValidationError, NotCounted."""
    task = CountTask.objects.select_for_update(of=("self",), no_key=True).get(pk=task_id)
    if task.count_id is None:
        raise NotCounted(_("Count the line first."))
    task.cause, task.note = cause, note
    task.clean_fields(exclude=[field.name for field in task._meta.fields if field.name not in ("cause", "note")])
    task.save(update_fields=["cause", "note"])
    return task


def finish_round(*, round: CountRound, at: datetime) -> bool:
    """End a round; lines that nobody settled stay as they are. False where it was ended before."""
    return bool(CountRound.objects.filter(pk=round.pk, finished_at=None).update(finished_at=at))


_LOOKED = ["first_counted", "first_at", "first_by", "expected", "second_counted", "count"]


def _locked(task_ids: Sequence[int]) -> dict[int, CountTask]:
    tasks = CountTask.objects.select_for_update(of=("self",), no_key=True).order_by("pk")
    tasks = tasks.select_related("round", "place", "consumable", "count__by")
    tasks = tasks.prefetch_related(Prefetch("lots", to_attr="lots_before"))
    return {task.pk: task for some in in_parts(sorted(task_ids)) for task in tasks.filter(pk__in=some)}


def _next_keys(tasks: Sequence[CountTask]) -> dict[int, str]:
    """One key for each time a line is settled. The tasks are locked, so nobody else takes the same."""
    times: Counter[str] = Counter()
    here = {"place__in": {task.place_id for task in tasks}, "consumable__in": {task.consumable_id for task in tasks}}
    for key in Count.objects.filter(**here, key__startswith=_SETTLED).order_by().values_list("key", flat=True):
        times[key.removeprefix(_SETTLED).partition(":")[0]] += 1
    return {task.pk: f"{_SETTLED}{task.pk}:{times[str(task.pk)] + 1}" for task in tasks}


def _said(task: CountTask) -> tuple[int | None, Counter | None]:
    """The last figure that was said of a line, and by lot where it was counted so."""
    lots = _of_last_look(task, task.lots_before)
    total = task.first_counted if task.second_counted is None else task.second_counted
    return total, Counter({one.lot_id: one.counted for one in lots}) if lots else None


def _was_said_before(task: CountTask, told: Told, *, by) -> bool:
    """Whether the same figure is on record from before. Raises NotCounted where the figure cannot be recorded."""
    if task.round.finished_at is not None:
        raise NotCounted(_("This count is finished."))
    now, same = stage(task), _said(task) == (told.total, told.by_lot)
    if now == "settled" and not same:
        raise NotCounted(
            _("%(name)s has counted %(pieces)d here meanwhile. If you found another number, count the line again.")
            % {"name": task.count.by.get_username(), "pieces": _said(task)[0]}
        )
    told_too_soon = now == "again" and told.seen == "open" and task.first_by_id == by.pk
    if told_too_soon and not same:
        raise NotCounted(_("You have said another number before. Count the line once more and save that."))
    return now == "settled" or told_too_soon


def _counted_lots(task: CountTask, by_lot: Counter, expected: Counter, look: Look) -> list[CountedLot]:
    return [
        CountedLot(task=task, look=look, lot_id=lot, counted=by_lot[lot], expected=expected[lot])
        for lot in by_lot.keys() | expected.keys()
        if lot in by_lot or expected[lot]
    ]


def _asked_again(recount: Recount, total: int, by_lot: Counter | None, expected: Counter) -> bool:
    if recount.asked(total, expected.total()):
        return True
    return by_lot is not None and any(
        recount.asked(by_lot[lot], expected[lot]) for lot in by_lot.keys() | expected.keys()
    )


def _settled(task: CountTask, told: Told, since: Counter, key: str) -> ledger.Counted:
    """A count as of this moment: what a person saw, and what came and went since."""
    lots, pieces = None, max(told.total + since.total(), 0)
    if told.by_lot is not None:
        there = {lot: max(told.by_lot[lot] + since[lot], 0) for lot in told.by_lot.keys() | since.keys()}
        pieces = sum(there.values())
        lots = {lot: n for lot, n in there.items() if lot is not None}
    return ledger.Counted(place=task.place, consumable=task.consumable, pieces=pieces, by_lot=lots, key=key)


def _on_record(tasks: Collection[CountTask]) -> dict[int, Counter]:
    """Pieces of each lot, by the task's primary key."""
    held: dict[tuple[int, int], Counter] = defaultdict(Counter)
    here = {"place__in": {task.place_id for task in tasks}, "consumable__in": {task.consumable_id for task in tasks}}
    for place, consumable, lot, pieces in Holding.objects.filter(**here).values_list(
        "place", "consumable", "lot", "quantity"
    ):
        held[place, consumable][lot] = pieces
    return {task.pk: held[task.place_id, task.consumable_id] for task in tasks}


def _recorded_since(all_told: Iterable[Told], tasks: Mapping[int, CountTask]) -> dict[int, Counter]:
    """Pieces of each lot that the ledger says came (negative: went) after a person looked, by the task's primary key.

    What a count adjusted is no piece that moved.
    """
    looked_at = {
        (task.place_id, task.consumable_id): (told.seen_at, task.pk)
        for told in all_told
        if told.seen_at is not None
        for task in [tasks[told.task_id]]
    }
    since: dict[int, Counter] = {task: Counter() for task in tasks}
    if not looked_at:
        return since
    moved = Movement.objects.filter(
        consumable__in={consumable for _place, consumable in looked_at},
        at__gt=min(seen_at for seen_at, _task in looked_at.values()),
    ).exclude(kind=Movement.Kind.ADJUST)
    for at, consumable, lot, pieces, *sides in moved.order_by().values_list(
        "at", "consumable", "lot", "quantity", "destination", "source"
    ):
        for place, sign in zip(sides, (1, -1), strict=True):
            seen_at, task = looked_at.get((place, consumable), (at, None))
            if at > seen_at:
                since[task][lot] += sign * pieces
    return since
