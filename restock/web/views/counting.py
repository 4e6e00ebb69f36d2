"""Counting: what asks for it, a round line by line, its sheet, what it found, and what counts found over weeks."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.count_rounds import (
    ByLot,
    NotCounted,
    add_line,
    count_again,
    finish_round,
    lots_to_read,
    say_cause,
    stage,
)
from inventory.models import Consumable, CountRound, CountTask, Place
from inventory.scanned import Found
from restock.sheets.count_sheets import COUNT, apply_count_sheet, write_count_sheet
from restock.stock_life.count_report import WEEKS, corrects, count_report, logged_shares, result_of
from restock.stock_life.counting import (
    FoundLot,
    days_count_of,
    doubts,
    save_count,
    start_days_count,
    start_place_count,
)

from ..access import allows
from ..contents.count_pages import place_choices, reasons_of, task_rows
from ..counted_lots import NOTHING_TYPED, Typed, lots_said, typed_in, with_scan
from ..current import current_department, today
from ..keys import key_in
from ..said_lines import Unreadable, pieces_in
from ..scans import answer_to, said_before
from ..sheet_back import BackPage, bring_back, paper_of, sheet_response

ASKING_SHOWN = 20
MOST_WEEKS = 52


@require_safe
def counts(request: HttpRequest) -> HttpResponse:
    """The day's lines with their reasons, rounds that run, and every place to count whole."""
    department, now = current_department(request), timezone.now()
    found = doubts(department, at=now)
    day, asking = days_count_of(department, found), found.asking()
    below_zero, cannot_wait = found.records.on_record[asking] < 0, found.records.cannot_wait[asking]
    rounds = CountRound.objects.filter(department=department).select_related("place", "made_by")
    context = {
        "day_count": day,
        "lines": [(one, reasons_of(one)) for one in day.lines],
        "below_zero": found.read(asking[below_zero]),
        "found_wrong": found.read(asking[cannot_wait & ~below_zero]),
        "never_move": found.read(asking[~cannot_wait][:ASKING_SHOWN]),
        "running": rounds.filter(finished_at=None),
        "finished": rounds.exclude(finished_at=None)[:5],
        "places": place_choices(department, found),
    }
    return render(request, "counts/counts.html", context)


@require_POST
def start_count(request: HttpRequest) -> HttpResponse:
    """Begin the day's round, or one of a whole place; a round that runs is gone on with."""
    department, now = current_department(request), timezone.now()
    try:
        if request.POST.get("place"):
            places = Place.objects.filter(department=department).physical()
            place = get_object_or_404(places, pk=key_in(request.POST["place"]))
            begun = start_place_count(department=department, place=place, by=request.user, at=now)
        else:
            begun = start_days_count(department=department, by=request.user, at=now)
    except NotCounted as refused:
        messages.error(request, str(refused))
        return redirect("counts")
    return redirect("count-round", round_id=begun.pk)


@require_safe
def count_round(request: HttpRequest, round_id: int) -> HttpResponse:
    """One round in walking order, blind. `?at=` opens the fields of a line, `&total=yes` without those of its lots."""
    typed = Typed(in_total=request.GET.get("total") == "yes")
    return _list(request, _round(request, round_id), opened=key_in(request.GET.get("at")), typed=typed)


@require_POST
@sensitive_post_parameters("other-lot")
def save_task(request: HttpRequest, task_id: int) -> HttpResponse:
    """Save what was counted of one line, in total or lot by lot. `more` only makes room for another lot."""
    task = _task(request, task_id)
    form, typed = request.POST, typed_in(request.POST)
    if "more" in form:
        return _list(request, task.round, opened=task.pk, typed=typed)
    try:
        counted, found = _counted(form, typed, task)
        saved = save_count(
            task=task, counted=counted, found=found, seen=form.get("seen", ""), by=request.user, at=timezone.now()
        )
    except (NotCounted, Unreadable) as problem:
        typed = typed.after_refusal()
        return _list(request, task.round, opened=task.pk, typed=typed, trouble=str(problem), status=409)
    opened = saved.pk if stage(saved) == "again" else 0
    if request.htmx:
        return _list(request, task.round, opened=opened)
    return redirect(f"{reverse('count-round', args=[task.round_id])}?at={opened}#task-{task_id}")


