"""Lots: find one, see where every piece of it went, and put it out of reach."""

from urllib.parse import urlencode
from uuid import uuid4

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import holds
from inventory.ledger import Refused
from inventory.models import Lot
from inventory.recalls import recall_of
from restock.stock_life.tracing import rests, trace

from ..access import allows
from ..current import current_department, today
from ..forms.lots import HoldForm
from ..line_search import may_repeat
from ..scans import LONGEST_SCAN, answer_to

SHOWN_AT_MOST = 50


@never_cache
@sensitive_post_parameters("scan")
@require_http_methods(["GET", "HEAD", "POST"])
def lots(request: HttpRequest) -> HttpResponse:
    """Find a lot by a scan of its pack, or by its number."""
    department = current_department(request)
    known = Lot.objects.filter(consumable__department=department).select_related("consumable")
    if request.method == "POST":
        typed = request.POST.get("scan", "").strip()[: LONGEST_SCAN + 1]
        answer = answer_to(department, typed, today=today(request))
        if answer.found and answer.found.known_lot:
            return redirect("lot", answer.found.known_lot.pk)
        if not answer.found and not answer.about_a_person and typed and may_repeat(typed) and len(typed) <= 60:
            return redirect(f"{reverse('lots')}?{urlencode({'q': typed})}")
        found = known.filter(consumable=answer.found.consumable) if answer.found else known.none()
        return render(request, "lots/list.html", {"answer": answer, "lots": found[:SHOWN_AT_MOST], "searched": True})
    typed = request.GET.get("q", "").strip()[:60]
    found = known.filter(number__icontains=typed) if typed else known.filter(quarantined_at__isnull=False)
    context = {"lots": found[:SHOWN_AT_MOST], "searched": bool(typed), "typed": typed if may_repeat(typed) else ""}
    return render(request, "lots/list.html", context)


@require_safe
def lot(request: HttpRequest, lot_id: int) -> HttpResponse:
    """One lot: where it lies, where it went, and what keeps it out of reach."""
    return _page(request, _lot(request, lot_id))


@require_POST
def put_aside(request: HttpRequest, lot_id: int) -> HttpResponse:
    """Put every piece of a lot out of reach."""
    return _hold(request, lot_id, holds.put_aside, _("Put aside: nobody is told to take from this lot any more."))


@require_POST
def let_back(request: HttpRequest, lot_id: int) -> HttpResponse:
    """Let a lot that was put aside by hand be used again."""
    return _hold(request, lot_id, holds.let_back, _("Let back by hand."))


def _hold(request: HttpRequest, lot_id: int, write, said: str) -> HttpResponse:
    found, form = _lot(request, lot_id), HoldForm(request.POST)
    if not form.is_valid():
        return _page(request, found, form)
    try:
        write(lot=found, by=request.user, at=timezone.now(), **form.cleaned_data)
    except (Refused, ValidationError) as problem:
        form.add_error(None, problem.messages if isinstance(problem, ValidationError) else str(problem))
        return _page(request, found, form)
    messages.success(request, said)
    return redirect("lot", found.pk)


def _page(request: HttpRequest, found: Lot, form: HoldForm | None = None) -> HttpResponse:
    steps = trace(found)
    aside = holds.is_put_aside(found)
    context = {
        "lot": found,
        "steps": steps,
        "rests": rests(steps),
        "recall": recall_of(found.consumable, found.number),
        "drills": found.recalls.filter(recall__drill=True, recall__closed_at=None).select_related("recall"),
        "holds": found.holds.select_related("by"),
        "aside": aside,
        "may_hold": allows("let-back" if aside else "put-aside", request.user),
        "form": form or HoldForm(initial={"key": uuid4()}),
        "expired": found.expires_on is not None and found.expires_on < today(request),
    }
    return render(request, "lots/lot.html", context, status=400 if form else 200)


def _lot(request: HttpRequest, lot_id: int) -> Lot:
    known = Lot.objects.select_related("consumable")
    return get_object_or_404(known, pk=lot_id, consumable__department=current_department(request))
