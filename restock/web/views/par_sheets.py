"""Par sheets as a grid: one place at a time, all rows checked before any is saved."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.db.models import Count, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.models import Place, StockingLine
from restock.models import ParChange
from restock.setting_up.par_changes import ParRefused
from restock.setting_up.par_sheets import RowChange, add_to_par_sheet, change_par_sheet

from ..current import current_department
from ..forms.setup import NewParRowForm, ParRowForm, ReasonForm
from ..par_grid import grid_rows

CHANGES_SHOWN = 10


@require_safe
def par_sheets(request: HttpRequest) -> HttpResponse:
    """Every place with how much it keeps."""
    places = Place.objects.filter(department=current_department(request)).physical()
    places = places.annotate(lines=Count("stocking_lines"), pieces=Sum("stocking_lines__par", default=0))
    return render(request, "setup/par_sheets.html", {"places": places.order_by("role", "walk_order", "code")})


@require_http_methods(["GET", "HEAD", "POST"])
def par_sheet(request: HttpRequest, place_id: int) -> HttpResponse:
    """The grid of one place. Every par that changes needs a reason, one for the sheet."""
    place = _place(request, place_id)
    rows = place.stocking_lines.select_related("consumable", "bin").order_by(
        "consumable__section", "consumable__name", "consumable__size_position", "consumable__code"
    )
    bins = list(place.bins.all())
    sheet = forms.modelformset_factory(StockingLine, form=ParRowForm, extra=0)(
        request.POST or None, queryset=rows, form_kwargs={"bins": bins}
    )
    reason = ReasonForm(request.POST or None)
    if request.method == "POST" and sheet.is_valid() and reason.is_valid():
        changes = [_change(form) for form in sheet if form.has_changed()]
        if any("par" in change.values or change.off for change in changes) and not reason.cleaned_data["reason"]:
            reason.add_error("reason", _("Say why the pars change: somebody will ask."))
        else:
            try:
                done = change_par_sheet(
                    place, changes, reason=reason.cleaned_data["reason"], by=request.user, at=timezone.now()
                )
            except ParRefused as problem:
                reason.add_error(None, str(problem))
            else:
                saved = ngettext("%(done)d row of %(place)s saved.", "%(done)d rows of %(place)s saved.", done)
                messages.success(request, saved % {"done": done, "place": place})
                return redirect("par-sheet", place_id=place_id)
    faulty = sum(bool(form.errors) for form in sheet) if sheet.is_bound else 0
    context = _context(place, NewParRowForm(place=place)) | {"sheet": sheet, "reason": reason, "faulty": faulty}
    context["rows"] = list(grid_rows(sheet, bins))
    context["management_form"] = sheet.management_form  # a template that asks the sheet for it has all forms made
    return render(request, "setup/par_sheet.html", context, status=400 if faulty or reason.errors else 200)


@require_POST
def add_par_row(request: HttpRequest, place_id: int) -> HttpResponse:
    """Put a line on a place's par sheet."""
    place = _place(request, place_id)
    form, reason = NewParRowForm(request.POST, place=place), ReasonForm(request.POST)
    if form.is_valid() and reason.is_valid():
        why = reason.cleaned_data["reason"] or _("New on this par sheet.")
        line = form.save(commit=False)
        try:
            add_to_par_sheet(line, reason=why, by=request.user, at=timezone.now())
        except ParRefused as problem:
            form.add_error("consumable", str(problem))
        else:
            messages.success(request, _("%(line)s is on the par sheet.") % {"line": line.consumable.label})
            return redirect("par-sheet", place_id=place_id)
    return render(request, "setup/par_sheet.html", _context(place, form), status=400)


def _place(request: HttpRequest, place_id: int) -> Place:
    places = Place.objects.filter(department=current_department(request)).physical()
    return get_object_or_404(places.select_related("department"), pk=place_id)


def _change(form: ParRowForm) -> RowChange:
    named = [name for name in form.changed_data if name != "off"]
    values = {name: form.cleaned_data[name] for name in named}
    return RowChange(form.instance.pk, values, off=form.cleaned_data["off"])


def _context(place: Place, form: NewParRowForm) -> dict:
    changes = ParChange.objects.filter(place=place).select_related("consumable", "by")
    return {"place": place, "new_row": form, "changes": changes[:CHANGES_SHOWN]}
