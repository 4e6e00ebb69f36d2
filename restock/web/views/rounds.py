"""Tonight for a technician: the carts, who has which, and the paper for who prefers it."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.importing.problems import SheetRefused
from inventory.importing.ways import named_as
from restock.evening.confirming import confirm
from restock.evening.rounds import carts_tonight, drawers, walk
from restock.models import Claim, Plan
from restock.plans import claiming
from restock.setting_up.people import people_of
from restock.workbook import read_back

from ..access import RESTOCKING
from ..ages import day_words
from ..current import current_department, current_plan, today
from ..forms.plans import PickListBackForm
from ..forms.sheets import PAGE_WAYS
from ..keys import key_in
from ..sheet_back import as_file
from .evening import no_plan


@require_safe
def tonight_s_round(request: HttpRequest) -> HttpResponse:
    """The carts in walking order with what each needs and whose it is."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    carts = carts_tonight(plan, day=today(request))
    to_fill = [cart for cart in carts if cart.lines or cart.short or cart.below_zero]
    mine = [cart for cart in to_fill if cart.claim and cart.claim.by_id == request.user.pk]
    context = {
        "plan": plan,
        "when": day_words(plan.for_date, today(request)),
        "is_past": plan.for_date < today(request),
        "carts": to_fill,
        "without": [cart.place for cart in carts if cart not in to_fill],
        "mine": mine,
        "free": [cart for cart in to_fill if cart.claim is None and not cart.is_done],
        "to_pick": sum(cart.lines - cart.picked for cart in mine),
        "next_cart": next((cart for cart in mine if not cart.is_done), None),
        "colleagues": people_of(plan.department, roles=RESTOCKING).filter(is_active=True).exclude(pk=request.user.pk),
    }
    return render(request, "rounds/tonight.html", context)


@require_POST
def take_carts(request: HttpRequest) -> HttpResponse:
    """Take the ticked carts. Of two people who tap at once one gets each cart, and the other reads whose it is."""
    plan = get_object_or_404(Plan, pk=key_in(request.POST.get("plan")), department=current_department(request))
    places = [key_in(value) for value in request.POST.getlist("cart")]
    mine, others = claiming.take(plan, places, by=request.user, at=timezone.now())
    for claim in others:
        messages.warning(request, _taken_by(claim))
    if not mine and not others:
        messages.warning(request, _("Tick the carts that you take."))
    return redirect("round")


@require_POST
def give_cart_back(request: HttpRequest, claim_id: int) -> HttpResponse:
    """Let somebody else take the cart. What was saved for it stays."""
    department, claim = current_department(request), _claim(request, claim_id)
    if not claiming.give_back(claim.pk, department=department, by=request.user, at=timezone.now()):
        messages.warning(request, _("It was not yours any more."))
    return redirect("round")


@require_POST
def take_cart_over(request: HttpRequest, claim_id: int) -> HttpResponse:
    """Go on with a colleague's cart. The colleague reads it on their own page."""
    department, claim = current_department(request), _claim(request, claim_id)
    claim = claiming.hand_over(claim.pk, department=department, to=request.user, at=timezone.now())
    if claim is None:
        messages.warning(request, _("Somebody gave it back or took it over just before you. Look who has it now."))
    else:
        messages.success(request, _("%(cart)s is yours now.") % {"cart": claim.place})
    return redirect("round")


@require_POST
def hand_cart_over(request: HttpRequest, claim_id: int) -> HttpResponse:
    """Give one's own cart to a colleague by name. What was saved for it stays."""
    department, claim = current_department(request), _claim(request, claim_id)
    colleagues = people_of(department, roles=RESTOCKING).filter(is_active=True)
    to = colleagues.filter(pk=key_in(request.POST.get("to"))).first()
    if to is None:
        messages.warning(request, _("Choose the colleague who takes the cart."))
    elif not claiming.is_own(claim.pk, department=department, by=request.user):
        messages.warning(request, _("It was not yours any more."))
    elif (claim := claiming.hand_over(claim.pk, department=department, to=to, at=timezone.now())) is None:
        messages.warning(request, _("Somebody gave it back or took it over just before you. Look who has it now."))
    else:
        messages.success(
            request, _("%(cart)s is with %(name)s now.") % {"cart": claim.place, "name": to.get_username()}
        )
    return redirect("round")


def _claim(request: HttpRequest, claim_id: int) -> Claim:
    """A claim of the department, also one that has ended."""
    return get_object_or_404(Claim, pk=claim_id, plan__department=current_department(request))


@require_safe
def round_sheet(request: HttpRequest) -> HttpResponse:
    """One's carts on paper: the walk, then drawer by drawer, with boxes to tick. Without carts of one's own, all."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    day = today(request)
    own = list(claiming.claims_of(plan).filter(by=request.user).order_by("place__walk_order", "place__code"))
    places = [claim.place for claim in own] or [cart.place for cart in carts_tonight(plan, day=day) if cart.lines]
    lines = drawers(plan, places, day=day) if own else {}
    context = {
        "plan": plan,
        "when": day_words(plan.for_date, day),
        "places": places,
        "only_own": bool(own),
        "storerooms": walk(plan, [place.pk for place in places]),
        "carts": [(place, lines[place.pk]) for place in places] if own else [],
    }
    return render(request, "rounds/sheet.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def pick_list_back(request: HttpRequest) -> HttpResponse:
    """A filled-in workbook comes back; the same rules as `manage.py confirm`."""
    form = PickListBackForm(request.POST or None, request.FILES or None)
    problems = []
    if request.method == "POST" and form.is_valid():
        try:
            confirmation = _confirm(request, form.cleaned_data)
        except SheetRefused as refusal:
            problems = refusal.problems
        else:
            return render(request, "rounds/confirmed.html", {"confirmation": confirmation, **_told(confirmation)})
    status = 400 if form.errors or problems else 200
    context = {"form": form, "problems": problems, "plan": current_plan(request)}
    return render(request, "rounds/pick_list_back.html", context, status=status)


def _confirm(request: HttpRequest, told: dict):
    with as_file(told["workbook"]) as path, named_as(PAGE_WAYS):
        return confirm(
            read_back(path),
            by=request.user,
            at=timezone.now(),
            department=current_department(request),
            correct=told["correct"],
            superseded=told["superseded"],
        )


def _told(confirmation) -> dict:
    new = confirmation.new
    return {
        "carts": len({one.pick.plan_line.place_id for one in new if one.picked}),
        "lists": [
            (_("Could not be found"), [one for one in new if not one.picked]),
            (_("Less than suggested"), [one for one in new if one.picked and one.picked < one.pick.quantity]),
            (_("More than suggested"), [one for one in new if one.picked > one.pick.quantity]),
            (_("Another lot than suggested"), [one for one in new if one.picked and one.lot != one.pick.lot]),
            (_("Corrected"), confirmation.corrected),
        ],
    }


def _taken_by(claim: Claim) -> str:
    return _("%(cart)s: %(name)s has taken it.") % {"cart": claim.place, "name": claim.by.get_username()}
