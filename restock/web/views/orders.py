"""Orders: put together, placed, followed, and closed."""

from __future__ import annotations

from uuid import uuid4

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import orders as domain
from inventory.models import Order, OrderLine, Receipt
from inventory.orders import OrderRefused, standings, state_of
from restock import jobs
from restock.models import WorkRequest
from restock.sheets.order_sheets import REQUISITION, apply_requisition, write_requisition
from restock.supervising import ordering

from ..contents.order_words import STATE_CLASSES, line_rows
from ..current import current_department, today
from ..forms.orders import AddOrderLineForm, BackOrderForm, NewOrderForm, PlaceOrderForm
from ..keys import key_in
from ..order_tables import OrderTable
from ..paging import page_table
from ..sheet_back import BackPage, bring_back, paper_of, sheet_response
from .working import work_state

NUMBER_LENGTH = 4


@require_safe
def orders(request: HttpRequest) -> HttpResponse:
    """All orders, newest first."""
    department = current_department(request)
    known = Order.objects.filter(storeroom__department=department).select_related("storeroom", "placed_by", "made_by")
    table = OrderTable(known, department=department, empty_text=_("Nothing was ordered here yet."))
    page_table(request, table)
    table.work_out(today(request))
    context = {
        "table": table,
        "start": NewOrderForm(department=department),
        "work": work_state(department, WorkRequest.Kind.ORDERS),
    }
    return render(request, "orders/list.html", context)


@require_POST
def work_out_orders(request: HttpRequest) -> HttpResponse:
    """Have an order put together for every storeroom that should order today."""
    jobs.ask(department=current_department(request), kind=WorkRequest.Kind.ORDERS, by=request.user, at=timezone.now())
    return redirect("orders")


@require_POST
def order_new(request: HttpRequest) -> HttpResponse:
    """Begin an order of nothing yet."""
    form = NewOrderForm(request.POST, department=current_department(request))
    if not form.is_valid():
        messages.error(request, _("Choose a storeroom."))
        return redirect("orders")
    storeroom = form.cleaned_data["storeroom"]
    number = domain.next_number(storeroom)
    made = domain.start_order(storeroom=storeroom, number=number, lines=[], by=request.user, at=timezone.now())
    return redirect("order", made.pk)


@require_safe
def order(request: HttpRequest, order_id: int) -> HttpResponse:
    """One order with its lines: packs to change while it is put together, what came and what is late after."""
    return _page(request, _order(request, order_id))


@require_POST
def order_packs(request: HttpRequest, order_id: int) -> HttpResponse:
    """Save the packs of an order that is put together."""
    of = _order(request, order_id)
    try:
        changed = domain.set_packs(order=of, packs=_packs(request.POST))
    except OrderRefused as refused:
        messages.error(request, str(refused))
    else:
        words = ngettext("%(lines)d line changed.", "%(lines)d lines changed.", changed)
        messages.success(request, words % {"lines": changed})
    return redirect("order", of.pk)


@require_POST
def order_add(request: HttpRequest, order_id: int) -> HttpResponse:
    """Put another line on an order."""
    of = _order(request, order_id)
    form = AddOrderLineForm(request.POST, order=of)
    if form.is_valid():
        line = form.cleaned_data["line"]
        holds = form.cleaned_data["holds"] or ordering.pieces_per_pack(line)
        try:
            domain.add_line(order=of, consumable=line, packs=form.cleaned_data["packs"], pieces_per_pack=holds)
        except OrderRefused as refused:
            form.add_error(None, str(refused))
        else:
            messages.success(request, _("%(line)s is on the order.") % {"line": line.label})
            return redirect("order", of.pk)
    return _page(request, of, add=form)


@require_POST
def order_place(request: HttpRequest, order_id: int) -> HttpResponse:
    """Say that an order was sent."""
    of = _order(request, order_id)
    form = PlaceOrderForm(request.POST)
    if form.is_valid():
        try:
            ordering.place(
                of, by=request.user, at=timezone.now(), today=today(request), number=form.cleaned_data["number"]
            )
        except OrderRefused as refused:
            form.add_error("number", str(refused))
        else:
            messages.success(request, _("Placed. Send the requisition to the supplier: nothing goes out by itself."))
            return redirect("order", of.pk)
    return _page(request, of, place=form)


@require_POST
def order_drop(request: HttpRequest, order_id: int) -> HttpResponse:
    """Throw away an order that was never placed."""
    of = _order(request, order_id)
    try:
        domain.drop_order(order=of)
    except OrderRefused as refused:
        messages.error(request, str(refused))
        return redirect("order", of.pk)
    messages.success(request, _("%(number)s was thrown away.") % {"number": of.number})
    return redirect("orders")


@require_POST
def close_order(request: HttpRequest, order_id: int) -> HttpResponse:
    """Expect nothing more of the lines that are named, or of any line."""
    of = _order(request, order_id)
    lines = of.lines.all()
    if named := request.POST.get("line"):
        lines = lines.filter(pk=key_in(named))
    closed = domain.close_lines(lines=lines, by=request.user, at=timezone.now())
    words = ngettext("%(lines)d line closed.", "%(lines)d lines closed.", closed)
    messages.success(request, words % {"lines": closed})
    return redirect("order", of.pk)


