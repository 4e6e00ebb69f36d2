"""Instants on pages stand in the department's own time, wherever the server is."""

from datetime import UTC, datetime

import pytest
from django.urls import reverse

from inventory.models import Department
from restock.models import AdvisedPar, Import, ParAdviceRun, ParChange
from restock.supervising import par_advice
from tests.factories import StockingLineFactory

from .test_pages import words

EVENING_IN_LONDON = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
MORNING_IN_AUCKLAND = "26 Nov 2026 09:00"  # 13 hours ahead in summer: IANA time zone database, Pacific/Auckland


@pytest.fixture
def auckland(client, department, supervisor):
    """A supervisor's browser in a department on the other side of the earth."""
    Department.objects.update(time_zone="Pacific/Auckland")
    department.refresh_from_db()
    client.force_login(supervisor)
    return client


def test_changed_par_is_dated_by_the_department_s_clock(auckland, department, cart, supervisor):
    line = StockingLineFactory(place=cart, par=4)
    ParChange.objects.create(
        place=cart, consumable=line.consumable, par_before=3, par_after=4, reason="used up",
        origin=ParChange.Origin.BY_HAND, by=supervisor, at=EVENING_IN_LONDON,
    )  # fmt: skip

    assert MORNING_IN_AUCKLAND in words(auckland.get(reverse("par-sheet", args=[cart.pk])))


def test_loaded_sheet_is_dated_by_the_department_s_clock(auckland, department, supervisor):
    Import.objects.create(department=department, kind="cases", rows=1, by=supervisor, at=EVENING_IN_LONDON)

    assert MORNING_IN_AUCKLAND in words(auckland.get(reverse("sheets")))


def test_a_par_taken_from_advice_says_the_department_s_day_of_it(auckland, department):
    run = ParAdviceRun(department=department, made_at=EVENING_IN_LONDON, days=20)

    assert "advice of 2026-11-26" in par_advice._reason(run, AdvisedPar(run=run, advised=4))


def test_who_signs_in_without_a_department_is_told_so(auckland, supervisor):
    supervisor.membership.delete()

    assert "belongs to no department" in words(auckland.get(reverse("carts")))
