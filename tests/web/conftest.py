"""An evening in the department `main`: a plan for tomorrow, made today, with figures given by hand."""

from datetime import UTC, datetime, time, timedelta

import pytest
from django.utils import timezone

from inventory import ledger
from restock.cases.case_log import log_case
from restock.models import CaseLog, Plan, PlanLine, Shortage
from tests.factories import BinFactory, CaseFactory, ConsumableFactory, SetupStandardFactory, StockingLineFactory

PMF = [0.05, 0.15, 0.3, 0.3, 0.15, 0.05]


@pytest.fixture(autouse=True)
def evening_clock(monkeypatch):
    """Whenever the tests run, the server's clock says that it is the evening of this day (UTC), and goes on from there.

    What was done "this afternoon" then lies behind, and "tomorrow" is the day that the evening is for.
    """
    now = timezone.now
    ahead = datetime.combine(now().date(), time(18), UTC) - now()
    monkeypatch.setattr(timezone, "now", lambda: now() + ahead)


@pytest.fixture
def today(department, evening_clock):
    return department.local_date(timezone.now())


@pytest.fixture
def tomorrow(today):
    return today + timedelta(days=1)


@pytest.fixture
def make_plan(department, technician):
    """`make_plan(for_date)`: a plan made at 15:40 (UTC) of the day before, or an hour ago if that is still to come."""

    def make(for_date, **values):
        made_at = datetime.combine(for_date - timedelta(days=1), time(15, 40), UTC)
        made_at = min(made_at, timezone.now() - timedelta(hours=1))
        known = {"listed_cases": 8, "logged_cases": 40, "oldest_count": None, "newest_count": None}
        values = {"department": department, "made_at": made_at, "by": technician, "inputs": known} | values
        return Plan.objects.create(for_date=for_date, method="test 1", **values)

    return make


@pytest.fixture
def plan(make_plan, tomorrow):
    return make_plan(tomorrow)


@pytest.fixture
def add_line(plan, cart):
    """`add_line(name="Tube", on_hand=1, top_up=4, allocated=4)`: a line of the cart and of the plan, with what is
    not given made up. Pieces on hand are counted into the ledger."""

    def add(consumable=None, *, place=cart, bin=None, on_hand=1, top_up=4, allocated=4, of=plan, **values):
        item = {key: values.pop(key) for key in ("name", "section", "size", "criticality", "owner") if key in values}
        consumable = consumable or ConsumableFactory(department=place.department, **item)
        if not consumable.stocking_lines.filter(place=place).exists():
            StockingLineFactory(place=place, consumable=consumable, par=5, bin=bin)
        figures = {
            "usable": max(on_hand, 0), "par": 5, "floor": 0, "cases": 4, "mean": 2.5, "q50": 2, "q90": 4, "q95": 4,
            "q99": 5, "service_level": 0.95, "q_service": 4, "p_short_before": 0.8, "p_short_after": 0.05,
            "shortfall_before": 1.5, "shortfall_after": 0.1, "target": max(on_hand, 0) + top_up, "pmf": PMF,
            "reason": f"4 cases that day use 2.5 on average; {top_up} to add.",
        }  # fmt: skip
        return PlanLine.objects.create(
            plan=of, place=place, consumable=consumable, on_hand=on_hand, top_up=top_up, allocated=allocated,
            **(figures | values),
        )  # fmt: skip

    return add


@pytest.fixture
def add_shortage(add_line):
    """`add_shortage(name="Tube", short_by=2, harm=3)`: a line that stays short."""

    def add(*, short_by=2, harm=1.0, cause=Shortage.Cause.STOREROOM_LOW, reason="Too few for all.", **line):
        line = add_line(top_up=4, allocated=max(4 - short_by, 0), **line)
        return Shortage.objects.create(plan_line=line, cause=cause, short_by=short_by, harm=harm, reason=reason)

    return add


@pytest.fixture
def evening(plan, cart, room, storeroom, today, tomorrow, add_shortage, technician):
    """Fill every page: `evening(lines=60)` puts so many lines, each short, counted and held, on one cart."""

    def fill(lines):
        for _ in range(lines):
            shortage = add_shortage(bin=BinFactory(place=cart))
            line = shortage.plan_line
            now = timezone.now() - timedelta(hours=9)
            ledger.count(
                place=cart, consumable=line.consumable, counted=3, by=technician, at=now, key=f"count {line.pk}"
            )
            ledger.receive(
                place=storeroom, consumable=line.consumable, quantity=2, by=technician, at=now, key=f"in {line.pk}"
            )
            line.picks.create(storeroom=storeroom, quantity=2)
            CaseFactory(room=room, date=tomorrow, order=room.cases.count() + 1)
        if not CaseLog.objects.exists():
            logged = CaseFactory(room=room, date=today, order=1)
            SetupStandardFactory(case_type=logged.case_type, consumable=plan.lines.first().consumable)
            CaseFactory(room=room, date=today, order=2, case_type=logged.case_type)
            log_case(case=logged, lines=[], by=technician, at=timezone.now(), key="evening")
        return plan.lines.first()

    return fill


@pytest.fixture
def signed_in(client, technician):
    """A technician's browser."""
    client.force_login(technician)
    return client
