"""A round of counting on paper: a blind sheet out, and what was counted back.

A line that is counted in total has one row. A line of a storeroom that is kept by lot has one for each lot on record
there, one for pieces whose lot cannot be read, and one for a lot that the person comes upon.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory.count_rounds import ByLot, NotCounted, lots_counted, lots_to_read, stage
from inventory.importing.problems import NOTHING, Problem, SheetRefused
from inventory.importing.values import Clock, Date, LotNumber, Whole
from inventory.models import CountRound, CountTask, Department, Lot, StockingLine

from ..stock_life.counting import Counted, FoundLot, save_counts
from ..workbook import Paper
from ..workbook.forms import Answer, Asked, Column, Filled, Form, Row, write_form

MOST_COUNTED = 9999
WITHOUT, OTHER = "none", "other"  # rows of a line that is counted by lot, beside those of its lots

COUNT = Form(
    kind="count",
    title=gettext_noop("Count"),
    printed=(
        Column(gettext_noop("Bin"), 12, bold=True),
        Column(gettext_noop("Code"), 9, identifies=True),
        Column(gettext_noop("Name"), 40),
        Column(gettext_noop("Place"), 22, identifies=True),
        Column(gettext_noop("Lot"), 16, identifies=True),
    ),
    asked=(
        Asked(
            "counted",
            gettext_noop("Counted"),
            Whole(0, MOST_COUNTED),
            10,
            hint=gettext_noop("All pieces. 0 = looked, none."),
            needed=True,
        ),
        Asked(
            "again",
            gettext_noop("Counted again"),
            Whole(0, MOST_COUNTED),
            10,
            hint=gettext_noop("A second look, by a colleague if you can."),
        ),
        Asked(
            "at",
            gettext_noop("At"),
            Clock(),
            9,
            hint=gettext_noop("The time, such as 14:30. Needed where pieces may have moved since."),
        ),
        Asked(
            "lot_found",
            gettext_noop("Lot found"),
            LotNumber(),
            14,
            hint=gettext_noop("Its number, in the row for another lot."),
        ),
        Asked("use_by", gettext_noop("Use by"), Date(), 12, hint=gettext_noop("The last day of the lot found.")),
    ),
    how_to=gettext_noop(
        "Count all pieces in the drawer, opened packs too, without what lies on a trolley; write 0 where you looked "
        "and found none, nothing where you have not been. The record is not printed, so that nobody copies it. "
        "Where a line is moved or used before this sheet is brought back, write the time at which you counted. Where "
        "lots are listed, count each of them; a lot that is not listed goes into the row for another lot."
    ),
    cautions=(
        gettext_noop("Read the packs: set aside what is expired, recalled or damaged."),
        gettext_noop("Counts are estimates between counts."),
        gettext_noop("This does not replace the equipment check before use."),
    ),
)


def write_count_sheet(round: CountRound, *, at: datetime, paper: Paper = Paper.A4) -> bytes:
    """The lines of a round that nobody settled, in walking order, without any figure. Seven queries."""
    tasks = [task for task in round.tasks.select_related("place", "consumable") if stage(task) != "settled"]
    bins, lots = bins_of(tasks), lots_to_read(tasks)
    rows = [
        Row(
            key=key,
            printed=(
                bins.get((task.place_id, task.consumable_id), ""),
                task.consumable.code,
                task.consumable.label,
                task.place.name,
                lot,
            ),
        )
        for task in tasks
        for key, lot in _rows(task, lots.get(task.pk))
    ]
    places = ", ".join(dict.fromkeys(task.place.name for task in tasks))
    return write_form(
        COUNT,
        rows,
        department=round.department,
        about=f"round-{round.pk}",
        lines=[f"{dateformat.format(round.for_date, _('l j F Y'))}. {places}"],
        made_at=at,
        paper=paper,
    )


def _rows(task: CountTask, lots: Sequence[Lot] | None) -> list[tuple[str, str]]:
    """Key and lot of each row of a line; lots: None where it is counted in total."""
    if lots is None:
        return [(str(task.pk), _("all"))]
    return [
        *((f"{task.pk}.{lot.pk}", lot.number) for lot in lots),
        (f"{task.pk}.{WITHOUT}", _("no lot to read")),
        (f"{task.pk}.{OTHER}", _("another lot")),
    ]


@transaction.atomic
def apply_count_sheet(filled: Filled, *, round: CountRound, by, at: datetime) -> str:
    """Record what a sheet says of a round: all or nothing. Says what was done in words.

    A figure that a colleague has settled differently meanwhile is a problem of its cell. Raises SheetRefused.
    """
    tasks = round.tasks.select_related("round__department", "place", "consumable", "count__by", "first_by")
    tasks = {task.pk: task for task in tasks.prefetch_related("lots__lot")}
    lots = lots_to_read(tasks.values())
    problems: list[Problem] = []
    counted = again = 0
    zone = round.department.zone
    by_task: dict[int, list[Answer]] = {}
    for answer in filled.answers:
        by_task.setdefault(_task_of(answer), []).append(answer)
    looks = []
    for pk, answers in by_task.items():
        wrong = _missing(answers, lots.get(pk))
        if wrong:
            problems += wrong
            continue
        # Where several times stand beside the lots of one line, what moved since the first of them is reckoned with.
        clock = min((answer["at"] for answer in answers if answer["at"] is not None), default=None)
        seen_at = None
        if clock is not None:
            seen_at = datetime.combine(round.department.local_date(at), clock, zone)
            seen_at = seen_at if seen_at <= at else seen_at - timedelta(days=1)
        looks.append(_Looks(tasks[pk], answers, seen_at))
    said_now = _save(looks, department=round.department, by=by, at=at)
    for look, task in zip(looks, said_now, strict=True):
        if isinstance(task, NotCounted):
            first = look.answers[0]
            problems.append(first.problem("counted", str(first["counted"]), str(task).rstrip(".")))
            continue
        after = stage(task)
        counted += after == "settled" != stage(look.task)
        again += after == "again"
    if problems:
        raise SheetRefused(*problems)
    said = ngettext("%(lines)d line counted.", "%(lines)d lines counted.", counted) % {"lines": counted}
    if again:
        said += " " + ngettext(
            "%(lines)d differs so much that a second count is asked for.",
            "%(lines)d differ so much that a second count is asked for.",
            again,
        ) % {"lines": again}
    return said


def _task_of(answer: Answer) -> int:
    return int(answer.key.partition(".")[0])


def _lot_of(answer: Answer) -> str:
    """The row of its line: empty for a count in total, else a lot's primary key, WITHOUT or OTHER."""
    return answer.key.partition(".")[2]


