"""Every number of a plan line can be traced to what it rests on."""

from datetime import UTC, date, datetime, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from restock.learning.fitting import learn
from restock.learning.tallies import bring_forward
from restock.models import Fit, Policy, SetupStandard, UsageRecord
from restock.plans.explaining import explain
from restock.plans.planning import draft_plan
from tests.factories import CaseFactory, CaseTypeFactory, SizeClassFactory, StockingLineFactory

TOMORROW = date(2026, 3, 5)
TONIGHT = datetime(2026, 3, 4, 18, tzinfo=UTC)


@pytest.fixture
def policy(department):
    return Policy.objects.create(department=department, target=Policy.Target.TOMORROW_ONLY)


@pytest.fixture
def listed(policy, cart, room, tube):
    """Three hernias that take two tubes each and one scan that takes none; ten logged cases of each."""
    StockingLineFactory(place=cart, consumable=tube, par=1)
    hernia, scan = (CaseTypeFactory(name=name, specialty="General") for name in ("Hernia", "Scan"))
    adult = SizeClassFactory(name="adult")
    SetupStandard.objects.create(case_type=hernia, consumable=tube, quantity=2)
    for n in range(10):
        for order, case_type in enumerate((hernia, scan), start=1):
            day = TOMORROW - timedelta(days=n + 1)
            of = {"date": day, "room": room, "size_class": adult, "order": order, "case_type": case_type}
            case = CaseFactory(status="done", logged_at=TONIGHT, **of)
            if case_type == hernia:
                of = {"department": cart.department, "case": case, "consumable": tube}
                UsageRecord.objects.create(used=1, opened_unused=1, **of)
    for order, case_type in enumerate((hernia, hernia, hernia, scan), start=1):
        CaseFactory(date=TOMORROW, room=room, order=order, case_type=case_type, size_class=adult)
    return cart.department


def explained(department, policy):
    bring_forward(department=department, at=TONIGHT)
    return explain(draft_plan(department, TOMORROW, policy=policy), 0, policy=policy)


def test_the_parts_of_a_line_add_up_to_its_mean(listed, policy):
    found = explained(listed, policy)

    kept = sum(len(share.slots) * share.mean * (1 - found.cancelled["General"]) for share in found.shares)
    assert kept + found.room_mean + found.added_mean == pytest.approx(found.mean)
    assert found.added_mean > 0


def test_equal_cases_stand_together_and_the_need_without_one_of_them_is_said(listed, policy):
    hernias, scans = explained(listed, policy).shares

    assert (len(hernias.slots), len(scans.slots)) == (3, 1)
    need = explained(listed, policy).need
    assert need.covers - hernias.without_one.covers in (1, 2)
    assert scans.without_one == need
    assert hernias.without_one.top_up == hernias.without_one.covers


def test_half_of_what_was_opened_is_expected_unused_where_half_was(listed, policy):
    found = explained(listed, policy)

    of_cases = sum(len(share.slots) * share.mean for share in found.shares) * (1 - found.cancelled["General"])
    assert found.unused == pytest.approx(of_cases / 2, rel=0.1)


def test_the_command_prints_what_a_quantity_rests_on(listed, cart, tube):
    learn(department=listed, at=TONIGHT)
    out = StringIO()

    call_command("explain", cart.code, tube.code, "--for", str(TOMORROW), stdout=out)

    said = out.getvalue()
    for expected in (
        "3 x Hernia, adult (OR-1): mean",
        "own earlier cases",
        "borrowed:",
        "without one of them",
        "of booked cases are cancelled",
        "Cases nobody booked:",
        "Day effect: none found",
        "pieces likely opened",
        "Together: mean",
        "covers 95.0% of such days",
        "to add",
    ):
        assert expected in said


def test_a_line_that_the_cart_does_not_keep_is_refused(listed, cart):
    with pytest.raises(CommandError, match="keeps no line"):
        call_command("explain", cart.code, "nothing", "--for", str(TOMORROW))


def test_learning_again_on_the_next_night_keeps_the_fit_until_asked_or_a_week_has_passed(listed):
    _, first = learn(department=listed, at=TONIGHT)

    assert learn(department=listed, at=TONIGHT + timedelta(days=1))[1] == first
    assert learn(department=listed, at=TONIGHT + timedelta(days=8))[1] != first
    _, asked = learn(department=listed, at=TONIGHT + timedelta(days=9), refit_now=True)
    assert Fit.objects.get() == asked


def test_the_command_says_what_was_learned(listed):
    out = StringIO()

    call_command("learn", "--rebuild", stdout=out)

    assert "10 usage records are in the tallies." in out.getvalue()
    assert "evenings" in out.getvalue()