@require_POST
def reopen_order_line(request: HttpRequest, order_line_id: int) -> HttpResponse:
    """Expect the rest of a closed line again."""
    line = _line(request, order_line_id)
    domain.reopen_line(line=line)
    messages.success(request, _("Expected again: %(line)s.") % {"line": line.consumable.label})
    return redirect("order", line.order_id)


@require_POST
def back_order(request: HttpRequest, order_line_id: int) -> HttpResponse:
    """Keep what the supplier said about a line, or that it was taken back."""
    line = _line(request, order_line_id)
    form = BackOrderForm(request.POST)
    if not form.is_valid():
        messages.error(request, " ".join(words for errors in form.errors.values() for words in errors))
        return redirect("order", line.order_id)
    told = form.cleaned_data
    try:
        domain.tell_back_order(
            line=line,
            by=request.user,
            at=timezone.now(),
            key=told["key"],
            expected_on=told["expected_on"],
            pieces=told["pieces"],
            note=told["note"],
            withdrawn=request.POST.get("act") == "withdrawn",
        )
    except OrderRefused as refused:
        messages.error(request, str(refused))
    else:
        messages.success(request, _("Kept: %(line)s.") % {"line": line.consumable.label})
    return redirect("order", line.order_id)


@require_safe
def order_print(request: HttpRequest, order_id: int) -> HttpResponse:
    """The requisition on paper."""
    of = _order(request, order_id)
    rows = line_rows(standings(of.lines.all()), today=today(request))
    return render(request, "orders/print.html", {"order": of, "rows": rows, "receipts": _receipts(of)})


@require_safe
def order_sheet(request: HttpRequest, order_id: int) -> HttpResponse:
    """The requisition as a workbook. `?paper=letter` sets it for US Letter."""
    of = _order(request, order_id)
    return sheet_response(write_requisition(of, at=timezone.now(), paper=paper_of(request)), f"requisition {of.number}")


@require_http_methods(["GET", "HEAD", "POST"])
def order_sheet_back(request: HttpRequest, order_id: int) -> HttpResponse:
    """A requisition that the buyer filled in comes back."""
    of = _order(request, order_id)
    page = BackPage(
        heading=_("Bring a requisition back"),
        lead=_("Packs that the buyer changed, days on which lines will come, and back-orders are kept. The same file "
               "twice changes nothing."),
        back_url=reverse("order", args=[of.pk]),
        back_label=of.number,
    )  # fmt: skip
    return bring_back(
        request,
        REQUISITION,
        lambda filled, by, at: apply_requisition(filled, order=of, by=by, at=at),
        page,
        about=f"order-{of.pk}",
    )


def _order(request: HttpRequest, order_id: int) -> Order:
    known = Order.objects.select_related("storeroom__department", "placed_by", "made_by")
    return get_object_or_404(known, pk=order_id, storeroom__department=current_department(request))


def _line(request: HttpRequest, order_line_id: int) -> OrderLine:
    lines = OrderLine.objects.select_related("consumable", "order")
    return get_object_or_404(lines, pk=order_line_id, order__storeroom__department=current_department(request))


def _page(
    request: HttpRequest, of: Order, *, add: AddOrderLineForm | None = None, place: PlaceOrderForm | None = None
) -> HttpResponse:
    day = today(request)
    lines = sorted(standings(of.lines.all()), key=lambda one: bool(of.placed_at) and not one.open)
    state = state_of(of, lines, today=day)
    context = {
        "order": of,
        "state": state,
        "state_words": domain.State.WORDS[state],
        "state_class": STATE_CLASSES.get(state, ""),
        "rows": line_rows(lines, today=day),
        "open_pieces": sum(one.open for one in lines),
        "form_key": uuid4().hex,
    }
    if of.placed_at is None:
        context |= {
            "add": add or AddOrderLineForm(order=of),
            "place": place or PlaceOrderForm(initial={"number": of.number}),
        }
    else:
        context["receipts"] = _receipts(of)
    return render(request, "orders/order.html", context, status=400 if add or place else 200)


def _receipts(of: Order) -> QuerySet[Receipt]:
    """What came in for an order, newest first."""
    receipts = of.receipts.select_related("movement__consumable", "movement__lot", "movement__by", "movement__reversal")
    return receipts.order_by("-pk")


def _packs(posted: QueryDict) -> dict[int, int]:
    """Packs by line, from fields such as `packs-12`. Raises OrderRefused for what is no number."""
    packs = {}
    for name, value in posted.items():
        kind, _dash, key = name.partition("-")
        if kind != "packs" or not key_in(key):
            continue
        value = value.strip() or "0"
        if not value.isdecimal() or len(value) > NUMBER_LENGTH:
            raise OrderRefused(_("Nothing was saved: packs are whole numbers from 0 to 9999."))
        packs[key_in(key)] = int(value)
    return packs
