"""Substitution cards: proposed, agreed to by a clinician, ended; each on its page and together on one."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.models import Consumable, NamedStandIn
from restock.models import Substitution
from restock.sheets.stand_in_sheets import STAND_INS, apply_proposals, write_proposals
from restock.sheets.substitution_sheets import cards_workbook
from restock.stock_life import substitutions
from restock.stock_life.named_stand_ins import named_for

from ..access import allows
from ..current import current_department, current_plan, today
from ..forms.substitutions import CardForm, EndingForm
from ..keys import key_in
from ..line_search import lines_or_refusal, may_repeat
from ..scans import LONGEST_SCAN
from ..sheet_back import BackPage, bring_back, paper_of, sheet_response

OVER_SHOWN = 50


@require_safe
def card_list(request: HttpRequest) -> HttpResponse:
    """Every card: those that wait for a clinician, those that hold, and those that are over."""
    department, day = current_department(request), today(request)
    cards = Substitution.objects.filter(department=department).select_related(
        "wanted", "stand_in", "proposed_by", "agreed_by", "ended_by"
    )
    still_open = [(card, substitutions.state(card, on=day)) for card in cards.filter(ended_at=None, until__gte=day)]
    over = cards.exclude(ended_at=None, until__gte=day)[:OVER_SHOWN]
    clinician = substitutions.is_clinician(request.user)
    context = {
        "waiting": [card for card, state in still_open if state == "waits"],
        "holding": [card for card, state in still_open if state == "holds"],
        "left_behind": [(card, substitutions.changes(card)) for card, state in still_open if state == "left behind"],
        "over": [(card, substitutions.state(card, on=day)) for card in over],
        "may_propose": allows("substitution-new", request.user),
        "may_agree": clinician and allows("substitution-agree", request.user),
    }
    return render(request, "substitutions/list.html", context)


@never_cache
@sensitive_post_parameters("scan")
@require_http_methods(["GET", "HEAD", "POST"])
def propose(request: HttpRequest) -> HttpResponse:
    """Propose a card: the missing line, the one that may stand in, and what differs."""
    wanted = _line(request, "wanted")
    stand_in = _line(request, "stand_in") if wanted else None
    if request.method == "POST" and "in_words" not in request.POST:
        return _choose(request, wanted, request.POST.get("scan", "")[:LONGEST_SCAN])
    if stand_in is None:
        return _choose(request, wanted, "")
    problem = substitutions.forbidden(wanted, stand_in)
    if problem:
        return _choose(request, wanted, "", problem=problem)
    found = substitutions.differences(wanted, stand_in)
    form = CardForm(request.POST or None, found=found, today=today(request))
    if form.is_valid():
        told = form.cleaned_data
        try:
            substitutions.propose(
                wanted=wanted,
                stand_in=stand_in,
                in_words=told["in_words"],
                until=told["until"],
                why=told["why"],
                also=form.marked,
                by=request.user,
                at=timezone.now(),
            )
        except (substitutions.NotAllowed, ValidationError) as refusal:
            form.add_error(None, refusal.messages if isinstance(refusal, ValidationError) else str(refusal))
        else:
            messages.success(request, _("Proposed: it holds once a clinician has agreed."))
            return redirect("substitutions")
    named = next((one for one in _named(wanted) if one.stand_in_id == stand_in.pk), None)
    context = {"form": form, "wanted": wanted, "stand_in": stand_in, "found": found, "named": named}
    return render(request, "substitutions/new.html", context, status=400 if form.errors else 200)


@require_POST
def agree(request: HttpRequest, card_id: int) -> HttpResponse:
    """A clinician agrees."""
    try:
        substitutions.agree(_card(request, card_id), by=request.user, at=timezone.now())
    except substitutions.NotAllowed as problem:
        messages.error(request, str(problem))
    else:
        messages.success(request, _("Agreed. It is shown where people pick and log until its last day."))
    return redirect("substitutions")


@require_POST
def end(request: HttpRequest, card_id: int) -> HttpResponse:
    """A card is refused, withdrawn or ended early."""
    form = EndingForm(request.POST)
    if not form.is_valid():
        messages.error(request, " ".join(form.errors["note"]))
        return redirect("substitutions")
    try:
        substitutions.end(_card(request, card_id), by=request.user, at=timezone.now(), note=form.cleaned_data["note"])
    except substitutions.NotAllowed as problem:
        messages.error(request, str(problem))
    else:
        messages.success(request, _("The card is out of use."))
    return redirect("substitutions")


@require_safe
def cards_sheet(request: HttpRequest) -> HttpResponse:
    """The cards that hold today, as a workbook."""
    department, day = current_department(request), today(request)
    cards = substitutions.active(department, on=day)
    return sheet_response(cards_workbook(cards, department=department, on=day), f"stand-ins {day}")


@require_safe
def proposals_sheet(request: HttpRequest) -> HttpResponse:
    """What is missing, with what the catalogue names for it, to propose on paper. `?lines=all` for every line."""
    department, day = current_department(request), today(request)
    workbook = write_proposals(
        department,
        current_plan(request),
        on=day,
        at=timezone.now(),
        every=request.GET.get("lines") == "all",
        paper=paper_of(request),
    )
    return sheet_response(workbook, f"stand-ins to propose {day}")


@require_http_methods(["GET", "HEAD", "POST"])
def proposals_sheet_back(request: HttpRequest) -> HttpResponse:
    """Stand-ins that were proposed on a sheet; whoever brings it is the proposer."""
    department = current_department(request)
    page = BackPage(
        heading=_("Bring proposals back"),
        lead=_("Each row with its last day becomes a card that you propose. It holds once a clinician has agreed to it "
               "on the page."),
        back_url=reverse("substitutions"),
        back_label=_("Stand-ins"),
        button=_("Propose what is on the sheet"),
    )  # fmt: skip
    return bring_back(
        request,
        STAND_INS,
        lambda filled, by, at: apply_proposals(filled, department=department, by=by, at=at),
        page,
        about="stand-ins",
    )


def _named(wanted: Consumable) -> list[NamedStandIn]:
    return named_for([wanted.pk]).get(wanted.pk, [])


def _line(request: HttpRequest, name: str) -> Consumable | None:
    pk = request.POST.get(name) or request.GET.get(name, "")
    if not pk:
        return None
    return get_object_or_404(Consumable, pk=key_in(pk), department=current_department(request))


def _choose(request: HttpRequest, wanted: Consumable | None, typed: str, problem: str = "") -> HttpResponse:
    lines, answer = lines_or_refusal(current_department(request), typed, today=today(request))
    if wanted:
        lines = [line for line in lines if line.pk != wanted.pk]
    context = {
        "wanted": wanted,
        "lines": lines,
        "named": _named(wanted) if wanted else [],
        "answer": answer,
        "typed": typed if may_repeat(typed) else "",
        "problem": problem or (answer.problem if not lines else ""),
    }
    return render(request, "substitutions/choose_line.html", context, status=400 if problem else 200)


def _card(request: HttpRequest, card_id: int) -> Substitution:
    return get_object_or_404(Substitution, pk=card_id, department=current_department(request))
