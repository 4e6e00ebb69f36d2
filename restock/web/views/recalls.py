"""Recalls: the notices, opening one, the sweep through every place, the report and the signature."""

from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import recalls
from inventory.ledger import Refused
from inventory.lot_ranges import NotComparable
from inventory.models import Consumable, Recall
from restock.sheets.recall_sheets import SWEEP, apply_sweep, report_workbook, sweep_sheet
from restock.stock_life.recalled_use import used_before

from ..access import allows
from ..ages import age_words
from ..contents.recall_rows import sweep_rows
from ..current import current_department, today
from ..forms.recalls import AnswerForm, EndForm, PlaceForm, RecallForm, not_judged
from ..keys import key_in
from ..line_search import lines_or_refusal, may_repeat
from ..recall_scan import verdict
from ..scans import LONGEST_SCAN, Answer, answer_to
from ..sheet_back import BackPage, bring_back, paper_of, sheet_response

CLOSED_SHOWN = 50
PAGE = ["GET", "HEAD", "POST"]


@never_cache
@sensitive_post_parameters("scan")
@require_http_methods(PAGE)
def recall_list(request: HttpRequest) -> HttpResponse:
    """Every recall and drill, open ones first; and whether a scanned pack is recalled."""
    known = (
        Recall.objects.filter(department=current_department(request))
        .select_related("consumable", "closed_by")
        .annotate(
            asked=Count("places", distinct=True),
            answered=Count("places", filter=Q(places__answers__isnull=False), distinct=True),
        )
    )
    still_open, closed = list(known.filter(closed_at=None)), known.filter(closed_at__isnull=False)[:CLOSED_SHOWN]
    context = {
        "open": len(still_open),
        "groups": [(_("Open"), still_open), (_("Closed"), closed)],
        "may_open": allows("recall-new", request.user),
    }
    if request.method == "POST":
        context["verdict"] = verdict(scanned(request))
    return render(request, "recalls/list.html", context)


@never_cache
@sensitive_post_parameters("scan")
@require_http_methods(PAGE)
def recall_new(request: HttpRequest) -> HttpResponse:
    """Open a recall: first the line, by words or by a scan of the pack, then its lots."""
    department = current_department(request)
    if request.method == "POST" and "notice" not in request.POST:
        return _choose_line(request, request.POST.get("scan", "")[:LONGEST_SCAN])
    line = request.POST.get("line") or request.GET.get("line", "")
    if not line:
        return _choose_line(request, "")
    consumable = get_object_or_404(Consumable, pk=key_in(line), department=department)
    form = RecallForm(request.POST or None, consumable=consumable, initial={"barcode": request.GET.get("item", "")})
    if not form.is_valid():
        return _lots_page(request, form, status=400 if form.errors else 200)
    return _open(request, form)


def _choose_line(request: HttpRequest, typed: str) -> HttpResponse:
    lines, answer = lines_or_refusal(current_department(request), typed, today=today(request))
    if answer.found:
        found = {"line": answer.found.consumable.pk, "lot": answer.found.lot or "", "item": answer.scan.item or ""}
        return redirect(f"{reverse('recall-new')}?{urlencode(found)}")
    context = {"lines": lines, "answer": answer, "typed": typed if may_repeat(typed) else ""}
    return render(request, "recalls/choose_line.html", context)


def _lots_page(request: HttpRequest, form: RecallForm, *, candidates=None, ticked=(), status=200) -> HttpResponse:
    scanned = request.GET.get("lot", "")
    if candidates is None:
        candidates = recalls.candidates(form.consumable)
        ticked = request.POST.getlist("lot") or [scanned]
    known = {one.lot.number for one in candidates}
    if scanned and scanned not in known and not form.is_bound:
        form.initial["others"] = scanned
    context = {"form": form, "line": form.consumable, "candidates": candidates, "ticked": set(ticked)}
    return render(request, "recalls/new.html", context, status=status)


