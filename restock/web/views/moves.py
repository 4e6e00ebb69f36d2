"""What is worth carrying between places tonight, beside the pick list. Read only: nothing here is recorded."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_safe

from restock.advising.tonight import advise_moves

from ..ages import day_words
from ..current import current_department, current_plan, today
from .evening import no_plan


@require_safe
def moves(request: HttpRequest) -> HttpResponse:
    """Walks worth their while. They are worked out when asked for (`?now=yes`), which takes some seconds."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    context = {"plan": plan, "when": day_words(plan.for_date, today(request))}
    if request.GET.get("now") == "yes":
        advice = advise_moves(current_department(request), plan.for_date)
        hardly_needed = ngettext(
            "hardly needed within %(days)d day", "hardly needed within %(days)d days", advice.wait_days
        ) % {"days": advice.wait_days}
        context |= {
            "advice": advice,
            "lists": [
                (_("Between carts"), _("where the storerooms are short"), advice.between_carts),
                (_("Back to the storeroom"), hardly_needed, advice.back_to_storeroom),
                (
                    _("Short-dated pieces"),
                    _("for longer-dated ones of a place that uses them in time"),
                    advice.dates.swaps,
                ),
            ],
        }
    return render(request, "rounds/moves.html", context)
