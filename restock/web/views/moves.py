"""What is worth carrying between places tonight, beside the pick list, and that it was carried."""

from datetime import date

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from restock.advising.tonight import advise_moves
from restock.evening.moving import (
    Done,
    NotMoved,
    lots_to_take,
    moves_since,
    proposal_key,
    record_move,
    take_back,
    told_since,
)

from ..ages import day_words
from ..contents.move_rows import MoveRow, move_rows
from ..current import current_department, current_plan, today
from ..forms.acting import UndoForm
from ..forms.moves import MovedForm
from .evening import no_plan


@require_safe
def moves(request: HttpRequest) -> HttpResponse:
    """Walks worth their while. They are worked out when asked for (`?now=yes`), which takes some seconds."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    department, day = current_department(request), today(request)
    context = {
        "plan": plan,
        "when": day_words(plan.for_date, day),
        "done": moves_since(department, department.local_midnight(day)),
    }
    if request.GET.get("now") == "yes":
        advice = advise_moves(department, plan.for_date)
        hardly_needed = ngettext(
            "hardly needed within %(days)d day", "hardly needed within %(days)d days", advice.wait_days
        ) % {"days": advice.wait_days}
        lists = [
            (_("Between carts"), _("where the storerooms are short"), advice.between_carts, False),
            (_("Back to the storeroom"), hardly_needed, advice.back_to_storeroom, False),
            (
                _("Short-dated pieces"),
                _("for as many longer-dated ones of a place that uses them in time"),
                advice.dates.swaps,
                True,
            ),
        ]
        titles, whys, walks, swaps = zip(*lists, strict=True)
        rows = move_rows(department, walks, swaps=swaps, today=day, carried_for=day_carried_for(request), page="moves")
        context |= {"advice": advice, "lists": list(zip(titles, whys, rows, strict=True))}
    return render(request, "rounds/moves.html", context)


@require_POST
def record_moved(request: HttpRequest) -> HttpResponse:
    """Record that pieces were carried. Answers htmx with the row, and a plain form with the page."""
    form = MovedForm(request.POST, department=current_department(request), day=day_carried_for(request))
    if not form.is_valid():
        return _refused(request, form, " ".join(word for words in form.errors.values() for word in words))
    told = form.cleaned_data
    advised = told.pop("advised")
    try:
        done = record_move(on=form.day, by=request.user, at=timezone.now(), **told)
    except NotMoved as problem:
        return _refused(request, form, str(problem))
    if not request.htmx:
        messages.success(request, _moved_words(done))
        return redirect(_page(form))
    row = _row_of(form)
    row.done, row.pieces = done, max(advised - done.pieces, 0)
    return render(request, "rounds/move_row.html", {"row": row})


@require_POST
def undo_moved(request: HttpRequest) -> HttpResponse:
    """Take a move back: the pieces are where they were, by a reversal that stays visible."""
    form = UndoForm(request.POST)
    try:
        if not form.is_valid():
            raise NotMoved(_("Nothing was taken back: open the page again and press Undo there."))
        take_back(
            department=current_department(request), key=form.cleaned_data["key"], by=request.user, at=timezone.now()
        )
    except NotMoved as problem:
        messages.error(request, str(problem))
    else:
        messages.success(request, _("Taken back: the pieces are on record where they were before."))
    return redirect(_page(form))


def day_carried_for(request: HttpRequest) -> date:
    """The day for which pieces are carried: that of the plan, or today where its day has passed."""
    plan, now = current_plan(request), today(request)
    return max(plan.for_date, now) if plan else now


def _row_of(form: MovedForm) -> MoveRow:
    """The row that the form was sent from, with a key for what may follow."""
    told, department = form.cleaned_data, form.cleaned_data["source"].department
    place, line, swap = told["source"], told["consumable"], told["swap"]
    route, day = (place.pk, told["destination"].pk, line.pk), department.local_date(timezone.now())
    before = told_since(department, department.local_midnight(day))[route]
    return MoveRow(
        place,
        told["destination"],
        line,
        told.get("pieces") or 0,
        swap,
        lots_to_take([(place.pk, line.pk)], on=form.day).get((place.pk, line.pk), []),
        key=proposal_key(*route, swap=swap, day=day, told_before=before),
        page=_page(form),
    )


def _page(form: UndoForm) -> str:
    """The page that the form stands on, to go back to."""
    return "expiry" if form.data.get("page") == "expiry" else "moves"


def _refused(request: HttpRequest, form: MovedForm, words: str) -> HttpResponse:
    if request.htmx and all(form.cleaned_data.get(name) for name in ("source", "destination", "consumable")):
        row = _row_of(form)
        row.key = form.cleaned_data.get("key", row.key)  # what is refused as told before is refused again
        row.trouble, row.typed = words, form.data.get("pieces", "")[:10]
        row.pieces = form.cleaned_data.get("advised") or 0
        return render(request, "rounds/move_row.html", {"row": row})
    messages.error(request, words)
    return redirect(_page(form))


def _moved_words(done: Done) -> str:
    return _("Recorded: %(pieces)d × %(line)s, %(source)s to %(destination)s.") % {
        "pieces": done.pieces,
        "line": done.consumable.label,
        "source": done.source.name,
        "destination": done.destination.name,
    }
