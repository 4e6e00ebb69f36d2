"""Bundles: what to make up today, what was made up, and taking apart."""

from __future__ import annotations

from uuid import uuid4

from django.contrib import messages
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import ledger
from inventory.bundles import make_up, pieces_in, take_apart, take_back
from inventory.models import Assembly, Holding, Lot
from restock.models import Plan
from restock.sheets.bundle_sheets import MAKE_UP, apply_make_up_sheet, write_make_up_sheet
from restock.stock_life.bundles import ToMakeUp, to_make_up

from ..access import allows
from ..current import current_department, current_plan, today
from ..forms.acting import UndoForm
from ..forms.bundles import MakeUpForm, TakeApartForm
from ..sheet_back import BackPage, bring_back, paper_of, sheet_response

ASSEMBLIES_SHOWN = 15


@require_safe
def bundles(request: HttpRequest) -> HttpResponse:
    """What to make up for tonight, the bundles on hand, and what was made up lately."""
    department, day = current_department(request), today(request)
    assemblies = Assembly.objects.filter(bundle__department=department).select_related("place", "bundle", "lot", "by")
    shown = list(assemblies.prefetch_related("movements__reversal")[:ASSEMBLIES_SHOWN])
    held = Holding.objects.filter(
        place__department=department,
        place__role__in=["cart", "storeroom"],
        quantity__gt=0,
        lot__in=assemblies.order_by().values("lot"),
    )
    context = {
        "plan": _plan_ahead(request),
        "rows": [(row, uuid4().hex) for row in _rows(request)],
        "held": held.select_related("place", "consumable", "lot").order_by(
            F("lot__expires_on").asc(nulls_last=True), "place__walk_order", "consumable__code"
        ),
        "today": day,
        "assemblies": [(one, any(hasattr(m, "reversal") for m in one.movements.all()), uuid4().hex) for one in shown],
        "may_set_up": allows("setup-list", request.user),
    }
    return render(request, "bundles/bundles.html", context)


@require_POST
def make_up_bundles(request: HttpRequest) -> HttpResponse:
    """Record bundles that were made up."""
    form = MakeUpForm(request.POST, department=current_department(request))
    if not form.is_valid():
        messages.error(request, _("Not recorded: say of which bundle, and how many: at least one."))
        return redirect("bundles")
    told = form.cleaned_data
    try:
        made = make_up(
            place=told["place"], bundle=told["bundle"], bundles=told["bundles"], by=request.user, at=timezone.now(),
            key=f"bundle:{told['key']}",
        )  # fmt: skip
    except ledger.Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("bundles")
    words = {"bundles": made.bundles, "bundle": made.bundle.label, "lot": made.lot}
    messages.success(request, _("%(bundles)d × %(bundle)s made up: lot %(lot)s.") % words)
    return redirect("bundle-lot", lot_id=made.lot_id)


@require_http_methods(["GET", "HEAD", "POST"])
def bundle_lot(request: HttpRequest, lot_id: int) -> HttpResponse:
    """One lot of bundles: what is in it, where it is, and taking some of it apart."""
    department = current_department(request)
    made_up = Lot.objects.filter(consumable__department=department, assemblies__isnull=False)
    lot = get_object_or_404(made_up.select_related("consumable").distinct(), pk=lot_id)
    form = TakeApartForm(request.POST or None, department=department)
    if request.method == "POST" and form.is_valid() and form.cleaned_data["lot"] == lot:
        told = form.cleaned_data
        try:
            apart = take_apart(
                place=told["place"], lot=lot, bundles=told["bundles"], by=request.user, at=timezone.now(),
                key=f"bundle:{told['key']}",
            )  # fmt: skip
        except ledger.Refused as refusal:
            messages.error(request, str(refusal))
        else:
            words = {"bundles": apart.bundles, "place": apart.place}
            said = _(
                "%(bundles)d taken apart; their pieces are back in %(place)s. Read each pack before you put it away."
            )
            messages.success(request, said % words)
        return redirect("bundle-lot", lot_id=lot.pk)
    inside = pieces_in(lot)
    on_places = Holding.objects.filter(lot=lot, place__role__in=["cart", "storeroom"], quantity__gt=0)
    held = list(on_places.select_related("place").order_by("place__walk_order", "place__code"))
    context = {
        "lot": lot,
        "inside": inside,
        "on_hand": sum(one.quantity for one in held),
        "held": [(one, uuid4().hex) for one in held],
        "form": form,
        "has_ended": lot.expires_on is not None and lot.expires_on < today(request),
        "lacks_dates": any(one.lot is None or one.lot.expires_on is None for one in inside),
    }
    return render(request, "bundles/lot.html", context, status=400 if form.errors else 200)


@require_POST
def take_assembly_back(request: HttpRequest, assembly_id: int) -> HttpResponse:
    """Say that bundles were not made up, or not taken apart."""
    assembly = get_object_or_404(Assembly, pk=assembly_id, bundle__department=current_department(request))
    form = UndoForm(request.POST)
    if form.is_valid():
        try:
            key = f"bundle:{form.cleaned_data['key']}"
            take_back(assembly=assembly, by=request.user, at=timezone.now(), key=key)
        except ledger.Refused as refusal:
            messages.error(request, str(refusal))
        else:
            words = {"bundles": assembly.bundles, "bundle": assembly.bundle.label}
            messages.success(request, _("Taken back: %(bundles)d × %(bundle)s.") % words)
    return redirect("bundles")


@require_safe
def make_up_sheet(request: HttpRequest) -> HttpResponse:
    """What to make up as a workbook. `?paper=letter` sets it for US Letter."""
    department, day = current_department(request), today(request)
    workbook = write_make_up_sheet(department, _rows(request), on=day, at=timezone.now(), paper=paper_of(request))
    return sheet_response(workbook, f"bundles {day}")


@require_http_methods(["GET", "HEAD", "POST"])
def make_up_sheet_back(request: HttpRequest) -> HttpResponse:
    """A filled-in sheet of bundles comes back."""
    page = BackPage(
        heading=_("Bring a sheet of bundles back"),
        lead=_("What stands in the column Made up is recorded. The same file twice changes nothing."),
        back_url=reverse("bundles"),
        back_label=_("Bundles"),
    )
    department = current_department(request)
    return bring_back(
        request, MAKE_UP, lambda filled, by, at: apply_make_up_sheet(filled, department=department, by=by, at=at), page
    )


def _plan_ahead(request: HttpRequest) -> Plan | None:
    """The plan for a day that is still to come."""
    plan = current_plan(request)
    return plan if plan and plan.for_date > today(request) else None


def _rows(request: HttpRequest) -> list[ToMakeUp]:
    return to_make_up(current_department(request), on=today(request), plan=_plan_ahead(request))
