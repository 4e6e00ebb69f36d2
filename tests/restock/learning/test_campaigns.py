"""Before and after a campaign: who is compared, who is left out."""

from datetime import date, timedelta

import pytest
from django.utils import timezone

from restock.learning.campaigns import compare
from restock.models import UsageRecord
from tests.factories import CaseFactory, CaseTypeFactory, ConsumableFactory

SINCE = date(2026, 3, 2)


@pytest.fixture
def hernia(department):
    return CaseTypeFactory(name="Hernia repair")


@pytest.fixture
def use(department, hernia, room):
    """`use(line, day, cases=5, used=1, unused=1)`: so many logged cases of that day, each with that use."""
    order = iter(range(1, 1000))

    def write(line, day, *, cases=5, used=1, unused=1, logged=True):
        for _ in range(cases):
            case = CaseFactory(
                date=day, room=room, order=next(order), case_type=hernia, logged_at=timezone.now() if logged else None
            )
            UsageRecord.objects.create(
                department=department, case=case, consumable=line, used=used, opened_unused=unused
            )

    return write


def test_days_before_are_held_against_as_many_since(department, hernia, use):
    line = ConsumableFactory()
    use(line, SINCE - timedelta(days=29), cases=7)
    use(line, SINCE - timedelta(days=28), cases=6, used=1, unused=1)
    use(line, SINCE, cases=8, used=3, unused=1)
    use(line, SINCE + timedelta(days=28), cases=9)

    found = compare(department, since=SINCE, days=28, today=SINCE + timedelta(days=60))

    [row] = found.rows
    assert (row.line, row.case_type_id) == (("piece", line.pk), hernia.pk)
    assert (row.before.cases, row.before.opened, row.before.unused) == (6, 12, 6)
    assert (row.after.cases, row.after.opened, row.after.unused) == (8, 32, 8)
    assert row.change.value == pytest.approx(0.25 - 0.5)


@pytest.mark.parametrize(("before", "after", "shown"), [(5, 5, 1), (4, 9, 0), (9, 4, 0)])
def test_group_of_fewer_than_five_cases_in_either_period_is_left_out(department, use, before, after, shown):
    line = ConsumableFactory()
    use(line, SINCE - timedelta(days=1), cases=before)
    use(line, SINCE, cases=after)

    found = compare(department, since=SINCE, days=28, today=SINCE)

    assert (len(found.rows), found.left_out) == (shown, 1 - shown)


def test_change_that_chance_explains_is_not_named(department, use):
    little, much = ConsumableFactory(), ConsumableFactory()
    for line, cases, unused in ((little, 5, 1), (much, 40, 1)):
        use(line, SINCE - timedelta(days=1), cases=cases, used=1, unused=unused)
        use(line, SINCE, cases=cases, used=2, unused=1)

    found = compare(department, since=SINCE, days=28, today=SINCE)

    named = {row.line[1]: row.stands_out for row in found.rows}
    assert named == {little.pk: False, much.pk: True}
