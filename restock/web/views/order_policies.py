"""How storeroom lines are ordered: seen line by line with what receipts taught, changed one by one or together."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from inventory.models import Place, Section, StockingLine
from restock.learning.lead_times import lead_times
from restock.models import OrderPolicy
from restock.supervising.order_policies import PolicyRefused, set_policies

from ..current import current_department, today
from ..forms.orders import ManyPoliciesForm, OrderPolicyForm
from ..keys import key_in, keys_in
from ..order_tables import OrderPolicyTable, lead_words
from ..paging import page_table


@require_http_methods(["GET", "HEAD", "POST"])
def order_policies(request: HttpRequest) -> HttpResponse:
    """The lines of one storeroom, and a form for many of them at once."""
    department = current_department(request)
    storerooms = list(Place.objects.filter(department=department).storerooms())
    storeroom = next((one for one in storerooms if str(one.pk) == request.GET.get("storeroom")), None)
    storeroom = storeroom or (storerooms[0] if storerooms else None)
    lines = StockingLine.objects.filter(place=storeroom).select_related("consumable").prefetch_related("place")
    section = request.GET.get("section", "")
    if key_in(section) in Section.values:
        lines = lines.filter(consumable__section=key_in(section))
    lines = lines.order_by("consumable__section", "consumable__name", "consumable__size_position", "consumable__code")

    many = ManyPoliciesForm(request.POST or None)
    if request.method == "POST" and many.is_valid():
        chosen = lines
        if request.POST.get("of") != "all":
            chosen = lines.filter(pk__in=keys_in(request.POST.getlist("line")))
        try:
            changed = set_policies(chosen, many.values())
        except PolicyRefused as refused:
            many.add_error(None, str(refused))
        else:
            if changed:
                words = ngettext("%(lines)d line changed.", "%(lines)d lines changed.", changed)
                messages.success(request, words % {"lines": changed})
            else:
                messages.warning(request, _("Tick the lines that you mean."))
            return redirect(f"{reverse('order-policies')}?{request.GET.urlencode()}")

    table = OrderPolicyTable(_policies(list(lines)), empty_text=_("No storeroom keeps a line yet."))
    page_table(request, table)
    shown = [row.record for row in table.paginated_rows]
    for policy, lead in zip(shown, lead_times(shown, department, today=today(request)), strict=True):
        policy.lead = lead
    context = {
        "table": table,
        "many": many,
        "storeroom": storeroom,
        "storerooms": storerooms,
        "section": section,
        "sections": [(str(value), label) for value, label in Section.choices],
        "all_lines": len(table.rows),
    }
    return render(request, "orders/policies.html", context, status=400 if many.errors else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def order_policy(request: HttpRequest, stocking_line_id: int) -> HttpResponse:
    """How one line is ordered."""
    department = current_department(request)
    lines = StockingLine.objects.filter(place__department=department, place__role=Place.Role.STOREROOM)
    line = get_object_or_404(lines.select_related("place", "consumable"), pk=stocking_line_id)
    policy = OrderPolicy.objects.filter(stocking_line=line).first() or OrderPolicy(stocking_line=line)
    policy.stocking_line = line
    [lead] = lead_times([policy], department, today=today(request))
    form = OrderPolicyForm(request.POST or None, instance=policy)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, _("Saved: %(line)s.") % {"line": line.consumable.label})
        return redirect(f"{reverse('order-policies')}?storeroom={line.place_id}")
    context = {"line": line, "form": form, "learned": lead_words(lead)}
    return render(request, "orders/policy.html", context, status=400 if form.errors else 200)


def _policies(lines: list[StockingLine]) -> list[OrderPolicy]:
    stated = {one.stocking_line_id: one for one in OrderPolicy.objects.filter(stocking_line__in=lines)}
    policies = []
    for line in lines:
        policy = stated.get(line.pk) or OrderPolicy()
        policy.stocking_line = line
        policies.append(policy)
    return policies