def _open(request: HttpRequest, form: RecallForm) -> HttpResponse:
    told = form.cleaned_data
    first, last = told["lot_from"], told["lot_to"]
    ticked = request.POST.getlist("lot")
    try:
        candidates = recalls.candidates(form.consumable, lot_from=first, lot_to=last)
    except NotComparable as problem:
        form.add_error("lot_from", _(problem.pattern) % problem.figures)
        return _lots_page(request, form, status=400)
    if (first or last) and request.POST.get("seen_range") != f"{first}|{last}":
        ticked += [one.lot.number for one in candidates if one.within]
        if not_judged(candidates) or request.POST.get("act") == "show":
            return _lots_page(request, form, candidates=candidates, ticked=ticked)
    try:
        recall = recalls.open_recall(
            consumable=form.consumable,
            notice=told["notice"],
            by=request.user,
            at=timezone.now(),
            lot_numbers=[*ticked, *told["others"]],
            lot_from=first,
            lot_to=last,
            all_lots=told["all_lots"],
            barcode=told["barcode"],
            recall_class=told["recall_class"],
            instruction=told["instruction"],
            drill=told["drill"],
        )
    except (Refused, ValidationError) as problem:
        form.add_error(None, problem.messages if isinstance(problem, ValidationError) else str(problem))
        return _lots_page(request, form, candidates=candidates, ticked=ticked, status=400)
    if recall.drill:
        messages.success(request, _("The drill has begun. No stock is touched."))
    else:
        messages.success(request, _("Its lots are out of reach from now on. Now every place answers."))
    return redirect("recall", recall.pk)


@never_cache
@sensitive_post_parameters("scan")
@require_http_methods(PAGE)
def recall(request: HttpRequest, recall_id: int) -> HttpResponse:
    """The sweep: one row for each place, in walking order; and whether a scanned pack is meant."""
    found = found_recall(request, recall_id)
    context = sweep(request, found)
    if request.method == "POST":
        context["verdict"] = verdict(scanned(request), found)
    return render(request, "recalls/sweep.html", context)


@require_POST
def recall_answer(request: HttpRequest, recall_id: int) -> HttpResponse:
    """What one place answers, none included."""
    found = found_recall(request, recall_id)
    form = AnswerForm(request.POST)
    if not form.is_valid():
        return _answer_again(request, found, form)
    told = form.cleaned_data
    place = get_object_or_404(found.places, pk=told.pop("recall_place"))
    try:
        recalls.answer(recall_place=place, by=request.user, at=timezone.now(), **told)
    except (Refused, ValidationError) as problem:
        form.add_error(None, problem.messages if isinstance(problem, ValidationError) else str(problem))
        return _answer_again(request, found, form)
    if request.htmx:
        context = sweep(request, found)
        context["row"] = next(row for row in context["rows"] if row.told.recall_place.pk == place.pk)
        return render(request, "recalls/answered.html", context)
    return redirect(f"{reverse('recall', args=[found.pk])}#place-{place.pk}")


def _answer_again(request: HttpRequest, found: Recall, form: AnswerForm) -> HttpResponse:
    typed = request.POST.get("recall_place", "")
    place = get_object_or_404(found.places, pk=key_in(typed))
    form.auto_id = f"%s-{place.pk}"
    context = sweep(request, found, refused={place.pk: form})
    if request.htmx:  # which swaps in no answer that says it failed
        context["row"] = next(row for row in context["rows"] if row.refused)
        return render(request, "recalls/answered.html", context)
    return render(request, "recalls/sweep.html", context, status=400)


@require_POST
def recall_name_place(request: HttpRequest, recall_id: int) -> HttpResponse:
    """Have a further place answer."""
    found = found_recall(request, recall_id)
    form = PlaceForm(request.POST, recall=found)
    if not form.is_valid():
        messages.error(request, _("Choose a place that is not on this list yet."))
        return redirect("recall", found.pk)
    try:
        place = recalls.name_place(recall=found, place=form.cleaned_data["place"])
    except Refused as problem:
        messages.error(request, str(problem))
        return redirect("recall", found.pk)
    return redirect(f"{reverse('recall', args=[found.pk])}#place-{place.pk}")


