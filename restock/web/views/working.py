"""How far a piece of long work has come, for the page that asked for it."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe
from django_htmx.http import HttpResponseClientRefresh

from inventory.models import Department
from restock import jobs
from restock.models import WorkRequest

from ..ages import seconds_words
from ..current import current_department

PAGE_OF = {
    WorkRequest.Kind.PARS: "par-advice",
    WorkRequest.Kind.COVER: "shortages",
    WorkRequest.Kind.ORDERS: "orders",
    WorkRequest.Kind.ACCURACY: "accuracy",
}


@require_safe
def work(request: HttpRequest, kind: str) -> HttpResponse:
    """What the page asks for every other second: how long it has been worked on, or the page anew once that is over."""
    state = work_state(current_department(request), kind)
    if request.htmx and state["is_open"]:
        return render(request, "working/state.html", {"work": state})
    if request.htmx:
        return HttpResponseClientRefresh()
    return redirect(PAGE_OF.get(kind, "home"))


def work_state(department: Department, kind: str) -> dict:
    """The newest work of the kind as a page tells of it. note: why it was not done, empty where there is nothing."""
    newest, now = jobs.latest(department, kind), timezone.now()
    if newest is None:
        return {"kind": kind, "is_open": False, "note": ""}
    lost = jobs.is_lost(newest, now)
    since = newest.started_at or newest.asked_at
    return {
        "kind": kind,
        "is_open": newest.is_open and not lost,
        "waits": newest.started_at is None,
        "since": seconds_words(now - since),
        "note": _(jobs.LOST) if lost else newest.why_not and _(newest.why_not),
    }
