"""A round of counting on paper: a blind sheet out, and what was counted back."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory.count_rounds import NotCounted, stage
from inventory.importing.problems import Problem, SheetRefused
from inventory.importing.values import Clock, Whole
from inventory.models import CountRound, CountTask, StockingLine

from ..stock_life.counting import save_count
from ..workbook import Paper
from ..workbook.forms import Asked, Column, Filled, Form, Row, write_form

MOST_COUNTED = 9999

COUNT = Form(
    kind="count",
    title=gettext_noop("Count"),
    printed=(
        Column(gettext_noop("Bin"), 12, bold=True),
        Column(gettext_noop("Code"), 9, identifies=True),
        Column(gettext_noop("Name"), 46),
        Column(gettext_noop("Place"), 28, identifies=True),
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
    ),
    how_to=gettext_noop(
        "Count all pieces in the drawer, opened packs too, without what lies on a trolley; write 0 where you looked "
        "and found none, nothing where you have not been. The record is not printed, so that nobody copies it. "
        "Where a line is moved or used before this sheet is brought back, write the time at which you counted."
    ),
    cautions=(
        gettext_noop("Read the packs: set aside what is expired, recalled or damaged."),
        gettext_noop("Counts are estimates between counts."),
        gettext_noop("This does not replace the equipment check before use."),
    ),
)


def write_count_sheet(round: CountRound, *, at: datetime, paper: Paper = Paper.A4) -> bytes:
    """The lines of a round that nobody settled, in walking order, without any figure. Four queries."""
    tasks = [task for task in round.tasks.select_related("place", "consumable") if stage(task) != "settled"]
    bins = bins_of(tasks)
    rows = [
        Row(
            key=str(task.pk),
            printed=(
                bins.get((task.place_id, task.consumable_id), ""),
                task.consumable.code,
                task.consumable.label,
                task.place.name,
            ),
        )
        for task in tasks
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


@transaction.atomic
def apply_count_sheet(filled: Filled, *, round: CountRound, by, at: datetime) -> str:
    """Record what a sheet says of a round: all or nothing. Says what was done in words.

    A figure that a colleague has settled differently meanwhile is a problem of its cell. Raises SheetRefused.
    """
    tasks = {
        str(task.pk): task
        for task in round.tasks.select_related("round__department", "place", "consumable", "count__by", "first_by")
    }
    problems: list[Problem] = []
    counted = again = 0
    zone = ZoneInfo(round.department.time_zone)
    for answer in filled.answers:
        task = tasks[answer.key]
        seen_at = None
        if answer["at"] is not None:
            seen_at = datetime.combine(round.department.local_date(at), answer["at"], zone)
            seen_at = seen_at if seen_at <= at else seen_at - timedelta(days=1)
        try:
            before = stage(task)
            task = _said(task, answer["counted"], answer["again"], by=by, at=at, seen_at=seen_at)
        except NotCounted as refused:
            problems.append(answer.problem("counted", str(answer["counted"]), str(refused).rstrip(".")))
            continue
        after = stage(task)
        counted += after == "settled" != before
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


def _said(task: CountTask, counted: int, again: int | None, *, by, at: datetime, seen_at: datetime | None) -> CountTask:
    """The first figure, and the second where one is asked for and stands there.

    A sheet that came back before has its first figure on record already, and may bring the second now.
    """
    if stage(task) == "settled" and task.first_counted == counted and again in (None, task.second_counted):
        return task
    if stage(task) != "again" or task.first_counted != counted:
        task = save_count(task=task, counted=counted, seen="open", by=by, at=at, seen_at=seen_at)
    if stage(task) == "again" and again is not None:
        task = save_count(task=task, counted=again, seen="again", by=by, at=at, seen_at=seen_at)
    return task


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
