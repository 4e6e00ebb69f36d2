"""What if: the day's plan again with a change that is only supposed. Nothing is written."""

from datetime import date

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from inventory.models import Department, StockingLine
from restock.learning.forecast import listed_slots
from restock.models import StoreroomCover, WorkRequest, policy_of
from restock.supervising.supposing import Answer, running_out, suppose

from ..access import allows
from ..ages import age_words, day_words
from ..charts import days_of_hundred
from ..contents.shortage_facts import cover_words
from ..current import current_department, current_plan, day_to_plan, today
from ..forms.supposing import SupposeForm
from ..hubs import hub_swatch
from .working import work_state

LINES_SHOWN = 50


@require_http_methods(["GET", "HEAD", "POST"])
def what_if(request: HttpRequest) -> HttpResponse:
    """The form and, once posted, the difference that the change would make."""
    department = current_department(request)
    plan = current_plan(request)
    day = plan.for_date if plan and plan.for_date > today(request) else day_to_plan(department, today(request))
    posted = request.POST if request.method == "POST" else None
    form = SupposeForm(posted, department=department)
    context = {
        "form": form,
        "when": day_words(day, today(request)),
        "day_meant": day,
        "has_carts": StockingLine.objects.filter(place__department=department, place__role="cart").exists(),
    }
    if posted is None or not context["has_carts"] or not form.is_valid():
        return render(request, "advice/what_if.html", context, status=400 if form.errors else 200)
    supposition = form.supposition(listed_slots(department, day))
    answer = suppose(department, day, supposition, policy=policy_of(department))
    context |= _told(answer) | _late(department, supposition.delivery_late_days, today(request))
    if context["late_days"] and allows("work-out-cover", request.user):
        context["work"] = work_state(department, WorkRequest.Kind.COVER)
    return render(request, "advice/what_if.html", context)


def _told(answer: Answer) -> dict:
    rows = [_row(answer, difference) for difference in answer.differences]
    before, after = (draft.allocated.sum() for draft in (answer.before, answer.after))
    return {
        "answered": True,
        "cases": (len(answer.before.forecast.known.slots), len(answer.after.forecast.known.slots)),
        "carried": (int(before), int(after)),
        "short": tuple(len(draft.shortages) for draft in (answer.before, answer.after)),
        "rows": rows[:LINES_SHOWN],
        "lines": len(rows),
    }


def _late(department: Department, late_days: int, today: date) -> dict:
    """What runs out before a late delivery, by the days of cover that are kept, and how old these are."""
    if not late_days:
        return {"late_days": 0}
    covers = list(
        StoreroomCover.objects.filter(place__department=department)
        .prefetch_related("place", "consumable")
        .order_by("low", "place__walk_order", "consumable__code")
    )
    found = running_out(department, covers, today=today, late_days=late_days)
    return {
        "late_days": late_days,
        "cover_age": covers and age_words(timezone.now() - covers[0].made_at),
        "running_out": [(one, cover_words(one.cover.low, one.cover.high, one.cover.open_ended)) for one in found],
    }


def _row(answer: Answer, difference) -> dict:
    line = answer.before.forecast.frame.lines[difference.line]
    return {
        "line": line,
        "swatch": hub_swatch(line.consumable),
        "need": difference.need,
        "allocated": difference.allocated,
        "short_by": tuple(asked - given for asked, given in zip(difference.top_up, difference.allocated, strict=True)),
        "enough": tuple(days_of_hundred(1 - p) for p in difference.p_short),
    }
