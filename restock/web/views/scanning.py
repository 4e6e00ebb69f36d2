"""What is this? One pack or label, scanned; and a pack that the catalogue meets for the first time."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from inventory.scanned import learn_pack, packaging_of, same_item_at_other_levels
from inventory.scanning import is_item_number

from ..access import allows
from ..current import current_department, today
from ..forms.packs import PackForm
from ..hubs import hub_swatch
from ..line_search import lines_with_words, may_repeat
from ..scan_page import expiry_words, moved_label, next_steps, whereabouts
from ..scans import LONGEST_SCAN, Answer, answer_to, said_before


@never_cache
@sensitive_post_parameters("scan")
@require_http_methods(["GET", "HEAD", "POST"])
def scan(request: HttpRequest) -> HttpResponse:
    """The scan page. It reads and shows; nothing is recorded."""
    answer = Answer()
    if request.method == "POST":
        answer = answer_to(
            current_department(request),
            request.POST.get("scan", "")[: LONGEST_SCAN + 1],
            today=today(request),
            first=said_before(request.POST),
        )
    return show_answer(request, answer)


def show_answer(request: HttpRequest, answer: Answer) -> HttpResponse:
    """The scan page with what was scanned, whichever box it was scanned into."""
    context = {"answer": answer, "before": answer.scan, "may_attach": allows("scan-pack", request.user)}
    if answer.scan and answer.scan.expires_on:
        context["expiry"] = expiry_words(answer.scan.expires_on, today(request))
    if found := answer.found:
        context |= {
            "found": found,
            "swatch": hub_swatch(found.consumable),
            "expiry": expiry_words(found.expires_on, today(request)) if found.expires_on else "",
            "places": whereabouts(found),
            "moved": moved_label(found),
            "steps": next_steps(found, request.user),
        }
    return render(request, "scan/page.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def new_pack(request: HttpRequest, item: str) -> HttpResponse:
    """Say once which line is in a pack that the catalogue does not know, and how many pieces of it."""
    department = current_department(request)
    if not is_item_number(item):
        raise Http404
    if known := packaging_of(department, item):
        return redirect("item", consumable_id=known.consumable_id)
    alike = same_item_at_other_levels(department, item)
    typed = request.GET.get("q", "").strip()
    lines = {pack.consumable for pack in alike} if not typed else set(lines_with_words(department, typed))
    form = PackForm(request.POST or None, department=department, alike=alike)
    if request.method == "POST" and form.is_valid():
        line = form.cleaned_data["line"]
        try:
            pack = learn_pack(
                department=department, item=item, consumable=line, pieces_per_pack=form.cleaned_data["pieces"]
            )
        except ValidationError as problem:
            form.add_error(None, problem)
        else:
            said = _("The pack with number %(item)s is known now: %(pieces)d × %(line)s.")
            messages.success(request, said % {"item": item, "pieces": pack.pieces_per_pack, "line": line.label})
            return redirect(reverse("scan"))
    context = {
        "item": item,
        "form": form,
        "alike": alike,
        "lines": sorted(lines, key=lambda line: (line.section, line.code)),
        "typed": typed if may_repeat(typed) else "",
        "searched": bool(typed),
    }
    return render(request, "scan/new_pack.html", context, status=400 if form.errors else 200)