@require_POST
def recall_close(request: HttpRequest, recall_id: int) -> HttpResponse:
    """The closing signature."""
    return _end(request, recall_id, recalls.close, _("Signed and closed. What was put aside stays out of reach."))


@require_POST
def recall_withdraw(request: HttpRequest, recall_id: int) -> HttpResponse:
    """The notice was taken back."""
    return _end(request, recall_id, recalls.withdraw, _("Withdrawn: its lots may be used again."))


def _end(request: HttpRequest, recall_id: int, end, said: str) -> HttpResponse:
    found = found_recall(request, recall_id)
    form = EndForm(request.POST)
    if not form.is_valid():
        messages.error(request, " ".join(form.errors["note"]))
        return redirect("recall", found.pk)
    try:
        end(recall=found, by=request.user, at=timezone.now(), note=form.cleaned_data["note"])
    except Refused as problem:
        messages.error(request, str(problem))
        return redirect("recall", found.pk)
    messages.success(request, said)
    return redirect("recall-report", found.pk)


@require_safe
def recall_report(request: HttpRequest, recall_id: int) -> HttpResponse:
    """What came of a recall, to read and to print."""
    found = found_recall(request, recall_id)
    told = recalls.report(found)
    context = {
        "recall": found,
        "report": told,
        "answering": told.answering_took is not None and age_words(told.answering_took),
        "took": told.took is not None and age_words(told.took),
        "used": used_before(found),
        "lots": _lots(found),
    }
    return render(request, "recalls/report.html", context)


@require_safe
def recall_report_workbook(request: HttpRequest, recall_id: int) -> HttpResponse:
    """The report as a workbook."""
    found = found_recall(request, recall_id)
    data = report_workbook(recalls.report(found), used_before(found), _lots(found))
    return sheet_response(data, f"recall {found.pk} report")


@require_safe
def recall_sheet(request: HttpRequest, recall_id: int) -> HttpResponse:
    """The sweep as a workbook to fill in."""
    found = found_recall(request, recall_id)
    told, bins = recalls.report(found), recalls.bins_of(found)
    data = sweep_sheet(told, bins=bins, lots=_lots(found), made_at=timezone.now(), paper=paper_of(request))
    return sheet_response(data, f"recall {found.pk} sweep")


@require_http_methods(PAGE)
def recall_sheet_back(request: HttpRequest, recall_id: int) -> HttpResponse:
    """The filled-in sweep comes back."""
    found = found_recall(request, recall_id)
    page = BackPage(
        heading=_("Bring the sheet of a recall back"),
        lead=_("Every row with a number under Found is an answer; 0 is one too. A row left empty stays open."),
        back_url=reverse("recall", args=[found.pk]),
        back_label=found.notice,
    )
    return bring_back(request, SWEEP, apply_sweep(found), page, about=f"recall-{found.pk}")


def found_recall(request: HttpRequest, recall_id: int) -> Recall:
    """The recall of an address, of this department only."""
    known = Recall.objects.select_related("consumable", "department", "opened_by", "closed_by")
    return get_object_or_404(known, pk=recall_id, department=current_department(request))


def _lots(recall: Recall):
    return [named.lot for named in recall.lots.select_related("lot").order_by("lot__number")]


def scanned(request: HttpRequest) -> Answer:
    """What was scanned into the box of a page."""
    text = request.POST.get("scan", "")[: LONGEST_SCAN + 1]
    return answer_to(current_department(request), text, today=today(request))


def sweep(request: HttpRequest, found: Recall, refused=None) -> dict:
    """What the page of a sweep shows."""
    told = recalls.report(found)
    may_close = allows("recall-close", request.user)
    return {
        "recall": found,
        "report": told,
        "lots": _lots(found),
        "rows": sweep_rows(told, refused),
        "may_answer": allows("recall-answer", request.user) and not found.withdrawn,
        "may_close": may_close and found.closed_at is None,
        "may_withdraw": may_close and not found.withdrawn and not found.drill,
        "place_form": PlaceForm(recall=found) if found.closed_at is None else None,
    }
