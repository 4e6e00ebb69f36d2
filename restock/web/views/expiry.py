"""What ends soon: how much of it is likely to be wasted, the pull list of a round, and dates read on packs."""

from __future__ import annotations

from uuid import uuid4

from django.contrib import messages
from django.db.models import Count as Number
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import ledger
from inventory.dates import DateRead, check_dates
from inventory.models import BundlePiece, Place, StockingLine
from restock.evening.moving import moves_since
from restock.models import policy_of
from restock.plans.filling import count_drawer
from restock.sheets.expiry_sheets import PULL, apply_pull_sheet, write_pull_sheet
from restock.stock_life.expiry import Dated, dated_pieces, find_dated, lines_by_earliest
from restock.stock_life.expiry_pulling import carry_to, not_there, pulled_since, take_back, throw_away
from restock.stock_life.found_wrong import ask_no_longer, below_zero, tasks_asked
from restock.stock_life.found_wrong import not_there as not_there_uncounted
from restock.supervising.expiry_waste import expected_waste

from ..contents.expiry_rows import PulledRow, destinations, pull_rows, waste_rows
from ..contents.move_rows import move_rows
from ..current import current_department, today
from ..forms.expiry import CARRIED, THROWN_AWAY, CountedForm, DateReadForm, PullForm, TakenBackForm
from ..keys import key_in
from ..sheet_back import BackPage, bring_back, paper_of, sheet_response
from .moves import day_carried_for


@require_safe
def expiry(request: HttpRequest) -> HttpResponse:
    """Everything that ends within the department's warning, soonest first; with `?now=yes`, which takes some seconds,
    also how many pieces are likely to be wasted, most first, and the exchanges that save some."""
    department, day = current_department(request), today(request)
    days = policy_of(department).expiry_warning_days
    rows = dated_pieces(department, on=day, within_days=days)
    waste = expected_waste(department, today=day, days=days) if request.GET.get("now") == "yes" else None
    [exchanges] = move_rows(
        department,
        [waste.walks if waste else ()],
        swaps=[True],
        today=day,
        carried_for=day_carried_for(request),
        page="expiry",
    )
    kept = StockingLine.objects.filter(place__department=department, tracking=StockingLine.Tracking.EARLIEST_DATE)
    by_earliest = kept.order_by("place__walk_order", "place__code").values("place", "place__name")
    context = {
        "days": days,
        "waste": waste,
        "exchanges": exchanges,
        "done": [one for one in moves_since(department, department.local_midnight(day)) if one.is_swap],
        "rows": waste_rows(rows, waste, on=day),
        "to_read": by_earliest.annotate(lines=Number("pk")),
    }
    return render(request, "expiry/expiry.html", context)


@require_safe
def pull_list(request: HttpRequest) -> HttpResponse:
    """What to pull on this round, in walking order, and what was done today. `?place=` narrows it to one place."""
    return render(request, "expiry/pull_rows.html" if request.htmx else "expiry/pull_list.html", _pull_list(request))


@require_POST
def pull_act(request: HttpRequest) -> HttpResponse:
    """Record what was done with one row."""
    department, now = current_department(request), timezone.now()
    form = PullForm(request.POST, department=department)
    if not form.is_valid():
        return _again(request, next(iter(form.errors.values()))[0])
    told = form.cleaned_data
    dated = find_dated(department, told["row"], on=department.local_date(now))
    if dated is None:
        return _again(request, _("Nothing of this row is on record any more: a colleague may have seen to it."))
    common = {"pieces": told["pieces"], "by": request.user, "at": now, "key": told["key"]}
    try:
        if told["act"] == THROWN_AWAY:
            throw_away(dated, **common)
        elif told["act"] == CARRIED:
            carry_to(dated, destination=told["destination"], **common)
        else:
            not_there(dated, **common)
    except ledger.Refused as refusal:
        return _again(request, str(refusal))
    return _again(request)


@require_POST
def pull_take_back(request: HttpRequest) -> HttpResponse:
    """Take an act of the pull list back."""
    form = TakenBackForm(request.POST)
    if not form.is_valid():
        return _again(request, _("There is nothing of that kind to take back."))
    try:
        take_back(current_department(request), key=form.cleaned_data["act"], by=request.user, at=timezone.now())
    except ledger.Refused as refusal:
        return _again(request, str(refusal))
    return _again(request)


@require_POST
def pull_count(request: HttpRequest) -> HttpResponse:
    """Count a line of which pieces were not there."""
    form = CountedForm(request.POST, department=current_department(request))
    if not form.is_valid():
        return _again(request, _("Not saved: type a number of pieces."))
    told = form.cleaned_data
    where = {"place": told["place"], "consumable": told["consumable"], "by": request.user, "at": timezone.now()}
    try:
        if told["place"].role == Place.Role.CART:
            count_drawer(in_drawer=told["counted"], key=f"count:{told['key']}", **where)
        else:
            ledger.count(counted=told["counted"], key=f"count:{told['key']}", **where)
    except ledger.Refused as refusal:
        return _again(request, str(refusal))
    ask_no_longer(place=told["place"], consumable=told["consumable"])
    return _again(request)


