"""A department with a past: one room with a list every day, and a log of what its cases used."""

from datetime import UTC, date, datetime, timedelta

import pytest

from inventory import ledger
from restock.learning.tallies import bring_forward
from restock.models import Policy, UsageRecord
from tests.factories import CaseFactory

TODAY = date(2026, 3, 4)  # a Wednesday
TOMORROW = date(2026, 3, 5)
TONIGHT = datetime(2026, 3, 4, 18, tzinfo=UTC)


@pytest.fixture
def policy(department):
    return Policy.objects.create(department=department)


@pytest.fixture
def receive(technician):
    """receive(place, consumable, pieces, lot=...) puts pieces somewhere."""

    def received(place, consumable, pieces, **rest):
        key = f"{place.pk} {consumable.pk} {rest.get('lot') and rest['lot'].pk}"
        ledger.receive(place=place, consumable=consumable, quantity=pieces, by=technician, at=TONIGHT, key=key, **rest)

    return received


@pytest.fixture
def a_past(department, policy):
    """a_past(room, case_type, days, used): so many days until yesterday, on each a logged case for every entry.

    used: the pieces of each consumable that each case of a day used, as [{tube: 1}, {tube: 2}].
    """

    def make(room, case_type, days, used):
        for n in range(1, days + 1):
            for order, pieces in enumerate(used, start=1):
                case = CaseFactory(
                    date=TODAY - timedelta(days=n),
                    room=room,
                    order=order,
                    case_type=case_type,
                    status="done",
                    logged_at=TONIGHT - timedelta(days=n),
                )
                UsageRecord.objects.bulk_create(
                    UsageRecord(department=department, case=case, consumable=consumable, used=count)
                    for consumable, count in pieces.items()
                )
        bring_forward(department=department, at=TONIGHT)

    return make


@pytest.fixture
def listed():
    """listed(room, case_type, n) puts n cases on tomorrow's list."""

    def make(room, case_type, n, **rest):
        return [CaseFactory(date=TOMORROW, room=room, order=k + 1, case_type=case_type, **rest) for k in range(n)]

    return make
