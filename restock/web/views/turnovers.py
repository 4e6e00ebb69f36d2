"""Between two cases: the rooms with their next case, and one room's card."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inventory.models import Room
from restock.cases.tube_reminder import suction_reminder, tube_reminders
from restock.cases.turnovers import Step, first_of_next_day, next_of, slots_of, turnover
from restock.models import Case, policy_of

from ..ages import day_words
from ..current import current_department, today
from ..keys import key_in


@require_safe
def rooms_today(request: HttpRequest) -> HttpResponse:
    """Every room with the case that comes next in it, today or on the next day with a list."""
    department, day = current_department(request), today(request)
    now = department.local_time(timezone.now())
    slots: dict[int, list[Case]] = {}
    cases = Case.objects.filter(department=department, date=day).exclude(status=Case.Status.CANCELLED)
    for case in cases.select_related("case_type", "size_class").prefetch_related("extras").order_by("order", "pk"):
        slots.setdefault(case.room_id, []).append(case)
    ahead = first_of_next_day(department, after=day)
    rows = []
    for room in department.rooms.filter(pk__in={*slots, *ahead}).order_by("walk_order", "code"):
        case = next_of(slots.get(room.pk, []), now) or ahead.get(room.pk)
        rows.append((room, case, day_words(case.date, day) if case and case.date != day else ""))
    return render(request, "turnovers/rooms.html", {"rows": rows})


@require_safe
def turnover_card(request: HttpRequest, room_id: int) -> HttpResponse:
    """What to add, change over and put away for the next case of a room. `?case=` names another one of its list."""
    department, day = current_department(request), today(request)
    room = get_object_or_404(Room, pk=room_id, department=department)
    now = timezone.now()
    slots = slots_of(room, day)
    ahead = first_of_next_day(department, after=day).get(room.pk)
    offered = [*slots, *([ahead] if ahead else [])]
    asked = key_in(request.GET.get("case"))
    local = department.local_time(now)
    case = next((slot for slot in offered if slot.pk == asked), None) or next_of(slots, local) or ahead
    context = {"room": room, "slots": slots, "ahead": ahead, "case": case}
    if case is not None:
        before = offered[: offered.index(case)]
        card = turnover(case, last=before[-1] if before else None, at=now)
        tubes = tube_reminders(case.size_class, policy_of(department))
        context |= {
            "card": card,
            "when": "" if case.date == day else day_words(case.date, day),
            "change": len(card.lines(Step.CHANGE)),
            "add": len(card.lines(Step.ADD)),
            "put_away": len(card.lines(Step.PUT_AWAY)),
            "fresh": len(card.lines(Step.FRESH)),
            "tubes": tubes,
            "suction": suction_reminder(tubes),
        }
    return render(request, "turnovers/card.html", context)
