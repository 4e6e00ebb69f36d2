"""Receiving: a scan for every pack, one click for all of them, and a way back for each."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

from django.contrib import messages
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import arrivals, receiving
from inventory.arrivals import ArrivalRefused
from inventory.ledger import NotReversible
from inventory.models import ArrivedPack, Order, OrderLine, Place, Receipt
from inventory.orders import standings, state_of
from inventory.scanning import PersonCode, Unreadable
from restock.sheets.delivery_sheets import DELIVERY, about, apply_delivery, write_delivery
from restock.supervising.ordering import pieces_per_pack, short_dated

from ..access import allows
from ..contents.arrival_words import row_of
from ..contents.order_words import order_rows
from ..current import current_department, today
from ..forms.acting import UndoForm
from ..forms.receiving import PrintedForm, TypedPacksForm
from ..keys import key_in, keys_in
from ..scans import LONGEST_SCAN, answer_to
from ..sheet_back import BackPage, bring_back, paper_of, sheet_response

SHOWN_AGAIN = timedelta(hours=24)  # for so long receipts of no order stand on the page, to be undone
WITH_CODE = "HX-Request"  # our script asks for the list alone


@require_safe
def receiving_home(request: HttpRequest) -> HttpResponse:
    """Which order, or which storeroom, is received now."""
    department, day = current_department(request), today(request)
    storerooms = list(Place.objects.filter(department=department).storerooms())
    placed = Order.objects.filter(storeroom__in=storerooms, placed_at__isnull=False).select_related("storeroom")
    unfinished = list(placed.filter(lines__closed_at__isnull=True).distinct().order_by("placed_at", "pk"))
    waiting = ArrivedPack.objects.filter(storeroom__in=storerooms, state=ArrivedPack.State.WAITING)
    counts: dict[tuple[int, int | None], int] = {}
    for key in waiting.values_list("storeroom", "order"):
        counts[key] = counts.get(key, 0) + 1
    open_orders = [
        (row, counts.get((row.order.storeroom_id, row.order.pk), 0))
        for row in order_rows(unfinished, today=day)
        if row.open_pieces or (row.order.storeroom_id, row.order.pk) in counts
    ]
    context = {"orders": open_orders, "storerooms": [(one, counts.get((one.pk, None), 0)) for one in storerooms]}
    return render(request, "receiving/home.html", context)


@never_cache
@require_safe
def receive(request: HttpRequest, place_id: int) -> HttpResponse:
    """The receiving table of a storeroom, against an order where `?order=` names one."""
    storeroom, order = _where(request, place_id, request.GET)
    return _page(request, storeroom, order)


@never_cache
@require_POST
@sensitive_post_parameters("scan")
def receive_scan(request: HttpRequest, place_id: int) -> HttpResponse:
    """Keep one scan on the list."""
    storeroom, order = _where(request, place_id, request.POST)
    problem, said = "", []
    form = UndoForm(request.POST)
    answer = answer_to(storeroom.department, request.POST.get("scan", "")[: LONGEST_SCAN + 1], today=today(request))
    if not form.is_valid():
        problem = _("This page is old: open it again and scan once more.")
    elif answer.about_a_person or answer.scan is None or (answer.problem and answer.scan.label):
        problem = answer.problem
    else:
        try:
            arrivals.keep_scan(
                answer.scan,
                answer.found,
                storeroom=storeroom,
                order=order,
                by=request.user,
                at=timezone.now(),
                key=form.cleaned_data["key"],
            )
        except (Unreadable, ArrivalRefused) as refused:
            problem = answer.problem or _(str(refused))
        else:
            said = answer.warnings
    if request.headers.get(WITH_CODE):
        return render(request, "receiving/list.html", _list(request, storeroom, order, problem=problem, said=said))
    for words in said:
        messages.warning(request, words)
    if problem:
        messages.error(request, problem)
    return redirect(_back(storeroom, order))


@require_POST
@sensitive_post_parameters("lot")
def receive_typed(request: HttpRequest, place_id: int) -> HttpResponse:
    """Keep packs that carry no code."""
    storeroom, order = _where(request, place_id, request.POST)
    form = TypedPacksForm(request.POST, department=storeroom.department)
    if form.is_valid():
        told = form.cleaned_data
        try:
            arrivals.keep_typed(
                consumable=told["line"],
                packs=told["packs"],
                pieces_per_pack=told["holds"] or pieces_per_pack(told["line"]),
                lot_number=told["lot"],
                expires_on=told["expires_on"],
                storeroom=storeroom,
                order=order,
                by=request.user,
                at=timezone.now(),
                key=told["key"],
            )
        except (ArrivalRefused, PersonCode) as refused:
            messages.error(request, _(str(refused)))
        return redirect(_back(storeroom, order))
    return _page(request, storeroom, order, typed=form)


@require_POST
def receive_record(request: HttpRequest, place_id: int) -> HttpResponse:
    """The one click: everything that nothing stands against goes on the shelf's record."""
    storeroom, order = _where(request, place_id, request.POST)
    done = receiving.receive_all(
        storeroom=storeroom,
        order=order,
        by=request.user,
        at=timezone.now(),
        today=today(request),
        short_dated=short_dated(storeroom.department),
    )
    if done.receipts:
        words = ngettext("%(pieces)d piece is on record.", "%(pieces)d pieces are on record.", done.pieces)
        messages.success(request, words % {"pieces": done.pieces})
    if done.left:
        words = ngettext(
            "%(lines)d line stays on the list: see what it waits for.",
            "%(lines)d lines stay on the list: see what each waits for.",
            len(done.left),
        )
        messages.warning(request, words % {"lines": len(done.left)})
    elif not done.receipts:
        messages.info(request, _("Nothing is waiting: everything scanned is on record already."))
    return redirect(_back(storeroom, order))