@require_POST
def recount_task(request: HttpRequest, task_id: int) -> HttpResponse:
    """Open a settled line again."""
    task = _task(request, task_id)
    try:
        count_again(task_id=task.pk)
    except NotCounted as refused:
        messages.error(request, str(refused))
    if request.htmx:
        return _list(request, task.round, opened=task.pk)
    return redirect(f"{reverse('count-round', args=[task.round_id])}?at={task.pk}#task-{task.pk}")


@require_POST
def task_cause(request: HttpRequest, task_id: int) -> HttpResponse:
    """Say why a settled line differed."""
    task = _task(request, task_id)
    try:
        say_cause(task_id=task.pk, cause=request.POST.get("cause", ""), note=request.POST.get("note", "").strip())
    except ValidationError as problem:
        messages.error(request, " ".join(problem.messages))
    except NotCounted as problem:
        messages.error(request, str(problem))
    return redirect(f"{reverse('count-results', args=[task.round_id])}#task-{task.pk}")


@require_POST
@sensitive_post_parameters("scan")
def count_scan(request: HttpRequest, round_id: int) -> HttpResponse:
    """Go to the line that was scanned.

    A pack adds its pieces to what the line's field holds, or that of its lot; a label of our own only opens the fields.
    Nothing is saved before a person saves the number.
    """
    round, form = _round(request, round_id), request.POST
    here, typed = key_in(form.get("task")), typed_in(form)
    answer = answer_to(current_department(request), form.get("scan", ""), today=today(request), first=said_before(form))
    if answer.found is None:
        words = answer.problem or _("This pack is not in the catalogue yet: ask a supervisor to attach it, and type.")
        return _list(request, round, opened=here, typed=typed, said=words, unknown=answer.unknown, status=409)
    task = _task_scanned(round, answer.found, here=here)
    if task is None:
        return _list(request, round, said=_("This line is not on this count."), unlisted=answer.found, status=409)
    typed, said = typed if task.pk == here else NOTHING_TYPED, answer.warnings
    if answer.found.packaging is not None and stage(task) != "settled":
        typed, not_added = with_scan(typed, answer.found, lots_to_read([task]).get(task.pk))
        said += [not_added] if not_added else []
    return _list(request, round, opened=task.pk, typed=typed, said=" ".join(said))


@require_POST
def add_to_count(request: HttpRequest, round_id: int) -> HttpResponse:
    """Put a line that a person came upon on the round."""
    department, round = current_department(request), _round(request, round_id)
    consumable = get_object_or_404(Consumable, pk=key_in(request.POST.get("consumable")), department=department)
    places = Place.objects.filter(department=department).physical()
    place = round.place or get_object_or_404(places, pk=key_in(request.POST.get("place")))
    try:
        task = add_line(round=round, place=place, consumable=consumable)
    except NotCounted as refused:
        messages.error(request, str(refused))
        return redirect("count-round", round_id=round.pk)
    return redirect(f"{reverse('count-round', args=[round.pk])}?at={task.pk}#task-{task.pk}")


@require_POST
def finish_count(request: HttpRequest, round_id: int) -> HttpResponse:
    """End a round and see what it found."""
    round = _round(request, round_id)
    finish_round(round=round, at=timezone.now())
    return redirect("count-results", round_id=round.pk)


@require_safe
def count_results(request: HttpRequest, round_id: int) -> HttpResponse:
    """What a round found, why, and what counts say of the log of its lines."""
    round = _round(request, round_id)
    result = result_of(round)
    tasks = [*result.differ, *result.agree]
    rates = logged_shares(round.department, {task.consumable_id for task in tasks})
    rows = task_rows(round)
    by_task = {row.task.pk: row for row in rows}
    context = {
        "round": round,
        "differ": [by_task[task.pk] for task in result.differ],
        "agree": len(result.agree),
        "wait": len(result.wait),
        "causes": CountTask.Cause.choices,
        "rates": _rates(rates),
    }
    return render(request, "counts/results.html", context)


@require_safe
def counts_report(request: HttpRequest) -> HttpResponse:
    """What counts found over the last weeks, by line, place and cause; never by person."""
    weeks = min(max(key_in(request.GET.get("weeks")) or WEEKS, 1), MOST_WEEKS)
    department = current_department(request)
    report = count_report(department, at=timezone.now(), weeks=weeks)
    rates = logged_shares(department, {one.what.pk for one in report.lines}, and_corrected=True)
    context = {"report": report, "weeks": weeks, "choices": (4, 8, 26, 52), "rates": _rates(rates)}
    return render(request, "counts/report.html", context)


