"""Bundles: what to make up today, what was made up, and taking apart."""

from __future__ import annotations

from uuid import uuid4

from django.contrib import messages
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import ledger
from inventory.bundles import make_up, pieces_in, take_apart, take_back
from inventory.models import Assembly, Holding, Lot
from restock.bundles import to_make_up

from ..access import allows
from ..acting_forms import UndoForm
from ..bundle_forms import MakeUpForm, TakeApartForm
from ..current import current_department, current_plan, today

ASSEMBLIES_SHOWN = 15


@require_safe
def bundles(request: HttpRequest) -> HttpResponse:
    """What to make up for tonight, the bundles on hand, and what was made up lately."""
    department, day = current_department(request), today(request)
    plan = current_plan(request)
    upcoming = plan if plan and plan.for_date > day else None
    assemblies = Assembly.objects.filter(bundle__department=department).select_related("place", "bundle", "lot", "by")
    shown = list(assemblies.prefetch_related("movements__reversal")[:ASSEMBLIES_SHOWN])
    held = Holding.objects.filter(
        place__department=department,
        place__role__in=["cart", "storeroom"],
        quantity__gt=0,
        lot__in=assemblies.order_by().values("lot"),
    )
    context = {
        "plan": upcoming,
        "rows": [(row, uuid4().hex) for row in to_make_up(department, on=day, plan=upcoming)],
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
    held = Holding.objects.filter(lot=lot, place__role__in=["cart", "storeroom"], quantity__gt=0)
    context = {
        "lot": lot,
        "inside": inside,
        "held": [
            (one, uuid4().hex) for one in held.select_related("place").order_by("place__walk_order", "place__code")
        ],
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
            messages.success(request, _("Taken back: %(what)s.") % {"what": assembly})
    return redirect("bundles")