@require_POST
@sensitive_post_parameters("lot")
def answer_packs(request: HttpRequest, place_id: int) -> HttpResponse:
    """What a person says about packs on the list: printed otherwise, wanted, aside, off the list, or back on it."""
    storeroom, order = _where(request, place_id, request.POST)
    ids = keys_in(request.POST.get("packs", "").split(","))
    packs = list(ArrivedPack.objects.filter(pk__in=ids, storeroom=storeroom))
    match request.POST.get("act"):
        case "printed":
            form = PrintedForm(request.POST)
            if not form.is_valid():
                messages.error(request, " ".join(words for errors in form.errors.values() for words in errors))
                return redirect(_back(storeroom, order))
            try:
                arrivals.correct(packs, lot_number=form.cleaned_data["lot"], expires_on=form.cleaned_data["expires_on"])
            except (ArrivalRefused, PersonCode) as refused:
                messages.error(request, _(str(refused)))
        case "want":
            arrivals.want(packs)
        case "aside":
            arrivals.put_aside(packs)
        case "off":
            arrivals.take_off(packs)
        case "one-off":
            arrivals.take_off(packs[-1:])
        case "back":
            arrivals.bring_back(packs)
    return redirect(_back(storeroom, order))


@require_safe
def delivery_sheet(request: HttpRequest, place_id: int) -> HttpResponse:
    """What is still to come, as a workbook to take to the door. `?paper=letter` sets it for US Letter."""
    storeroom, order = _where(request, place_id, request.GET)
    workbook = write_delivery(storeroom, order, at=timezone.now(), paper=paper_of(request))
    return sheet_response(workbook, f"delivery {order.number if order else storeroom.code}")