@require_safe
def count_print(request: HttpRequest, round_id: int) -> HttpResponse:
    """A round on paper, without a figure of the record."""
    round = _round(request, round_id)
    rows = [row for row in task_rows(round) if not row.is_settled]
    return render(request, "counts/print.html", {"round": round, "rows": rows})


@require_safe
def count_sheet(request: HttpRequest, round_id: int) -> HttpResponse:
    """A round as a workbook, without a figure of the record. `?paper=letter` sets it for US Letter."""
    round = _round(request, round_id)
    sheet = write_count_sheet(round, at=timezone.now(), paper=paper_of(request))
    return sheet_response(sheet, f"count {round.for_date} {round.pk}")


@require_http_methods(["GET", "HEAD", "POST"])
def count_sheet_back(request: HttpRequest, round_id: int) -> HttpResponse:
    """A filled-in count sheet comes back."""
    round = _round(request, round_id)
    page = BackPage(
        heading=_("Bring a count sheet back"),
        lead=_("What stands under Counted is recorded for each line, at the time beside it."),
        back_url=reverse("count-round", args=[round.pk]),
        back_label=_("Back to the count"),
    )
    return bring_back(
        request,
        COUNT,
        lambda filled, by, at: apply_count_sheet(filled, round=round, by=by, at=at),
        page,
        about=f"round-{round.pk}",
    )


def _round(request: HttpRequest, round_id: int) -> CountRound:
    rounds = CountRound.objects.select_related("department", "place")
    return get_object_or_404(rounds, pk=round_id, department=current_department(request))


def _task(request: HttpRequest, task_id: int) -> CountTask:
    tasks = CountTask.objects.select_related("round__department", "round__place", "place", "consumable")
    return get_object_or_404(tasks, pk=task_id, round__department=current_department(request))


def _task_scanned(round: CountRound, found: Found, *, here: int) -> CountTask | None:
    """The line that was scanned: at the label's place, at that of the open line, or else the first not settled."""
    tasks = list(round.tasks.filter(consumable=found.consumable).select_related("place"))
    at_hand = CountTask.objects.filter(pk=here, round=round).values_list("place", flat=True).first()
    place = found.place.pk if found.place else at_hand
    tasks.sort(key=lambda task: (task.place_id != place, stage(task) == "settled", task.position))
    return tasks[0] if tasks else None


def _counted(form: QueryDict, typed: Typed, task: CountTask) -> tuple[int | ByLot, list[FoundLot]]:
    """What the form says of a line: all its pieces, or those of each lot. Raises Unreadable."""
    lots = lots_to_read([task]).get(task.pk)
    if lots is not None and typed.by_lot:
        return lots_said(form, typed, lots)
    pieces = pieces_in(form, "counted")
    if pieces is None:
        raise Unreadable(_("Not saved: type a number of pieces, 0 where there is none."))
    return pieces, []


def _rates(rates: dict) -> list[dict]:
    rows = [{"rate": rate, "corrects": corrects(rate)} for rate in rates.values()]
    return sorted(rows, key=lambda row: (not row["corrects"], row["rate"].mean))


def _list(
    request: HttpRequest,
    round: CountRound,
    *,
    opened: int = 0,
    typed: Typed = NOTHING_TYPED,
    trouble: str = "",
    said: str = "",
    unknown: str = "",
    unlisted: Found | None = None,
    status: int = 200,
) -> HttpResponse:
    rows = task_rows(round, opened=opened, typed=typed, trouble=trouble)
    still_open = [row for row in rows if not row.is_settled]
    opened_row = next((row for row in rows if row.is_expanded), None)
    context = {
        "round": round,
        "rows": rows,
        "done": len(rows) - len(still_open),
        "now": opened_row,
        "said": said,
        "unknown": unknown if allows("scan-pack", request.user) else "",
        "unlisted": unlisted,
        "is_finished": round.finished_at is not None,
    }
    if request.htmx:
        return render(request, "counts/list.html", context)
    return render(request, "counts/round.html", context, status=status)
