"""The search box of the header, and one line of the catalogue with every place that keeps it."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_http_methods, require_safe

from inventory.models import Consumable

from ..current import current_department, current_plan, today
from ..finding import find, where_kept
from ..hubs import hub_swatch
from ..line_search import may_repeat
from ..scans import LONGEST_SCAN, answer_to
from .scanning import show_answer


@sensitive_variables("typed")
@sensitive_post_parameters("q")
@require_http_methods(["GET", "HEAD", "POST"])
def search(request: HttpRequest) -> HttpResponse:
    """What was typed or scanned, found.

    The box posts, so that no scan stands in an address, where a server's log would keep it. Words alone go on to an
    address of their own, which can be kept and gone back to; a line's code or a pack's barcode leads straight to it.
    """
    if request.method != "POST":
        typed = request.GET.get("q", "").strip()
        return _results(request, typed if may_repeat(typed) else "")
    typed = request.POST.get("q", "").strip()[: LONGEST_SCAN + 1]
    answer = answer_to(current_department(request), typed, today=today(request))
    if answer.found and not answer.found.lot and not answer.scan.expires_on and not answer.found.place:
        return redirect("item", consumable_id=answer.found.consumable.pk)
    if answer.found or answer.unknown or answer.about_a_person:
        return show_answer(request, answer)
    if may_repeat(typed):
        return redirect(reverse("search") + "?" + urlencode({"q": typed}))
    return _results(request, typed, problem=answer.problem)


def _results(request: HttpRequest, typed: str, problem: str = "") -> HttpResponse:
    found = find(current_department(request), typed)
    context = {
        "typed": typed if may_repeat(typed) else "",
        "searched": bool(typed),
        "found": found,
        "lines": [(line, hub_swatch(line)) for line in found.lines],
        "problem": "" if found else problem,
    }
    return render(request, "finding/results.html", context)


@require_safe
def item(request: HttpRequest, consumable_id: int) -> HttpResponse:
    """One line of the catalogue: where it is kept and how much is on record there."""
    lines = Consumable.objects.select_related("size_run").prefetch_related("packagings")
    line = get_object_or_404(lines, pk=consumable_id, department=current_department(request))
    plan = current_plan(request)
    places = where_kept(line, plan.pk if plan else None)
    context = {"line": line, "swatch": hub_swatch(line), "places": places, "pieces": sum(row[2] for row in places)}
    return render(request, "finding/item.html", context)
