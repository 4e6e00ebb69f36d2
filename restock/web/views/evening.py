"""Tonight's plan: see it, make it, carry it away as a workbook."""

from io import BytesIO

from django.contrib import messages
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from inventory.models import StockingLine
from restock.models import Plan
from restock.plans.planning import make_plan
from restock.workbook import write_workbook

from ..access import allows
from ..ages import counts_words, day_words
from ..contents.plan_summary import summarise
from ..current import current_department, current_plan, day_to_plan, today
from ..filters import PlanLineFilter
from ..forms.plans import PlanForm
from ..paging import page_table
from ..sheet_back import WORKBOOK_TYPE, paper_of
from ..tables import TonightTable


@require_safe
def tonight(request: HttpRequest) -> HttpResponse:
    """The plan to act on, or what to do where there is none."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    department, day = current_department(request), today(request)
    when = day_words(plan.for_date, day)
    lines = plan.lines.filter(top_up__gt=0).select_related("place", "consumable").defer("pmf")
    chosen = PlanLineFilter(request.GET or None, queryset=lines, department=department, request=request)
    most_missing_first = chosen.qs.order_by("-shortfall_before", "place__walk_order", "pk")
    table = TonightTable(most_missing_first, when=when, empty_text=_("No line of this plan is like that."))
    page_table(request, table)
    summary = summarise(plan)
    context = {
        "plan": plan,
        "summary": summary,
        "counts": counts_words([summary.oldest_count, summary.newest_count], timezone.now()),
        "table": table,
        "filter": chosen,
        "when": when,
        "made_when": day_words(department.local_date(plan.made_at), day),
        "is_past": plan.for_date < day,
        "may_plan": allows("plan-evening", request.user),
        "may_carry": allows("pick-list", request.user),
        "form": PlanForm(today=day, initial={"for_date": day_to_plan(department, day)}),
    }
    return render(request, "plans/tonight.html", context)


def no_plan(request: HttpRequest) -> HttpResponse:
    """An empty page that says how a first plan comes about."""
    department, day = current_department(request), today(request)
    form = PlanForm(today=day, initial={"for_date": day_to_plan(department, day)})
    return render(request, "plans/none.html", _first_steps(request, form))


@require_POST
def plan_evening(request: HttpRequest) -> HttpResponse:
    """Plan a day now. A day that was planned before is planned anew; the newest plan counts."""
    department, day = current_department(request), today(request)
    form = PlanForm(request.POST, today=day)
    if not form.is_valid():
        return render(request, "plans/none.html", _first_steps(request, form), status=400)
    if not _cart_lines(department).exists():
        messages.error(request, _("No cart has a par sheet yet, so there is nothing to plan."))
        return redirect("tonight")
    plan = make_plan(department=department, for_date=form.cleaned_data["for_date"], at=timezone.now(), by=request.user)
    messages.success(request, _("Planned %(day)s.") % {"day": day_words(plan.for_date, day)})
    return redirect("tonight")


@require_safe
def pick_list(request: HttpRequest, plan_id: int) -> FileResponse:
    """The pick list of a plan as a workbook. `?paper=letter` sets it for US Letter."""
    plan = get_object_or_404(Plan, pk=plan_id, department=current_department(request))
    workbook = BytesIO()
    write_workbook(plan, workbook, paper=paper_of(request))
    workbook.seek(0)
    name = f"pick-list-{plan.for_date}.xlsx"
    return FileResponse(workbook, as_attachment=True, filename=name, content_type=WORKBOOK_TYPE)


def _first_steps(request: HttpRequest, form: PlanForm) -> dict:
    department = current_department(request)
    return {
        "form": form,
        "has_carts": _cart_lines(department).exists(),
        "has_list": department.cases.filter(date__gte=today(request)).exists(),
        "may_plan": allows("plan-evening", request.user),
    }


def _cart_lines(department):
    return StockingLine.objects.filter(place__department=department, place__role="cart")
