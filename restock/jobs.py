"""Work that takes longer than a page may wait for: asked for on a page, done in a thread of the server.

No second program has to run. A row says what was asked for and how far it is, so that every server and every page sees
the same, and the database lets one piece of work run at a time in a department. Whoever works gives a sign of life
every few seconds, for what waits behind it as well. Where none came for a minute, the server was stopped in the middle
of it: the work then counts as lost and can be asked for again. Results are kept whole or not at all.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from threading import Event, Thread

from django.db import IntegrityError, OperationalError, connections, transaction
from django.utils import timezone
from django.utils.translation import gettext_noop

from inventory.models import Department

from .advising.past import last_operating_days
from .backtesting import accuracy
from .models import WorkRequest
from .supervising import cover, ordering, par_advice

Kind, State = WorkRequest.Kind, WorkRequest.State

SIGN_OF_LIFE_SECONDS = 5
LOST_AFTER = timedelta(minutes=1)
JUDGED_DAYS = 14  # more of them are for the command line, at night

LOST = gettext_noop("The server was stopped in the middle of it. Ask for it again.")
BROKEN = gettext_noop("It could not be worked out: the server's log says why.")
NO_DAY = gettext_noop("There is no day yet with both a list and a logged case: log a few cases first.")
NO_STOREROOM_LINE = gettext_noop("No storeroom keeps a line yet, so there is no cover to work out.")
NO_EVENING = gettext_noop("None of the last days has a case list and enough logged days before it.")
NO_ORDER = gettext_noop("No line of a storeroom needs an order today.")

log = logging.getLogger(__name__)


class NothingToGoBy(Exception):
    """The work cannot be done with what the department has; the message says what is missing."""


def ask(*, department: Department, kind: Kind, by, at: datetime) -> WorkRequest:
    """Ask for a piece of work, or join the request for it that is open already. It begins once this is committed."""
    with transaction.atomic():
        Department.objects.select_for_update(no_key=True).get(pk=department.pk)  # two who ask at once join each other
        open_ones = WorkRequest.objects.filter(department=department, state__in=WorkRequest.OPEN)
        open_ones.filter(alive_at__lt=at - LOST_AFTER).update(state=State.FAILED, ended_at=at, why_not=LOST)
        request, _ = open_ones.get_or_create(
            kind=kind, defaults={"department": department, "asked_at": at, "asked_by": by, "alive_at": at}
        )
        transaction.on_commit(Thread(target=_in_thread, args=(department,), name="restock.jobs", daemon=True).start)
    return request


def latest(department: Department, kind: Kind) -> WorkRequest | None:
    """The newest request of the kind."""
    return WorkRequest.objects.filter(department=department, kind=kind).first()


def is_lost(request: WorkRequest, now: datetime) -> bool:
    """Whether a request is open, and nobody is at it any more."""
    return request.is_open and request.alive_at < now - LOST_AFTER


def work_off(department: Department) -> int:
    """Do what waits, oldest first, until nothing does or another thread is at it. Returns how much was done."""
    done = 0
    while request := _begun(department):
        _do(request)
        done += 1
    return done


def _in_thread(department: Department) -> None:
    try:
        work_off(department)
    finally:
        connections.close_all()


def _begun(department: Department) -> WorkRequest | None:
    waiting = WorkRequest.objects.filter(department=department, state=State.WAITING).order_by("asked_at", "pk")
    now = timezone.now()
    for request in waiting:
        try:
            with transaction.atomic():
                mine = waiting.filter(pk=request.pk).update(state=State.RUNNING, started_at=now, alive_at=now)
        except IntegrityError:  # another one is running: whoever is at it takes this one next
            return None
        if mine:
            return request
    return None


def _do(request: WorkRequest) -> None:
    state, why_not = State.DONE, ""
    try:
        with _signs_of_life(request.department):
            WORK[request.kind](request, timezone.now())
    except NothingToGoBy as problem:
        state, why_not = State.FAILED, str(problem)
    except Exception:
        log.exception("Work request %s failed", request.pk)
        state, why_not = State.FAILED, BROKEN
    running = WorkRequest.objects.filter(pk=request.pk, state=State.RUNNING)
    running.update(state=state, why_not=why_not, ended_at=timezone.now())


@contextmanager
def _signs_of_life(department: Department) -> Iterator[None]:
    still_open, over = WorkRequest.objects.filter(department=department, state__in=WorkRequest.OPEN), Event()

    def give() -> None:
        try:
            while not over.wait(SIGN_OF_LIFE_SECONDS):
                try:
                    still_open.update(alive_at=timezone.now())
                except OperationalError:  # the database is busy; the next sign will do
                    continue
        finally:
            connections.close_all()

    thread = Thread(target=give, name="restock.jobs, signs of life", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def _pars(request: WorkRequest, at: datetime) -> None:
    department, today = request.department, request.department.local_date(at)
    if not last_operating_days(department, before=today, days=1):
        raise NothingToGoBy(NO_DAY)
    par_advice.work_out(department, today=today, at=at, by=request.asked_by)


def _cover(request: WorkRequest, at: datetime) -> None:
    department = request.department
    if not cover.work_out_cover(department, today=department.local_date(at), at=at):
        raise NothingToGoBy(NO_STOREROOM_LINE)


def _orders(request: WorkRequest, at: datetime) -> None:
    department = request.department
    if not ordering.put_together(department, by=request.asked_by, at=at, today=department.local_date(at)):
        raise NothingToGoBy(NO_ORDER)


def _accuracy(request: WorkRequest, at: datetime) -> None:
    department = request.department
    today = department.local_date(at)
    first, last = today - timedelta(days=JUDGED_DAYS), today - timedelta(days=1)
    if accuracy.judge(department, first=first, last=last, at=at) is None:
        raise NothingToGoBy(NO_EVENING)


WORK: dict[str, Callable[[WorkRequest, datetime], None]] = {
    Kind.PARS: _pars,
    Kind.COVER: _cover,
    Kind.ORDERS: _orders,
    Kind.ACCURACY: _accuracy,
}
