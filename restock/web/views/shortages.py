"""What stays short after everything has been carried, worst first."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe
from django_tables2 import RequestConfig

from restock.models import Shortage

from ..ages import day_words
from ..current import current_plan, today
from ..plan_summary import summarise
from ..tables import LINES_PER_PAGE, ShortageTable
from .evening import no_plan


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
        .defer("plan_line__pmf")
        .order_by("-harm", "-short_by", "pk")
    )
    nothing = _("Nothing known missing %(when)s once everything on the pick list has been carried.") % {"when": when}
    table = ShortageTable(rows, when=when, empty_text=nothing)
    RequestConfig(request, paginate={"per_page": LINES_PER_PAGE}).configure(table)
    return render(
        request, "shortages/list.html", {"plan": plan, "table": table, "summary": summarise(plan), "when": when}
    )
