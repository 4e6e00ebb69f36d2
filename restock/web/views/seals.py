"""Carts under a seal: the daily round, the check of an opened cart, its seal book, and published guidance."""

from uuid import uuid4

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import seals
from inventory.guidance import ALL
from inventory.ledger import Refused
from inventory.models import Place
from restock.sheets.seal_sheets import CHECK, apply_check, check_sheet
from restock.stock_life.cart_guidance import choose, compared, followed, guidance_of, leave

from ..access import allows
from ..current import current_department, today
from ..forms.recalls import KeyForm
from ..forms.seals import CloseForm, KeepForm, OpenForm, check_rows
from ..sheet_back import BackPage, bring_back, paper_of, sheet_response

HISTORY_SHOWN = 100


@require_safe
def seal_round(request: HttpRequest) -> HttpResponse:
    """Every cart that is kept under a seal: intact? in date? One tap for each."""
    department, day = current_department(request), today(request)
    rows = [
        {
            "standing": standing,
            "passed": standing.is_out_of_date(on=day),
            "seen": standing.was_seen(on=day),
            "key": uuid4(),
        }
        for standing in seals.sealed_carts(department)
    ]
    may_keep = allows("keep-sealed", request.user)
    context = {
        "rows": rows,
        "to_see": sum(row["standing"].is_closed and not row["seen"] for row in rows),
        "open": sum(not row["standing"].is_closed for row in rows),
        "passed": sum(row["passed"] for row in rows),
        "may_see": allows("seal-seen", request.user),
        "keep_form": KeepForm(department=department) if may_keep else None,
    }
    return render(request, "seals/round.html", context)


@require_safe
def seal_cart(request: HttpRequest, place_id: int) -> HttpResponse:
    """One cart: how its seal stands, the full check while it is open, its seal book."""
    return _page(request, _cart(request, place_id))


@require_POST
def seal_seen(request: HttpRequest, place_id: int) -> HttpResponse:
    """Somebody saw the seal intact and the date on the outside not passed."""
    place, form = _cart(request, place_id), KeyForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Open the page again and press the button there."))
    elif _did(request, seals.seen_intact, place=place, key=form.cleaned_data["key"]):
        messages.success(request, _("Seen: %(cart)s.") % {"cart": place})
    return redirect("seals")


@require_POST
def seal_open(request: HttpRequest, place_id: int) -> HttpResponse:
    """Somebody broke the seal."""
    return _came_off(request, place_id, seals.open_cart)


@require_POST
def seal_broken(request: HttpRequest, place_id: int) -> HttpResponse:
    """Somebody found the seal broken or missing."""
    return _came_off(request, place_id, seals.found_broken)


def _came_off(request: HttpRequest, place_id: int, event) -> HttpResponse:
    place, form = _cart(request, place_id), OpenForm(request.POST)
    if not form.is_valid():
        return _page(request, place, opening=form)
    if _did(request, event, place=place, **form.cleaned_data):
        messages.success(request, _("Written into the seal book: the cart now asks for a full check."))
    return redirect("seal-cart", place.pk)


@require_POST
def seal_check(request: HttpRequest, place_id: int) -> HttpResponse:
    """Lines of an opened cart that somebody checked: all that are filled in, or none."""
    place, key = _cart(request, place_id), KeyForm(request.POST)
    rows = check_rows(seals.line_checks(place), request.user, request.POST)
    told = [row for row in rows if row.form.is_bound]
    faulty = [row for row in told if not row.form.is_valid()]  # each of them, so that each says what is wrong
    if faulty or not key.is_valid():
        return _page(request, place, rows=rows)
    seen = [
        seals.LineSeen(
            consumable=row.check.line.consumable,
            counted=row.form.cleaned_data.get("counted"),
            present=row.form.cleaned_data.get("present"),
            earliest_expires_on=row.form.cleaned_data["earliest"],
            key=f"{key.cleaned_data['key']}-{row.check.line.pk}",
        )
        for row in told
    ]
    try:
        seals.check_lines(place=place, seen=seen, by=request.user, at=timezone.now())
    except Refused as problem:
        messages.error(request, str(problem))
        return _page(request, place, rows=rows)
    n = len(told)
    messages.success(request, ngettext("%(n)d line checked.", "%(n)d lines checked.", n) % {"n": n})
    return redirect("seal-cart", place.pk)


@require_POST
def seal_close(request: HttpRequest, place_id: int) -> HttpResponse:
    """The person who checked the cart closes it under a new seal."""
    place, form = _cart(request, place_id), CloseForm(request.POST)
    if form.is_valid():
        try:
            seals.close_cart(place=place, by=request.user, at=timezone.now(), **form.cleaned_data)
        except (Refused, ValidationError) as problem:
            form.add_error(None, problem.messages if isinstance(problem, ValidationError) else str(problem))
        else:
            messages.success(request, _("Closed by you, under your name in the seal book."))
            return redirect("seal-cart", place.pk)
    return _page(request, place, closing=form)


