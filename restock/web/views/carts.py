"""The carts of a plan, and one cart drawer by drawer."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inventory.models import Consumable, Place

from ..access import allows
from ..ages import day_words
from ..contents.cart_contents import cart_contents, rooms_that_draw
from ..contents.plan_summary import cart_totals
from ..contents.shortage_facts import cover_made_at
from ..contents.storeroom_contents import storeroom_contents
from ..current import current_department, current_plan, today
from ..paging import page_of, page_table
from ..tables import CartTable
from .evening import no_plan


@require_safe
def carts(request: HttpRequest) -> HttpResponse:
    """Every cart with what it gets tonight, in the order of the round."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    totals = cart_totals(plan, timezone.now())
    below_zero = sum(cart.below_zero for cart in totals)
    table = CartTable(totals, exclude=() if below_zero else ("below_zero",))
    page_table(request, table)
    context = {
        "plan": plan,
        "table": table,
        "when": day_words(plan.for_date, today(request)),
        "to_fill": [cart for cart in totals if cart.pieces],
        "pieces": sum(cart.pieces for cart in totals),
        "below_zero": below_zero,
        "storerooms": Place.objects.storerooms().filter(department=plan.department_id).order_by("walk_order", "code"),
    }
    return render(request, "carts/list.html", context)


@require_safe
def cart(request: HttpRequest, place_id: int) -> HttpResponse:
    """One cart as it stands now. `?only=tonight` leaves out the lines that need nothing."""
    department, now = current_department(request), timezone.now()
    place = get_object_or_404(Place.objects.carts().select_related("room"), pk=place_id, department=department)
    plan = current_plan(request)
    day = plan.for_date if plan else today(request)
    when = day_words(day, today(request))
    contents = cart_contents(place, plan, day=day, now=now, when=when)
    only_tonight = request.GET.get("only") == "tonight"
    lines = contents.lines
    context = {
        "cart": place,
        "plan": plan,
        "when": when,
        "contents": contents.only_tonight() if only_tonight else contents,
        "only_tonight": only_tonight,
        "lines_in_all": len(lines),
        "lines_tonight": sum(line.matters_tonight for line in lines),
        "lines_to_add": sum(line.to_add > 0 for line in lines),
        "pieces_to_add": sum(line.to_add for line in lines),
        "pieces_carried": sum(line.carried or 0 for line in lines),
        "lines_short": sum(line.stays_short > 0 for line in lines),
        "lines_to_count": sum(line.on_hand < 0 or line.stands_still for line in lines),
        "may_count": allows("start-count", request.user) and not place.sealed,
        "rooms": rooms_that_draw(department, place, day),
        "next_cart": _next_to_fill(plan, place) if plan else None,
    }
    return render(request, "carts/cart.html", context)


@require_safe
def storeroom(request: HttpRequest, place_id: int) -> HttpResponse:
    """One storeroom as it stands now, shelf by shelf and lot by lot. `?words=` narrows it."""
    department, now = current_department(request), timezone.now()
    place = get_object_or_404(Place.objects.storerooms(), pk=place_id, department=department)
    plan = current_plan(request)
    day = today(request)
    contents = storeroom_contents(place, plan, day=day, now=now)
    words = request.GET.get("words", "").strip()[:100]
    found = [line for line in contents.lines if _has_words(line.consumable, words)]
    page = page_of(request, found)
    context = {
        "storeroom": place,
        "plan": plan,
        "when": day_words(plan.for_date, day) if plan else "",
        "contents": contents,
        "words": words,
        "shown": page,
        "to_count": sum(line.on_hand < 0 for line in contents.lines),
        "unusable": sum(line.unusable for line in contents.lines),
        "cover_made_at": cover_made_at(department),
        "fills": Place.objects.carts().filter(restocked_from=place).order_by("walk_order", "code"),
        "may_count": allows("start-count", request.user),
    }
    return render(request, "carts/storeroom.html", context)


def _has_words(consumable: Consumable, words: str) -> bool:
    text = f"{consumable.code} {consumable.label}".casefold()
    return all(word in text for word in words.casefold().split())


def _next_to_fill(plan, place: Place) -> Place | None:
    """The next cart of the round that still waits for pieces."""
    waiting = Place.objects.filter(
        plan_lines__plan=plan, plan_lines__picks__confirmed_at__isnull=True, plan_lines__picks__isnull=False
    )
    later = waiting.filter(walk_order__gte=place.walk_order).exclude(pk=place.pk).distinct()
    here = (place.walk_order, place.code)
    return next((c for c in later.order_by("walk_order", "code") if (c.walk_order, c.code) > here), None)
