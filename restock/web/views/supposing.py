"""What if: the day's plan again with a change that is only supposed. Nothing is written."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from inventory.models import StockingLine
from restock.learning.forecast import listed_slots
from restock.models import policy_of
from restock.supervising.supposing import Answer, suppose

from ..ages import day_words
from ..charts import days_of_hundred
from ..contents.shortage_facts import cover_words
from ..current import current_department, current_plan, day_to_plan, today
from ..forms.supposing import SupposeForm
from ..hubs import hub_swatch

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
    answer = suppose(department, day, supposition, policy=policy_of(department), today=today(request))
    context |= {"late_days": supposition.delivery_late_days} | _told(answer)
    return render(request, "advice/what_if.html", context)


def _told(answer: Answer) -> dict:
    rows = [_row(answer, difference) for difference in answer.differences]
    before, after = (draft.allocated.sum() for draft in (answer.before, answer.after))
    return {
        "answered": True,
        "cases": (len(answer.before.forecast.known.slots), len(answer.after.forecast.known.slots)),
        "carried": (int(before), int(after)),
        "short": tuple(int((draft.top_up > draft.allocated).sum()) for draft in (answer.before, answer.after)),
        "rows": rows[:LINES_SHOWN],
        "lines": len(rows),
        "running_out": [(one, cover_words(one.cover[0], one.cover[2], one.cover_open)) for one in answer.running_out],
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