@require_safe
def pull_sheet(request: HttpRequest) -> HttpResponse:
    """The pull list to print."""
    return render(request, "expiry/pull_sheet.html", _pull_list(request))


@require_safe
def pull_workbook(request: HttpRequest) -> HttpResponse:
    """The pull list as a workbook. `?paper=letter` sets it for US Letter."""
    department, day = current_department(request), today(request)
    rows, _days = _rows(request)
    workbook = write_pull_sheet(department, rows, on=day, at=timezone.now(), paper=paper_of(request))
    return sheet_response(workbook, f"pull list {day}")


@require_http_methods(["GET", "HEAD", "POST"])
def pull_workbook_back(request: HttpRequest) -> HttpResponse:
    """A filled-in pull list comes back."""
    page = BackPage(
        heading=_("Bring a pull list back"),
        lead=_("What stands in the columns Thrown away, Carried and Not there is recorded. The same file twice "
               "changes nothing."),
        back_url=reverse("pull-list"),
        back_label=_("Pull list"),
    )  # fmt: skip
    department = current_department(request)
    return bring_back(
        request, PULL, lambda filled, by, at: apply_pull_sheet(filled, department=department, by=by, at=at), page
    )


@require_http_methods(["GET", "HEAD", "POST"])
def read_dates(request: HttpRequest, place_id: int) -> HttpResponse:
    """The lines of a place that are kept by their earliest date: which date a person reads on the packs now."""
    department = current_department(request)
    place = get_object_or_404(Place.objects.filter(department=department).physical(), pk=place_id)
    lines = lines_by_earliest(department, place)
    forms = [DateReadForm(request.POST or None, prefix=f"line-{one.line.pk}") for one in lines]
    key = request.POST.get("key") or uuid4().hex
    if request.method == "POST" and not any(form.errors for form in forms):
        read = [
            DateRead(
                place=place,
                consumable=one.line.consumable,
                earliest_expires_on=form.cleaned_data["day"],
                key=f"dates:{key[:32]}:{one.line.pk}",
            )
            for one, form in zip(lines, forms, strict=True)
            if form.cleaned_data["day"] or form.cleaned_data["none"]
        ]
        try:
            check_dates(read, by=request.user, at=timezone.now())
        except ledger.KeyReused:
            messages.error(request, _("Not saved: these dates were sent before. Load the page again."))
        else:
            words = ngettext("%(read)d date kept for %(place)s.", "%(read)d dates kept for %(place)s.", len(read))
            messages.success(request, words % {"read": len(read), "place": place})
        return redirect("read-dates", place_id=place.pk)
    context = {"place": place, "rows": list(zip(lines, forms, strict=True)), "key": key}
    return render(request, "expiry/read_dates.html", context, status=400 if any(form.errors for form in forms) else 200)


def _rows(request: HttpRequest) -> tuple[list[Dated], int]:
    """The rows of the pull list, and how many days ahead they end at most."""
    department = current_department(request)
    days = policy_of(department).expiry_warning_days
    place = Place.objects.filter(department=department, pk=key_in(request.GET.get("place"))).first()
    return dated_pieces(department, on=today(request), within_days=days, place=place), days


def _pull_list(request: HttpRequest, trouble: str = "") -> dict:
    department, day = current_department(request), today(request)
    rows, days = _rows(request)
    acts = pulled_since(department, department.local_midnight(day))
    short, missing, tasks = below_zero(department), not_there_uncounted(department), tasks_asked(department)
    made_up = set(BundlePiece.objects.filter(bundle__department=department).values_list("bundle", flat=True))
    troubled = request.POST.get("row", "") if trouble else ""
    return {
        "days": days,
        "today": day,
        "trouble": trouble,
        "troubled": troubled,
        "places": pull_rows(
            rows, destinations(department, rows), made_up, on=day, opened=troubled or request.GET.get("at", "")
        ),
        "rows_open": len(rows),
        "done": [
            PulledRow(act, line in short, line in missing, tasks.get(line))
            for act in acts
            for line in [(act.place.pk, act.consumable.pk)]
        ],
    }


def _again(request: HttpRequest, trouble: str = "") -> HttpResponse:
    if request.htmx:
        return render(request, "expiry/pull_rows.html", _pull_list(request, trouble))
    if trouble:
        return render(request, "expiry/pull_list.html", _pull_list(request, trouble), status=409)
    return redirect("pull-list")
