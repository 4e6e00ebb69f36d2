"""What is opened and not used: by line and case type, never by person, and before and after a campaign."""

from collections.abc import Iterable
from datetime import date, timedelta

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from inventory.models import Department, SizeRun
from restock.cases.setups import Setups
from restock.learning.campaigns import FEWEST_CASES, Campaign, Group, compare
from restock.learning.opened_unused import opened_unused

from ..current import current_department, today
from ..forms.plans import CampaignForm
from ..share_charts import before_after_chart

ROWS = 25
CHARTED = 8
LEAST_UNUSED = 0.5  # faded pieces; what faded below half a piece is history


@require_safe
def unused(request: HttpRequest) -> HttpResponse:
    """What most often goes unused; with `?since=` the days before and after that day, side by side."""
    department, day = current_department(request), today(request)
    asked = "since" in request.GET
    form = CampaignForm(
        request.GET if asked else None, today=day, initial={"since": day - timedelta(days=27), "days": 28}
    )
    context = {"form": form, "fewest": FEWEST_CASES}
    if asked and form.is_valid():
        found = compare(department, today=day, **form.cleaned_data)
        context |= {"campaign": found, "rows": _compared(department, found)}
        context["chart"] = before_after_chart(
            [
                (f"{row['line']}, {row['case_type']}", row["before"].share, row["after"].share)
                for row in context["rows"]
            ][:CHARTED]
        )
    else:
        context |= _worst(department, day)
    return render(request, "advice/unused.html", context, status=400 if asked and not form.is_valid() else 200)


def _compared(department: Department, found: Campaign) -> list[dict]:
    shown = found.rows[:ROWS]
    named = _names(department, [(row.line, row.case_type_id) for row in shown])
    return [
        name | {"before": row.before, "after": row.after, "change": row.change, "stands_out": row.stands_out}
        for name, row in zip(named, shown, strict=True)
    ]


def _worst(department: Department, day: date) -> dict:
    """Lines and case types with most pieces opened and not used, and how many groups are too small to be shown."""
    found = opened_unused(department, Setups(department), day=day).wasted()
    worst = [one for one in found if one.unused >= LEAST_UNUSED]
    large = [one for one in worst if round(one.cases) >= FEWEST_CASES]
    shown = large[:ROWS]
    named = _names(department, [(one.line, one.case_type_id) for one in shown])
    return {
        "worst": [name | {"found": one} for name, one in zip(named, shown, strict=True)],
        "left_out": len(worst) - len(large),
    }


def _names(department: Department, groups: Iterable[Group]) -> list[dict]:
    groups = list(groups)
    runs = SizeRun.objects.in_bulk({pk for (what, pk), _ in groups if what == "run"})
    pieces = department.consumables.in_bulk({pk for (what, pk), _ in groups if what == "piece"})
    case_types = department.case_types.in_bulk({case_type for _, case_type in groups})
    return [
        {"line": runs[pk].name if what == "run" else pieces[pk].label, "case_type": case_types[case_type].name}
        for (what, pk), case_type in groups
    ]
