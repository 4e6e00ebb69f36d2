"""The search box of the header, and one line of the catalogue with every place that keeps it."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_safe

from inventory.models import Consumable

from ..current import current_department, current_plan
from ..finding import find, line_by_barcode, where_kept
from ..hubs import hub_swatch

LONGEST_SEARCH = 120


@require_safe
def search(request: HttpRequest) -> HttpResponse:
    """What was typed or scanned, found. A barcode that one line has leads straight to it."""
    typed = request.GET.get("q", "").strip()[:LONGEST_SEARCH]
    department = current_department(request)
    if typed and (line := line_by_barcode(department, typed)):
        return redirect("item", consumable_id=line.pk)
    found = find(department, typed)
    lines = [(line, hub_swatch(line)) for line in found.lines]
    return render(request, "finding/results.html", {"typed": typed, "found": found, "lines": lines})


@require_safe
def item(request: HttpRequest, consumable_id: int) -> HttpResponse:
    """One line of the catalogue: where it is kept and how much is on record there."""
    lines = Consumable.objects.select_related("size_run").prefetch_related("packagings")
    line = get_object_or_404(lines, pk=consumable_id, department=current_department(request))
    plan = current_plan(request)
    places = where_kept(line, plan.pk if plan else None)
    context = {"line": line, "swatch": hub_swatch(line), "places": places, "pieces": sum(row[2] for row in places)}
    return render(request, "finding/item.html", context)