@require_POST
def keep_sealed(request: HttpRequest) -> HttpResponse:
    """A cart is kept under a seal from now on."""
    form = KeepForm(request.POST, department=current_department(request))
    if form.is_valid():
        seals.keep_sealed(form.cleaned_data["place"], sealed=True)
        return redirect("seal-cart", form.cleaned_data["place"].pk)
    messages.error(request, _("Choose a cart."))
    return redirect("seals")


@require_POST
def keep_open(request: HttpRequest, place_id: int) -> HttpResponse:
    """A cart is kept under a seal no more; its seal book stays."""
    place = _cart(request, place_id)
    seals.keep_sealed(place, sealed=False)
    messages.success(request, _("%(cart)s is no longer kept under a seal. Its seal book stays.") % {"cart": place})
    return redirect("seals")


@require_safe
def seal_sheet(request: HttpRequest, place_id: int) -> HttpResponse:
    """The check as a workbook to fill in."""
    place = _cart(request, place_id)
    data = check_sheet(place, seals.line_checks(place), made_at=timezone.now(), paper=paper_of(request))
    return sheet_response(data, f"check {place.code}")


@require_http_methods(["GET", "HEAD", "POST"])
def seal_sheet_back(request: HttpRequest, place_id: int) -> HttpResponse:
    """The filled-in check comes back."""
    place = _cart(request, place_id)
    page = BackPage(
        heading=_("Bring the check of a cart back"),
        lead=_("Whoever brings it back has checked what is on it. Then close the cart on its page."),
        back_url=reverse("seal-cart", args=[place.pk]),
        back_label=place.name,
    )
    return bring_back(request, CHECK, apply_check(place), page, about=f"cart-{place.pk}")


@require_safe
def cart_guidance(request: HttpRequest, place_id: int) -> HttpResponse:
    """A cart's content list against published guidance."""
    place = _cart(request, place_id)
    held = [(guidance_of(chosen), compared(chosen)) for chosen in followed(place)]
    may_choose = allows("choose-guidance", request.user)
    context = {"cart": place, "held": held, "offered": list(ALL.values()) if may_choose else []}
    return render(request, "seals/guidance.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def choose_guidance(request: HttpRequest, place_id: int, guidance: str) -> HttpResponse:
    """Which line of a cart stands for which row of the guidance."""
    place = _cart(request, place_id)
    if guidance not in ALL:
        return redirect("cart-guidance", place.pk)
    lines = {str(line.consumable_id): line.consumable for line in place.stocking_lines.select_related("consumable")}
    if request.method == "POST":
        if request.POST.get("act") == "leave":
            leave(place, ALL[guidance])
        else:
            told = {
                item.code: [lines[pk] for pk in request.POST.getlist(item.code) if pk in lines]
                for item in ALL[guidance].items
            }
            choose(place, ALL[guidance], told)
        return redirect("cart-guidance", place.pk)
    chosen = {}
    for one in followed(place):
        if one.guidance == guidance:
            for line in one.lines.all():
                chosen.setdefault(line.item, set()).add(line.consumable_id)
    rows = [(item, chosen.get(item.code, set())) for item in ALL[guidance].items]
    context = {"cart": place, "guidance": ALL[guidance], "rows": rows}
    context["lines"] = [(line.pk, line.label) for line in lines.values()]  # each is named once for every row
    return render(request, "seals/choose_guidance.html", context)


def _cart(request: HttpRequest, place_id: int) -> Place:
    carts = Place.objects.carts().select_related("department", "room")
    return get_object_or_404(carts, pk=place_id, department=current_department(request))


def _did(request: HttpRequest, event, **told) -> bool:
    try:
        event(by=request.user, at=timezone.now(), **told)
    except (Refused, ValidationError) as problem:
        words = " ".join(problem.messages) if isinstance(problem, ValidationError) else str(problem)
        messages.error(request, words)
        return False
    return True


def _page(request: HttpRequest, place: Place, *, opening=None, closing=None, rows=None) -> HttpResponse:
    standing = seals.standing_of(place)
    checks = seals.line_checks(place)
    may_check = allows("seal-check", request.user) and place.sealed and not standing.is_closed
    rows = rows or check_rows(checks, request.user)
    refused = bool(opening or closing or any(row.refused for row in rows))
    context = {
        "cart": place,
        "standing": standing,
        "passed": standing.is_out_of_date(on=today(request)),
        "rows": rows,
        "checked": sum(check.is_checked for check in checks),
        "own": sum(row.own for row in rows),
        "may_check": may_check,
        "may_see": allows("seal-seen", request.user),
        "may_keep": allows("keep-open", request.user),
        "may_open": place.sealed and standing.is_closed,
        "earliest": seals.earliest_inside(checks),
        "opening": opening or OpenForm(initial={"key": uuid4()}),
        "closing": closing or CloseForm(initial={"key": uuid4()}),
        "key": uuid4(),
        "history": place.seal_events.select_related("by").order_by("-at", "-pk")[:HISTORY_SHOWN],
    }
    return render(request, "seals/cart.html", context, status=400 if refused else 200)