def _missing(answers: Sequence[Answer], lots: Iterable[Lot] | None) -> list[Problem]:
    """What a line that is counted by lot lacks: a number for one of its lots, or the number of a lot that was found."""
    first, rows = answers[0], {_lot_of(answer): answer for answer in answers}
    if "" in rows:
        return []
    other = rows[OTHER]["lot_found"] if OTHER in rows else None
    problems = [
        first.problem("counted", NOTHING, _("a number for lot %(lot)s too, 0 where there is none") % {"lot": lot})
        for lot in lots or ()
        if str(lot.pk) not in rows and lot.number != other
    ]
    if OTHER in rows and not other:
        problems.append(rows[OTHER].problem("lot_found", NOTHING, _("the number of the lot that was found")))
    seconds = [answer for answer in answers if answer["again"] is not None]
    if seconds and len(seconds) < len(answers):
        lacking = next(answer for answer in answers if answer["again"] is None)
        problems.append(lacking.problem("again", NOTHING, _("a second count of every lot of the line, or of none")))
    return problems


@dataclass(frozen=True)
class _Figures:
    """One look at a line: its total, or pieces by lot and what was found besides."""

    counted: int | ByLot
    found: tuple[FoundLot, ...] = ()

    @property
    def total(self) -> int:
        of_lots = self.counted if isinstance(self.counted, int) else sum(self.counted.values())
        return of_lots + sum(one.pieces for one in self.found)

    def is_on_record(self, task: CountTask) -> bool:
        """Whether the last look at the line said the same, of every lot."""
        lots = lots_counted(task)
        if isinstance(self.counted, int):
            return not lots and self.counted == (
                task.first_counted if task.second_counted is None else task.second_counted
            )
        by_number = {one.lot.number: one.lot_id for one in lots if one.lot}
        told = Counter(self.counted)
        for one in self.found:
            told[by_number.get(one.number, 0)] += one.pieces
        return told == Counter({one.lot_id: one.counted for one in lots})


def _figures(answers: Sequence[Answer], name: str) -> _Figures | None:
    """What stands in one column of figures for a line, None where nothing does."""
    by_lot: dict[int | None, int] = {None: 0}
    found = []
    for answer in answers:
        row, pieces = _lot_of(answer), answer[name]
        if pieces is None:
            return None
        if not row:
            return _Figures(pieces)
        if row == OTHER:
            found.append(FoundLot(answer["lot_found"], answer["use_by"], pieces))
        else:
            by_lot[None if row == WITHOUT else int(row)] = pieces
    return _Figures(by_lot, tuple(found))


@dataclass(frozen=True)
class _Looks:
    """What a sheet says of one line as it stood before: first figures, and second ones where they stand there."""

    task: CountTask
    answers: Sequence[Answer]
    seen_at: datetime | None

    @property
    def first(self) -> _Figures:
        return _figures(self.answers, "counted")

    @property
    def second(self) -> _Figures | None:
        return _figures(self.answers, "again")

    @property
    def first_is_new(self) -> bool:
        """A sheet that came back before has its first figures on record, and may bring the second ones now."""
        task = self.task
        if stage(task) == "settled" and task.first_counted == self.first.total:
            last = self.first if task.second_counted is None else self.second
            return last is not None and not last.is_on_record(task)
        return stage(task) != "again" or not self.first.is_on_record(task)

    def counted(self, task: CountTask, figures: _Figures, seen: str) -> Counted:
        return Counted(task=task, counted=figures.counted, found=figures.found, seen=seen, seen_at=self.seen_at)


def _save(looks: Sequence[_Looks], *, department: Department, by, at: datetime) -> list[CountTask | NotCounted]:
    """All first figures, then the second ones of lines of which a second count is asked for."""
    told = {"department": department, "by": by, "at": at}
    done: list[CountTask | NotCounted] = [look.task for look in looks]
    firsts = [n for n, look in enumerate(looks) if look.first_is_new]
    saved = save_counts([looks[n].counted(done[n], looks[n].first, "open") for n in firsts], **told)
    for n, task in zip(firsts, saved, strict=True):
        done[n] = task
    seconds = [
        n
        for n, task in enumerate(done)
        if not isinstance(task, NotCounted) and stage(task) == "again" and looks[n].second is not None
    ]
    saved = save_counts([looks[n].counted(done[n], looks[n].second, "again") for n in seconds], **told)
    for n, task in zip(seconds, saved, strict=True):
        done[n] = task
    return done


def bins_of(tasks) -> dict[tuple[int, int], str]:
    """The bin of each line that has one, by (place, consumable): one query."""
    lines = StockingLine.objects.filter(
        place__in={task.place_id for task in tasks}, consumable__in={task.consumable_id for task in tasks}
    )
    return {
        (place, line): bin
        for place, line, bin in lines.values_list("place", "consumable", "bin__code").order_by()
        if bin
    }
