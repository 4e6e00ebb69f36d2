"""What stays short after everything has been carried, worst first, and what can be done about it on the spot."""

from uuid import uuid4

from django.contrib import messages
from django.db.models import Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from restock import jobs
from restock.models import ParChange, PlanLine, Shortage, ShortageAction, WorkRequest
from restock.plans.stock import usable_pieces
from restock.reasons import may_run_short
from restock.stock_life.substitutions import left_behind
from restock.supervising import shortage_actions

from ..access import allows
from ..ages import age_words, counted_words, day_words
from ..contents.plan_summary import summarise
from ..contents.shortage_facts import act_words, cover_made_at, shortage_facts
from ..current import current_department, current_plan, today
from ..forms.acting import AcceptForm, ActForm, MoveForm, OrderedForm, RaiseParForm, UndoForm
from ..levels import bar, level_of
from ..paging import page_table
from ..tables import ShortageTable
from .evening import no_plan
from .working import work_state

Kind = ShortageAction.Kind


@require_safe
def shortages(request: HttpRequest) -> HttpResponse:
    """The shortages of the plan to act on, ranked by harm."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    when = day_words(plan.for_date, today(request))
    rows = (
        Shortage.objects.filter(plan_line__plan=plan)
        .select_related("plan_line__place", "plan_line__consumable")
        .order_by("-harm", "-short_by", "pk")
    )
    facts = shortage_facts(plan, rows.values_list("plan_line__consumable", flat=True))
    nothing = _("Nothing known missing %(when)s once everything on the pick list has been carried.") % {"when": when}
    table = ShortageTable(rows, when=when, facts=facts, empty_text=nothing)
    page_table(request, table)
    worked_out = cover_made_at(current_department(request))
    context = {
        "plan": plan,
        "table": table,
        "summary": summarise(plan),
        "risky": sum(may_run_short(facts.p_short(one)) for one in rows),
        "out_of_reach": plan.inputs.get("out_of_reach", []),
        "when": when,
        "cover_age": worked_out and age_words(timezone.now() - worked_out),
    }
    if allows("substitution-new", request.user):
        context["left_behind"] = left_behind(current_department(request), on=today(request))
    if allows("work-out-cover", request.user):
        context["work"] = work_state(current_department(request), WorkRequest.Kind.COVER)
    return render(request, "shortages/list.html", context)


@require_safe
def shortage(request: HttpRequest, line_id: int) -> HttpResponse:
    """One line that stays short: why, who has some to spare, what was done, and what can be done."""
    return _page(request, _line(request, line_id))


@require_POST
def act_on_shortage(request: HttpRequest, line_id: int) -> HttpResponse:
    """Do one of the four things that can be done on the spot."""
    line = _line(request, line_id)
    forms = _forms(request, line, shortage_actions.spare_pieces(line), request.POST)
    form = forms.get(request.POST.get("kind"))
    if form is None:
        return redirect("shortage", line.pk)
    if not form.is_valid():
        return _page(request, line, refused=form)
    told = {name: value for name, value in form.cleaned_data.items() if name != "kind"}
    do = {
        Kind.MOVED: shortage_actions.move_in,
        Kind.PAR: shortage_actions.raise_par,
        Kind.ORDERED: shortage_actions.mark_ordered,
        Kind.ACCEPTED: shortage_actions.accept,
    }[form.kind]
    try:
        action = do(line=line, by=request.user, at=timezone.now(), **told)
    except shortage_actions.NotDone as problem:
        form.add_error(None, str(problem))
        return _page(request, line, refused=form)
    messages.success(request, _("Kept: %(act)s.") % {"act": act_words(action)})
    return redirect("shortage", line.pk)


@require_POST
def undo_action(request: HttpRequest, line_id: int, action_id: int) -> HttpResponse:
    """Take one act back."""
    line = _line(request, line_id)
    action = get_object_or_404(
        ShortageAction.objects.select_related("place__department", "source", "par_change"),
        pk=action_id,
        place=line.place_id,
        consumable=line.consumable_id,
    )
    form = UndoForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Nothing was taken back: open the page again and press Undo there."))
        return redirect("shortage", line.pk)
    key = form.cleaned_data["key"]
    try:
        shortage_actions.take_back(action=action, by=request.user, at=timezone.now(), key=key)
    except shortage_actions.NotDone as problem:
        messages.error(request, str(problem))
    else:
        messages.success(request, _("Taken back: %(act)s.") % {"act": act_words(action)})
    return redirect("shortage", line.pk)


@require_POST
def work_out_cover(request: HttpRequest) -> HttpResponse:
    """Have it worked out how long the storerooms last, for everybody to read."""
    jobs.ask(department=current_department(request), kind=WorkRequest.Kind.COVER, by=request.user, at=timezone.now())
    return redirect("shortages")


def _line(request: HttpRequest, line_id: int) -> PlanLine:
    lines = PlanLine.objects.select_related("plan__department", "place__department", "consumable", "shortage")
    department = current_department(request)
    return get_object_or_404(lines, pk=line_id, plan__department=department, shortage__isnull=False)


def _page(request: HttpRequest, line: PlanLine, refused: ActForm | None = None) -> HttpResponse:
    plan, now = line.plan, timezone.now()
    when = day_words(plan.for_date, today(request))
    spare = shortage_actions.spare_pieces(line)
    facts = shortage_facts(plan, [line.consumable_id])
    usable = usable_pieces(line.place_id, line.consumable_id, on=plan.for_date)
    picks = line.picks.filter(confirmed_at__isnull=True)
    to_come = picks.aggregate(pieces=Sum("quantity", default=0))["pieces"]
    on_hand = usable if usable < 0 else usable + to_come
    forms = {}
    if allows("act-on-shortage", request.user) and plan.for_date >= today(request):
        forms = _forms(request, line, spare)
        if refused is not None:
            forms[refused.kind] = refused
    acts = ShortageAction.objects.filter(
        place=line.place_id, consumable=line.consumable_id, for_date=plan.for_date
    ).select_related("source", "par_change", "by", "undone_by")
    context = {
        "line": line,
        "plan": plan,
        "shortage": line.shortage,
        "when": when,
        "bar": bar(level_of(line, on_hand=on_hand, usable=on_hand, when=when)),
        "usable": usable,
        "to_come": to_come,
        "first_case": facts.first_case(line),
        "cover": facts.cover(line),
        "on_order": "; ".join(facts.on_order(line)),
        "spare": [(one, counted_words(one.counted_at, now)) for one in spare],
        "forms": list(forms.values()),
        "opened": refused.kind if refused else None,
        "may_propose": allows("substitution-new", request.user),
        "acts": [(act, act_words(act), uuid4()) for act in acts],
        "pars": ParChange.objects.filter(place=line.place_id, consumable=line.consumable_id).select_related("by")[:5],
    }
    return render(request, "shortages/shortage.html", context, status=400 if refused else 200)


def _forms(request: HttpRequest, line: PlanLine, spare, posted=None) -> dict[str, ActForm]:
    """The four forms, filled with what is most likely meant; bound where `posted` is for them."""
    short_by = line.shortage.short_by
    kind = posted and posted.get("kind")
    start = {
        Kind.MOVED: {"source": spare[0].place.pk, "pieces": min(short_by, spare[0].spare)} if spare else {},
        Kind.PAR: {"par": max(line.q_service, line.par + 1)},
        Kind.ORDERED: {"pieces": short_by},
        Kind.ACCEPTED: {},
    }
    more = {Kind.MOVED: {"spare": spare}, Kind.ORDERED: {"today": today(request)}}
    made = {}
    for form in (MoveForm, RaiseParForm, OrderedForm, AcceptForm):
        if form is MoveForm and not spare:
            continue
        made[form.kind] = form(
            posted if kind == form.kind else None,
            initial={"key": uuid4(), **start[form.kind]},
            **more.get(form.kind, {}),
        )
    return made
