"""Par advice: the list, and the answers to it, singly or many at once."""

from datetime import datetime

from django.contrib import messages
from django.db.models import F, Sum
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from restock import jobs
from restock.models import AdvisedPar, ParAdviceRun, WorkRequest
from restock.setting_up.par_changes import ParRefused
from restock.supervising import par_advice

from ..advice_tables import AdvisedParTable
from ..ages import age_words
from ..current import current_department
from ..filters import AdvisedParFilter
from ..keys import key_in
from ..paging import page_table
from .working import work_state

ANSWERS_SHOWN = 20
MOST_PAR = 9999
MOST_NOTE = AdvisedPar._meta.get_field("note").max_length
TICKED, CHOICE, REFUSE = "ticked", "choice", "refuse"


@require_safe
def advised_pars(request: HttpRequest) -> HttpResponse:
    """The newest advice: what is open, with its effect, and what was answered last."""
    department, now = current_department(request), timezone.now()
    run = ParAdviceRun.objects.filter(department=department).first()
    work = work_state(department, WorkRequest.Kind.PARS)
    if run is None:
        has_log = department.cases.filter(logged_at__isnull=False).exists()
        return render(request, "advice/none.html", {"has_log": has_log, "work": work})
    waiting = par_advice.open_advice(run).select_related("stocking_line__place", "stocking_line__consumable")
    waiting = waiting.annotate(
        days_saved=F("days_short_now") - F("days_short_advised"), pieces_more=F("on_hand_advised") - F("on_hand_now")
    )
    answered = AdvisedPar.objects.filter(run=run, answered_at__gte=run.made_at).exclude(answer=AdvisedPar.Answer.OPEN)
    last = answered.order_by("-answered_at").first()
    chosen = AdvisedParFilter(request.GET or None, queryset=waiting, department=department, request=request)
    most_helpful_first = chosen.qs.order_by("-days_saved", "pieces_more", "pk")
    table = AdvisedParTable(most_helpful_first, empty_text=_("No open advice is like that."))
    page_table(request, table)
    effect = chosen.qs.aggregate(
        short_now=Sum("days_short_now", default=0),
        short_then=Sum("days_short_advised", default=0),
        on_hand_now=Sum("on_hand_now", default=0.0),
        on_hand_then=Sum("on_hand_advised", default=0.0),
    )
    context = {
        "run": run,
        "work": work,
        "age": age_words(now - run.made_at),
        "table": table,
        "filter": chosen,
        "waiting": chosen.qs.count(),
        "effect": effect,
        "last_at": last and last.answered_at.isoformat(),
        "last_lines": answered.filter(answered_at=last.answered_at).count() if last else 0,
        "answered": answered.select_related(
            "answered_by", "stocking_line__place", "stocking_line__consumable"
        ).order_by("-answered_at", "pk")[:ANSWERS_SHOWN],
    }
    return render(request, "advice/pars.html", context)


@require_POST
def work_out_pars(request: HttpRequest) -> HttpResponse:
    """Have the advice worked out anew, for everybody to read."""
    jobs.ask(department=current_department(request), kind=WorkRequest.Kind.PARS, by=request.user, at=timezone.now())
    return redirect("par-advice")


@require_POST
def answer_pars(request: HttpRequest) -> HttpResponse:
    """Take or refuse the ticked proposals, or take all that the filter above the list lets through."""
    run = get_object_or_404(ParAdviceRun, pk=key_in(request.POST.get("run")), department=current_department(request))
    try:
        said = _all_chosen(request, run) if request.POST.get("act") == CHOICE else _said(request.POST)
    except ValueError as problem:
        messages.error(request, str(problem))
        return redirect(_back(request))
    if not said:
        messages.warning(request, _("Tick the lines that you mean."))
    answered = par_advice.answer(run, said, by=request.user, at=timezone.now())
    if answered.taken:
        words = ngettext("%(lines)d par changed.", "%(lines)d pars changed.", len(answered.taken))
        messages.success(request, words % {"lines": len(answered.taken)})
    if answered.refused:
        words = ngettext("%(lines)d proposal refused.", "%(lines)d proposals refused.", len(answered.refused))
        messages.success(request, words % {"lines": len(answered.refused)})
    for problem in dict.fromkeys(answered.problems):
        messages.error(request, problem)
    return redirect(_back(request))


@require_POST
def reopen_par(request: HttpRequest, advised_id: int) -> HttpResponse:
    """Take an answer back."""
    advised = get_object_or_404(AdvisedPar, pk=advised_id, run__department=current_department(request))
    try:
        par_advice.reopen(advised, by=request.user, at=timezone.now())
    except ParRefused as problem:
        messages.error(request, str(problem))
    else:
        messages.success(request, _("Open again: %(line)s.") % {"line": advised.stocking_line.consumable.label})
    return redirect("par-advice")


@require_POST
def reopen_pars(request: HttpRequest) -> HttpResponse:
    """Take back all that was answered together."""
    run = get_object_or_404(ParAdviceRun, pk=key_in(request.POST.get("run")), department=current_department(request))
    answered_at = _instant_in(request.POST.get("answered_at", ""))
    if answered_at is None:
        return redirect("par-advice")
    reopened = par_advice.reopen_together(run, answered_at, by=request.user, at=timezone.now())
    words = ngettext("%(lines)d line is open again.", "%(lines)d lines are open again.", len(reopened.taken))
    messages.success(request, words % {"lines": len(reopened.taken)})
    for problem in dict.fromkeys(reopened.problems):
        messages.error(request, problem)
    return redirect("par-advice")


def _instant_in(text: str) -> datetime | None:
    """The instant that a field of the page names; None where it names none."""
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        return None
    return instant if timezone.is_aware(instant) else None


def _said(posted: QueryDict) -> list[par_advice.Said]:
    """Raises ValueError, in words, for a par that is no number of pieces."""
    refuse, note = posted.get("act") == REFUSE, posted.get("note", "")[:MOST_NOTE]
    return [
        par_advice.Said(key_in(pk), None if refuse else _par(posted.get(f"par-{pk}", "")), note)
        for pk in posted.getlist("ticked")
    ]


def _all_chosen(request: HttpRequest, run: ParAdviceRun) -> list[par_advice.Said]:
    """Everything open that the list's own filter lets through, each with the par that is advised."""
    chosen = AdvisedParFilter(
        QueryDict(request.POST.get("chosen", "")),
        queryset=par_advice.open_advice(run),
        department=current_department(request),
        request=request,
    )
    note = request.POST.get("note", "")[:MOST_NOTE]
    return [par_advice.Said(pk, advised, note) for pk, advised in chosen.qs.values_list("pk", "advised")]


def _par(text: str) -> int:
    text = text.strip()
    if not text.isdecimal() or len(text) > 4 or int(text) > MOST_PAR:
        raise ValueError(_("Nothing was changed: %(text)s is no number of pieces.") % {"text": f"“{text[:10]}”"})
    return int(text)


def _back(request: HttpRequest) -> str:
    """The list as it was chosen before; only the choices come from the form, never the address."""
    chosen = QueryDict(request.POST.get("chosen", "")[:500]).urlencode()
    return reverse("par-advice") + (f"?{chosen}" if chosen else "")