@require_http_methods(["GET", "HEAD", "POST"])
def delivery_sheet_back(request: HttpRequest, place_id: int) -> HttpResponse:
    """A delivery that was written down on its sheet comes onto the list."""
    storeroom, order = _where(request, place_id, request.GET)
    page = BackPage(
        heading=_("Bring a delivery sheet back"),
        lead=_("What it says stands on the receiving list then, to be looked at before one press puts it on record."),
        back_url=_back(storeroom, order),
        back_label=order.number if order else storeroom.name,
        button=_("Put it on the list"),
    )
    return bring_back(
        request,
        DELIVERY,
        lambda filled, by, at: apply_delivery(filled, storeroom=storeroom, order=order, by=by, at=at),
        page,
        about=about(storeroom, order),
    )


@require_POST
def undo_receipt(request: HttpRequest, receipt_id: int) -> HttpResponse:
    """Take a receipt back: its pieces leave the record, its packs stand on the list again."""
    receipt = get_object_or_404(
        Receipt.objects.select_related("movement__destination__department", "order"),
        pk=receipt_id,
        movement__destination__department=current_department(request),
    )
    try:
        receiving.take_back(receipt=receipt, by=request.user, at=timezone.now())
    except NotReversible as problem:
        messages.error(request, str(problem))
    else:
        messages.success(request, _("Taken back: the packs stand on the list again."))
    if request.POST.get("from") == "order" and receipt.order and allows("order", request.user):
        return redirect("order", receipt.order_id)
    return redirect(_back(receipt.movement.destination, receipt.order))


def _where(request: HttpRequest, place_id: int, said) -> tuple[Place, Order | None]:
    """The storeroom, and its order that the request names, if it names one."""
    storerooms = Place.objects.filter(department=current_department(request)).storerooms()
    storeroom = get_object_or_404(storerooms.select_related("department"), pk=place_id)
    named = said.get("order", "")
    if not named:
        return storeroom, None
    placed = Order.objects.filter(storeroom=storeroom, placed_at__isnull=False).select_related("storeroom")
    return storeroom, get_object_or_404(placed, pk=key_in(named))


def _back(storeroom: Place, order: Order | None) -> str:
    return reverse("receive", args=[storeroom.pk]) + (f"?order={order.pk}" if order else "")


def _page(
    request: HttpRequest, storeroom: Place, order: Order | None, *, typed: TypedPacksForm | None = None
) -> HttpResponse:
    lately = Q(order=order) if order else Q(order__isnull=True, movement__at__gte=timezone.now() - SHOWN_AGAIN)
    receipts = (
        Receipt.objects.filter(lately, movement__destination=storeroom)
        .select_related("movement__consumable", "movement__lot", "movement__by", "movement__reversal")
        .order_by("-pk")
    )
    lines = standings(OrderLine.objects.filter(order=order)) if order else []
    context = _list(request, storeroom, order) | {
        "typed_packs": typed or TypedPacksForm(department=storeroom.department, initial={"key": uuid4()}),
        "receipts": receipts,
        "open_lines": [one for one in lines if one.open],
        "state": state_of(order, lines, today=today(request)) if order else "",
    }
    return render(request, "receiving/table.html", context, status=400 if typed else 200)


def _list(
    request: HttpRequest, storeroom: Place, order: Order | None, *, problem: str = "", said: list[str] | None = None
) -> dict:
    """What the list alone needs."""
    day = today(request)
    waiting = arrivals.arrivals(storeroom, order, today=day, short_dated=short_dated(storeroom.department))
    aside = ArrivedPack.objects.filter(storeroom=storeroom, order=order, state=ArrivedPack.State.ASIDE)
    rows = [row_of(one, day) for one in waiting]
    return {
        "storeroom": storeroom,
        "order": order,
        "rows": rows[::-1],
        "packs_to_record": sum(row.arrival.pack_count for row in rows if not row.stops),
        "packs_waiting": sum(row.arrival.pack_count for row in rows),
        "aside": aside.select_related("consumable", "by"),
        "scan_key": uuid4(),
        "problem": problem,
        "said": said or [],
        "may_attach": allows("scan-pack", request.user),
    }
