"""Long work outside the request: asked for once, done one at a time, and given up where nobody is at it any more."""

import threading
from datetime import timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from restock import jobs
from restock.models import ParAdviceRun, StoreroomCover, WorkRequest
from tests.factories import CaseFactory, StockingLineFactory

Kind, State = WorkRequest.Kind, WorkRequest.State


@pytest.fixture
def ask(department, supervisor):
    """ask(kind, ago=timedelta(0)): ask for work so long ago; nothing begins before the test's transaction ends."""

    def asked(kind=Kind.COVER, *, ago=timedelta(0)):
        return jobs.ask(department=department, kind=kind, by=supervisor, at=timezone.now() - ago)

    return asked


@pytest.fixture
def kept(storeroom, tube):
    """A storeroom line, whose days of cover can be worked out."""
    return StockingLineFactory(place=storeroom, consumable=tube, par=5)


def test_what_is_asked_for_twice_is_one_piece_of_work(ask):
    assert ask() == ask()
    assert ask(Kind.PARS) != ask()


def test_what_was_asked_for_is_done_oldest_first(ask, department, kept):
    older, newer = ask(Kind.COVER, ago=timedelta(seconds=9)), ask(Kind.PARS)

    assert jobs.work_off(department) == 2

    older.refresh_from_db()
    newer.refresh_from_db()
    assert (older.state, older.why_not) == (State.DONE, "")
    assert StoreroomCover.objects.count() == 1
    assert older.ended_at <= newer.started_at


def test_work_that_cannot_be_done_says_what_is_missing(ask, department):
    request = ask(Kind.PARS)

    jobs.work_off(department)

    request.refresh_from_db()
    assert (request.state, request.why_not) == (State.FAILED, jobs.NO_DAY)
    assert not ParAdviceRun.objects.exists()


def test_a_fault_is_logged_and_ends_only_its_own_work(ask, department, kept, monkeypatch, caplog):
    def broken(request, at):
        raise ZeroDivisionError

    monkeypatch.setitem(jobs.WORK, Kind.PARS, broken)
    request, other = ask(Kind.PARS, ago=timedelta(seconds=9)), ask(Kind.COVER)

    jobs.work_off(department)

    request.refresh_from_db()
    other.refresh_from_db()
    assert (request.state, request.why_not, other.state) == (State.FAILED, jobs.BROKEN, State.DONE)
    assert "ZeroDivisionError" in caplog.text


def test_while_one_thread_is_at_it_another_begins_nothing(ask, department):
    running = ask(Kind.PARS)
    WorkRequest.objects.update(state=State.RUNNING, started_at=timezone.now())
    ask(Kind.COVER)

    assert jobs.work_off(department) == 0
    running.refresh_from_db()
    assert running.state == State.RUNNING


def test_the_database_lets_one_piece_of_work_run_in_a_department(ask):
    for kind in (Kind.PARS, Kind.COVER):
        ask(kind)

    with pytest.raises(IntegrityError), transaction.atomic():
        WorkRequest.objects.update(state=State.RUNNING)


def test_work_that_nobody_is_at_any_more_can_be_asked_for_again(ask, department, kept):
    lost = ask(ago=timedelta(minutes=5))
    WorkRequest.objects.update(state=State.RUNNING)
    lost.refresh_from_db()
    assert jobs.is_lost(lost, timezone.now())

    again = ask()

    lost.refresh_from_db()
    assert (lost.state, lost.why_not) == (State.FAILED, jobs.LOST)
    assert jobs.work_off(department) == 1
    again.refresh_from_db()
    assert again.state == State.DONE


def test_long_work_gives_signs_of_life_for_what_waits_behind_it_too(ask, department, monkeypatch):
    # In the test's own transaction a second connection sees nothing, so the sign is watched instead of written.
    given = threading.Event()
    monkeypatch.setattr(jobs, "SIGN_OF_LIFE_SECONDS", 0.001)
    monkeypatch.setattr("django.db.models.query.QuerySet.update", lambda rows, **values: given.set())

    with jobs._signs_of_life(department):
        assert given.wait(5)


@pytest.mark.django_db(transaction=True)
def test_a_thread_begins_once_the_request_is_committed(ask, department, room, kept, monkeypatch):
    monkeypatch.setattr(jobs, "SIGN_OF_LIFE_SECONDS", 0.01)
    slow = threading.Event()
    cover = jobs.WORK[Kind.COVER]
    monkeypatch.setitem(jobs.WORK, Kind.COVER, lambda request, at: (slow.wait(10), cover(request, at)))
    CaseFactory(room=room)

    with transaction.atomic():
        request = ask()
        assert not at_work()
    before = request.alive_at
    deadline = timezone.now() + timedelta(seconds=20)
    while jobs.latest(department, Kind.COVER).alive_at <= before + timedelta(milliseconds=30):
        assert timezone.now() < deadline
    assert jobs.latest(department, Kind.COVER).state == State.RUNNING
    assert ask() == request  # a second thread, which finds somebody at it
    slow.set()
    for thread in at_work():
        thread.join(20)

    request.refresh_from_db()
    assert request.state == State.DONE
    assert StoreroomCover.objects.count() == 1
    connection.close()


def at_work():
    return [thread for thread in threading.enumerate() if thread.name.startswith("restock.jobs")]
