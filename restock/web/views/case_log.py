"""Log what a case used: the room, its slots, the one that is open, and the way back."""

from uuid import uuid4

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import ledger
from inventory.models import Room
from restock.cases.case_log import NotLogged, add_case, added_case, late_by, log_case, may_undo, undo_log
from restock.cases.case_setup import SetupRun, lines_of, setup_for
from restock.models import Case, CaseLog
from restock.stock_life.standing_in import stand_ins_for

from ..ages import age_words
from ..answers import done, from_device, refused
from ..contents.slots_of_day import (
    RoomDay,
    entries_about,
    last_used,
    newest_of,
    own_totals,
    room_day,
    rooms_of_day,
    still_open,
)
from ..current import current_department, today
from ..forms.case_log import AddCaseForm, SentForm, read_log
from ..keys import keys_in
from ..line_search import lines_or_refusal

ROOM_COOKIE = "evenfill_room"
ROOM_COOKIE_SECONDS = 400 * 24 * 3600  # as long as browsers keep one
USUAL_CASE_TYPES = 6


@require_safe
def log(request: HttpRequest) -> HttpResponse:
    """The room that this device was in last, or the choice of one."""
    code = request.COOKIES.get(ROOM_COOKIE, "")
    room = current_department(request).rooms.select_related("department").filter(code=code).first()
    return show_room(request, room) if room else choose_room(request)


@require_safe
def choose_room(request: HttpRequest) -> HttpResponse:
    """All rooms with how far their day is logged."""
    rooms = rooms_of_day(current_department(request), today(request))
    return render(request, "log/rooms.html", {"rooms": rooms})


@require_safe
def log_room(request: HttpRequest, room_id: int) -> HttpResponse:
    """A room's day with its next unlogged case open. The device remembers the room."""
    room = _room(request, room_id)
    response = show_room(request, room)
    response.set_cookie(
        ROOM_COOKIE, room.code, max_age=ROOM_COOKIE_SECONDS, samesite="Lax", secure=request.is_secure(), httponly=True
    )
    return response


def show_room(request: HttpRequest, room: Room) -> HttpResponse:
    day = room_day(room, today(request))
    return _show(request, day, day.next)


@require_http_methods(["GET", "HEAD", "POST"])
def log_case_page(request: HttpRequest, case_id: int) -> HttpResponse:
    """One case of a room's day: its set-up to log from, or what was logged. A POST logs it."""
    cases = Case.objects.select_related("department", "room__department", "case_type", "size_class")
    case = get_object_or_404(cases.prefetch_related("extras"), pk=case_id, department=current_department(request))
    if request.method != "POST":
        return _show(request, room_day(case.room, case.date), case)
    now = timezone.now()
    try:
        sent = read_log(request.POST, department=case.department, now=now)
        entry = log_case(
            case=case,
            lines=sent.lines,
            by=request.user,
            at=sent.at,
            received_at=now,
            key=sent.key,
            in_addition=sent.in_addition,
        )
    except (ValidationError, NotLogged, ledger.Refused) as problem:
        return refused(request, problem, back=reverse("log-case", args=[case.pk]))
    pieces = sum(line.pieces for line in sent.lines)
    said = ngettext("Case %(order)d logged: %(pieces)d piece.", "Case %(order)d logged: %(pieces)d pieces.", pieces)
    words = said % {"order": entry.case.order, "pieces": pieces}
    return done(request, words, next_page=reverse("log-room", args=[case.room_id]))


@sensitive_post_parameters("add")
@require_POST
def find_line(request: HttpRequest, case_id: int) -> HttpResponse:
    """Lines to add to the log, by scan or by name, for a browser without script: back to the case, with their keys."""
    case = get_object_or_404(Case, pk=case_id, department=current_department(request))
    found, answer = lines_or_refusal(case.department, request.POST.get("add", ""), today=today(request))
    if answer.about_a_person:
        messages.error(request, answer.problem)
    asked = {"add": ",".join(str(line.pk) for line in found)} | ({"more": "1"} if "more" in request.POST else {})
    return redirect(reverse("log-case", args=[case.pk]) + "?" + urlencode(asked))


@require_POST
def undo(request: HttpRequest, log_id: int) -> HttpResponse:
    """Take back what was logged."""
    logs = CaseLog.objects.select_related("case")
    entry = get_object_or_404(logs, pk=log_id, case__department=current_department(request))
    back = reverse("log-case", args=[entry.case_id])
    form = SentForm(request.POST)
    try:
        if not form.is_valid():
            raise ValidationError(_("This entry is not complete. Open the page again and take it back once more."))
        now = timezone.now()
        undo_log(log=entry, by=request.user, at=form.entered_at(now), key=form.cleaned_data["key"])
    except (ValidationError, NotLogged, ledger.Refused) as problem:
        return refused(request, problem, back=back)
    return done(request, _("Case %(order)d was taken back and is open again.") % {"order": entry.case.order}, back)


