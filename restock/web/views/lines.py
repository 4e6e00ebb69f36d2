"""One line of a plan, explained."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inventory.models import Count, StockingLine
from restock.models import PlanLine, policy_of
from restock.reasons import pieces, times_in
from restock.stock_life.count_report import logged_shares

from ..ages import counted_words, day_words
from ..contents import line_story
from ..current import current_department, current_plan, today
from ..hubs import hub_swatch
from ..levels import bar_as_planned


@require_safe
def line(request: HttpRequest, line_id: int) -> HttpResponse:
    """What the plan says of one line, and everything that it rests on."""
    department, day = current_department(request), today(request)
    lines = PlanLine.objects.select_related(
        "plan__department", "place__room", "consumable__size_run", "shortage"
    ).prefetch_related("consumable__packagings")
    planned = get_object_or_404(lines, pk=line_id, plan__department=department)
    policy = policy_of(department)
    stocking = StockingLine.objects.filter(place=planned.place_id, consumable=planned.consumable_id)
    counts = Count.objects.filter(place=planned.place_id, consumable=planned.consumable_id)
    counted_at = counts.order_by("-at").values_list("at", flat=True).first()
    when = day_words(planned.plan.for_date, day)
    lots = line_story.lots_held(planned, policy)
    context = {
        "line": planned,
        "plan": planned.plan,
        "stocking": stocking.select_related("bin").first(),
        "shortage": getattr(planned, "shortage", None),
        "when": when,
        "made_when": day_words(department.local_date(planned.plan.made_at), day),
        "is_current": planned.plan == current_plan(request),
        "counted": counted_words(counted_at, timezone.now()),
        "swatch": hub_swatch(planned.consumable),
        "bar": bar_as_planned(planned, when),
        "mean": pieces(planned.mean),
        "service_days": times_in(planned.service_level),
        "missing_before": pieces(planned.shortfall_before),
        "missing_after": pieces(planned.shortfall_after),
        "figures": line_story.figures(planned),
        "chances": line_story.chances(planned),
        "on_hand_now": sum(lot.pieces for lot in lots if lot.place.pk == planned.place_id),
        "lots": lots,
        "cases": line_story.cases_behind(planned),
        "steps": line_story.recent_steps(planned),
        "logged": logged_shares(department, {planned.consumable_id}).get(planned.consumable_id),
    }
    return render(request, "lines/line.html", context)
