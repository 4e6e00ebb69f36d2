"""The walk through the storerooms and the filling of carts, saved line by line.

Each save answers htmx with the list as it stands now, a colleague's lines included, and a plain form post with a
redirect to the place on the page where it was sent from.
"""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from inventory import ledger
from inventory.models import Consumable, Place
from restock.evening.picking import NotSaved, put_in, save_picks
from restock.evening.rounds import drawers, walk
from restock.models import Pick, Plan, PlanLine
from restock.plans.claiming import claims_of
from restock.plans.filling import count_drawer

from ..ages import day_words
from ..contents.round_rows import drawer_rows, stop_rows
from ..current import current_department, current_plan, today
from ..keys import key_in
from ..said_lines import BACK, LineTrouble, Unreadable, pieces_in, said_of, trouble, typed_in
from .evening import no_plan


@require_safe
def storeroom_walk(request: HttpRequest) -> HttpResponse:
    """What to take from the storerooms for one's carts, in walking order. `?at=` opens the fields of a stop."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    template = "rounds/walk_list.html" if request.htmx else "rounds/walk.html"
    return render(request, template, _walk(request, plan))


@require_POST
def save_stop(request: HttpRequest) -> HttpResponse:
    """Save what was taken at one stop of the walk."""
    form = request.POST
    department = current_department(request)
    row = next(iter(form.getlist("pick")), "")  # a row goes by the number of its first pick
    try:
        save_picks(
            said_of(form),
            department=department,
            by=request.user,
            at=timezone.now(),
            superseded=form.get("insist") == "yes",
        )
    except Pick.DoesNotExist:
        raise Http404 from None
    except (NotSaved, Unreadable) as problem:
        return _walk_again(request, {row: _trouble(problem, form)}, status=409)
    if request.htmx:
        return _walk_again(request, {})
    return redirect(f"{reverse('walk')}#stop-{key_in(row)}")


def _walk_again(request: HttpRequest, troubles: dict[str, LineTrouble], status: int = 200) -> HttpResponse:
    context = _walk(request, current_plan(request), troubles)
    if request.htmx:
        return render(request, "rounds/walk_list.html", context)
    return render(request, "rounds/walk.html", context, status=status)


def _walk(request: HttpRequest, plan: Plan, troubles: dict[str, LineTrouble] | None = None) -> dict:
    own = claims_of(plan).filter(by=request.user).order_by("place__walk_order", "place__code")
    carts = [claim.place for claim in own]
    storerooms = stop_rows(
        walk(plan, [cart.pk for cart in carts]) if carts else [], troubles or {}, key_in(request.GET.get("at"))
    )
    rows = [row for _storeroom, of_storeroom in storerooms for row in of_storeroom]
    still_open = [row for row in rows if row.is_open]
    return {
        "plan": plan,
        "when": day_words(plan.for_date, today(request)),
        "carts": carts,
        "storerooms": storerooms,
        "stops": len(rows),
        "stops_done": len(rows) - len(still_open),
        "now": still_open[0] if still_open else None,
        "then": still_open[1] if len(still_open) > 1 else None,
    }


@require_safe
def fill_cart(request: HttpRequest, place_id: int) -> HttpResponse:
    """One cart in the order of the hand: what goes into each drawer. `?at=` opens the fields of a line."""
    plan = current_plan(request)
    cart = get_object_or_404(Place.objects.carts(), pk=place_id, department=current_department(request))
    if plan is None:
        return no_plan(request)
    template = "rounds/fill_list.html" if request.htmx else "rounds/fill.html"
    return render(request, template, _fill(request, plan, cart))


@require_POST
def save_drawer(request: HttpRequest, line_id: int) -> HttpResponse:
    """Save how many pieces of one line were put into their drawer."""
    form = request.POST
    department = current_department(request)
    line = get_object_or_404(PlanLine.objects.select_related("place"), pk=line_id, plan__department=department)
    try:
        put_in(
            line_id,
            department=department,
            pieces=None if form.get("act") == BACK else _needed(form, "pieces"),
            seen=pieces_in(form, "seen"),
            by=request.user,
            at=timezone.now(),
            superseded=form.get("insist") == "yes",
        )
    except PlanLine.DoesNotExist:
        raise Http404 from None
    except (NotSaved, Unreadable) as problem:
        return _fill_again(request, line.place, {str(line_id): _trouble(problem, form)}, status=409)
    if request.htmx:
        return _fill_again(request, line.place, {})
    return redirect(f"{reverse('fill-cart', args=[line.place_id])}#line-{line_id}")


def _fill_again(request: HttpRequest, cart: Place, troubles: dict[str, LineTrouble], status: int = 200) -> HttpResponse:
    context = _fill(request, current_plan(request), cart, troubles)
    if request.htmx:
        return render(request, "rounds/fill_list.html", context)
    return render(request, "rounds/fill.html", context, status=status)


def _fill(request: HttpRequest, plan: Plan, cart: Place, troubles: dict[str, LineTrouble] | None = None) -> dict:
    found = drawers(plan, [cart], day=today(request))[cart.pk]
    rows = drawer_rows(found, troubles or {}, key_in(request.GET.get("at")), timezone.now())
    still_open = [row for row in rows if row.is_open]
    claims = {claim.place_id: claim for claim in claims_of(plan).order_by("place__walk_order", "place__code")}
    own = [claim.place for claim in claims.values() if claim.by_id == request.user.pk]
    after = own[own.index(cart) + 1 :] if cart in own else []
    return {
        "plan": plan,
        "when": day_words(plan.for_date, today(request)),
        "cart": cart,
        "claim": claims.get(cart.pk),
        "rows": rows,
        "to_put_in": sum(bool(row.found.picks) for row in rows),
        "done": sum(row.is_done for row in rows),
        "now": still_open[0] if still_open else None,
        "then": still_open[1] if len(still_open) > 1 else None,
        "next_cart": after[0] if after else None,
    }


@require_POST
def count_here(request: HttpRequest, place_id: int, consumable_id: int) -> HttpResponse:
    """Correct the record of one line at one place to what was just counted there."""
    department = current_department(request)
    place = get_object_or_404(Place.objects.physical(), pk=place_id, department=department)
    consumable = get_object_or_404(Consumable, pk=consumable_id, department=department)
    form, troubles = request.POST, {}
    where = {"place": place, "consumable": consumable, "by": request.user, "at": timezone.now()}
    try:
        pieces, key = _needed(form, "counted"), f"count:{_sent_key(form)}"
        if place.role == Place.Role.CART:
            count_drawer(in_drawer=pieces, key=key, by_lot=_lots_read(form, consumable), **where)
        else:
            ledger.count(counted=pieces, key=key, **where)
    except (Unreadable, ledger.Refused) as problem:
        troubles = {form.get("row", ""): _trouble(problem, form)}
    if place.role == Place.Role.CART:
        if troubles or request.htmx:
            return _fill_again(request, place, troubles, status=400)
        return redirect(f"{reverse('fill-cart', args=[place.pk])}#line-{form.get('row', '')}")
    if troubles or request.htmx:
        return _walk_again(request, troubles, status=400)
    return redirect(f"{reverse('walk')}#stop-{form.get('row', '')}")


def _needed(form, name: str) -> int:
    pieces = pieces_in(form, name)
    if pieces is None:
        raise Unreadable(_("Not saved: type a number of pieces."))
    return pieces


def _lots_read(form, consumable: Consumable) -> dict[int, int] | None:
    """Pieces of each lot that somebody read in the drawer, those left empty as none; None where no lot was read."""
    named = {key_in(name.removeprefix("lot-")): name for name in form if name.startswith("lot-")}
    known = set(consumable.lots.filter(pk__in=named).values_list("pk", flat=True))
    read = {lot: pieces_in(form, name) for lot, name in named.items() if lot in known}
    return None if set(read.values()) <= {None} else {lot: pieces or 0 for lot, pieces in read.items()}


def _sent_key(form) -> str:
    """The key that the page gave this count, so that sending it twice counts once."""
    try:
        return UUID(form.get("key", "")).hex
    except ValueError:
        raise Unreadable(_("Not saved: load this page again, then count.")) from None


def _trouble(problem: Exception, form) -> LineTrouble:
    if isinstance(problem, NotSaved):
        return trouble(problem, form)
    if isinstance(problem, ledger.KeyReused):
        return LineTrouble(_("Not saved: this count was sent before with another number. Count again."), {})
    return LineTrouble(str(problem), typed_in(form))
