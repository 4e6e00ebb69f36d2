"""Need it now: who holds the nearest one; and what was taken from another cart."""

from uuid import uuid4

from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import ledger
from inventory.models import Consumable, Place, Room
from restock.cases.case_setup import lines_of, setup_for
from restock.cases.fetching import borrow, nearest

from ..ages import counted_words
from ..answers import done, refused
from ..contents.slots_of_day import last_used, room_day
from ..current import current_department, today
from ..forms.case_log import BorrowForm
from ..line_search import lines_or_refusal, may_repeat


@sensitive_variables("typed")
@sensitive_post_parameters("q")
@require_http_methods(["GET", "HEAD", "POST"])
def need(request: HttpRequest, room_id: int) -> HttpResponse:
    """Lines that the room's next case may want, or those that were searched, each with who else holds it."""
    department = current_department(request)
    room = get_object_or_404(Room.objects.select_related("department"), pk=room_id, department=department)
    typed = request.POST.get("q", "").strip()
    if typed:
        lines, answer = lines_or_refusal(department, typed, today=today(request))
    else:
        lines, answer = _wanted_here(request, room), None
    context = {
        "room": room,
        "typed": typed if may_repeat(typed) else "",
        "searched": bool(typed),
        "problem": answer.problem if answer and answer.about_a_person else "",
        "rows": _rows(lines, room),
        "sources": _places_beside(room),
        "whole": False,
    }
    return render(request, "log/need.html", context)


@require_safe
def need_line(request: HttpRequest, room_id: int, consumable_id: int) -> HttpResponse:
    """Every place that holds one line, nearest first."""
    department = current_department(request)
    room = get_object_or_404(Room.objects.select_related("department"), pk=room_id, department=department)
    line = get_object_or_404(Consumable, pk=consumable_id, department=department)
    context = {
        "room": room,
        "line": line,
        "rows": _rows([line], room),
        "sources": _places_beside(room),
        "whole": True,
    }
    return render(request, "log/need.html", context)


@require_POST
def borrow_line(request: HttpRequest, room_id: int) -> HttpResponse:
    """Record that pieces were taken from another place for this room."""
    department = current_department(request)
    room = get_object_or_404(Room.objects.select_related("department"), pk=room_id, department=department)
    back = reverse("log-need", args=[room.pk])
    form = BorrowForm(request.POST, department=department)
    if not form.is_valid():
        return refused(request, ValidationError(_("Say what was taken, from where, and how many.")), back=back)
    told = form.cleaned_data
    try:
        borrow(
            source=told["source"],
            room=room,
            consumable=told["consumable"],
            quantity=told["quantity"],
            by=request.user,
            at=form.entered_at(timezone.now()),
            key=told["key"],
        )
    except ledger.Refused as problem:
        return refused(request, problem, back=back)
    said = _("%(pieces)d × %(line)s taken from %(place)s for %(room)s.") % {
        "pieces": told["quantity"], "line": told["consumable"].label, "place": told["source"], "room": room
    }  # fmt: skip
    return done(request, said, next_page=reverse("log-room", args=[room.pk]))


def _places_beside(room: Room) -> QuerySet[Place]:
    """Where a piece for this room may come from: every place of the department but the carts in the room itself."""
    return room.department.places.physical().exclude(room=room).order_by("walk_order", "code")


def _wanted_here(request: HttpRequest, room: Room) -> list[Consumable]:
    case = room_day(room, today(request)).next
    if case is None:
        return last_used(room, leave_out=())
    return lines_of(setup_for(case))


def _rows(lines: list[Consumable], room: Room) -> list[dict]:
    now = timezone.now()
    held = nearest(lines, room=room, at=now)
    rows = []
    for line in lines:
        holders = [
            {
                "place": one.place,
                "pieces": one.pieces,
                "counted": counted_words(one.counted_at, now),
                "here": one.is_here,
                "take_first": one.take_first,
            }
            for one in held.get(line.pk, [])
        ]
        rows.append(
            {
                "line": line,
                "here": sum(one["pieces"] for one in holders if one["here"]),
                "elsewhere": [one | {"key": uuid4()} for one in holders if not one["here"]],
            }
        )
    # What is missing here is what somebody looks for.
    return sorted(rows, key=lambda row: row["here"] > 0)