@require_http_methods(["GET", "HEAD", "POST"])
def add_case_page(request: HttpRequest, room_id: int) -> HttpResponse:
    """A case that was on no list, in one tap on what it is; the room's usual ones come first."""
    room, department = _room(request, room_id), current_department(request)
    form = AddCaseForm(request.POST or None, department=department)
    if request.method == "POST" and form.is_valid():
        case = add_case(
            room=room,
            day=department.local_date(form.entered_at(timezone.now())),
            case_type=form.cleaned_data["case_type"],
            size_class=form.cleaned_data["size_class"],
            extras=form.cleaned_data["extras"],
            key=form.cleaned_data["key"],
        )
        return done(request, "", next_page=reverse("log-case", args=[case.pk]))
    if request.method == "POST" and from_device(request):
        problem = ValidationError(_("Not added: the case type or the size class is not known any more."))
        return refused(request, problem, back=reverse("log-add-case", args=[room.pk]))
    recent = Case.objects.filter(room=room).order_by("-date", "-pk").values_list("case_type", flat=True)[:60]
    usual = list(dict.fromkeys(recent))[:USUAL_CASE_TYPES]
    case_types = {case_type.pk: case_type for case_type in department.case_types.order_by("specialty", "name")}
    sizes = list(department.size_classes.all())
    context = {
        "room": room,
        "usual": [case_types[pk] for pk in usual],
        "case_types": case_types.values(),
        "sizes": sizes,
        "extras": department.extras.order_by("name"),
        "chosen_size": next((size.pk for size in sizes if size.is_default), sizes[0].pk if sizes else None),
        "key": uuid4(),
        "problem": request.method == "POST",
    }
    return render(request, "log/add_case.html", context, status=400 if request.method == "POST" else 200)


@require_safe
def added_page(request: HttpRequest, room_id: int) -> HttpResponse:
    """A page for a device to keep: a case that was added without network, filled in there and logged by its key."""
    return render(request, "log/added.html", {"room": _room(request, room_id)})


@require_http_methods(["GET", "HEAD", "POST"])
def log_added_case(request: HttpRequest, added_key: str) -> HttpResponse:
    """The page of a case by the key that the device gave it, which is all that a device knows of it without network."""
    case = added_case(current_department(request), added_key)
    if case is None:
        problem = NotLogged(_("The case that this belongs to was not added. Add it, then log it there."))
        return refused(request, problem, back=reverse("log"))
    if request.method == "POST":
        return log_case_page(request, case.pk)
    return redirect("log-case", case_id=case.pk)


def _room(request: HttpRequest, room_id: int) -> Room:
    rooms = Room.objects.select_related("department")
    return get_object_or_404(rooms, pk=room_id, department=current_department(request))


def _show(request: HttpRequest, day: RoomDay, case: Case | None) -> HttpResponse:
    now, room = timezone.now(), day.room
    context = {
        "room": room,
        "day_shown": day,
        "case": case,
        "key": uuid4(),
        "newest": newest_of(request.user, room, now),
        "totals": own_totals(request.user, room.department, since=today(request)),
        "from_yesterday": still_open(room, today(request)),
        "is_today": day.day == today(request),
    }
    if case is not None:
        entries = entries_about([case])
        context["entries"] = [(entry, may_undo(entry.log, by=request.user, at=now)) for entry in entries]
        context["adding"] = request.GET.get("more") == "1"
        if not case.logged_at or context["adding"]:
            context |= _setup(request, case, now)
    return render(request, "log/case.html", context)


def _setup(request: HttpRequest, case: Case, now) -> dict:
    sections = setup_for(case)
    items = [item for section in sections for item in (*section.items, *section.rare)]
    shown = {line.consumable.pk for item in items for line in (item.sizes if isinstance(item, SetupRun) else (item,))}
    asked = keys_in(request.GET.get("add", "").split(","))
    found = list(case.department.consumables.filter(pk__in=asked))
    return {
        "sections": sections,
        "pieces": sum(item.expected for item in items),
        "last_used": last_used(case.room, leave_out=shown),
        "found": [line for line in found if line.pk not in shown],
        "nothing_found": "add" in request.GET and not found,
        "stand_ins": stand_ins_for(case.room, [*lines_of(sections), *found], at=now),
        "late_by": age_words(late) if (late := late_by(case, now)) else "",
    }
