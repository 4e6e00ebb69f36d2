"""Policies side by side on the department's own past."""

from datetime import timedelta

import pytest

from restock.advising.past import believe, tomorrow_target
from restock.advising.policies import ADVISED_PAR, GREATER_OF_BOTH, PAR, TOMORROW_ONLY, compare_policies
from restock.learning.forecast import kinds_of_case, read_frame, read_known
from restock.models import Case, UsageRecord
from restock.plans.planning import draft_plan
from tests.factories import CaseFactory, CaseTypeFactory, StockingLineFactory

from .conftest import TODAY, TOMORROW, TONIGHT


@pytest.fixture
def case_type():
    return CaseTypeFactory()


@pytest.fixture
def four_a_day(cart, room, tube, a_past, case_type):
    StockingLineFactory(place=cart, consumable=tube, par=3, capacity=30)
    a_past(room, case_type, 20, [{tube: 1}] * 4)


def by_name(comparison):
    return {(one.name, one.takes_back): one for one in comparison.figures}


def test_figures_of_par_as_it_is_are_those_worked_out_by_hand(department, four_a_day):
    comparison = compare_policies(department, today=TODAY, days=10)

    found = by_name(comparison)[PAR, False]
    assert len(comparison.days) == len(comparison.advised_from) == 10
    assert comparison.advised_from[-1] < comparison.days[0]
    # Three on the cart every evening, four wanted every day; the first evening starts full.
    assert (found.on_carts, found.line_days_short, found.line_days, found.pieces_short) == (3.0, 10, 10, 10)
    assert (found.carried, found.taken_back) == (2.7, 0.0)


def test_policies_that_know_the_list_run_short_less_than_a_par_that_is_too_low(department, four_a_day):
    found = by_name(compare_policies(department, today=TODAY, days=10))

    for name in (ADVISED_PAR, TOMORROW_ONLY, GREATER_OF_BOTH):
        assert found[name, False].line_days_short == 0
    assert (PAR, True) not in found  # a fixed par is never exceeded


@pytest.mark.parametrize("days_ago", [1, 2, 3])
def test_an_evening_knows_nothing_of_its_day(department, four_a_day, tube, days_ago):
    before = by_name(compare_policies(department, today=TODAY, days=3))

    case = Case.objects.filter(date=TODAY - timedelta(days=days_ago)).first()
    UsageRecord.objects.create(department=department, case=case, consumable=tube, used=20)
    after = by_name(compare_policies(department, today=TODAY, days=3))

    for name in (TOMORROW_ONLY, GREATER_OF_BOTH):
        # With take-back every evening stands at its target exactly.
        assert after[name, True].on_carts == before[name, True].on_carts
        assert after[name, True].pieces_short > before[name, True].pieces_short


def test_take_back_clears_what_a_long_list_left_behind(department, four_a_day, room, case_type):
    for order in range(5, 15):  # ten more were booked five days ago, and used none
        CaseFactory(date=TODAY - timedelta(days=5), room=room, order=order, case_type=case_type, logged_at=TONIGHT)

    found = by_name(compare_policies(department, today=TODAY, days=5))

    stays, goes_back = found[TOMORROW_ONLY, False], found[TOMORROW_ONLY, True]
    assert stays.taken_back == 0.0
    assert goes_back.taken_back * 5 >= 5
    assert goes_back.on_carts < stays.on_carts


def test_without_days_before_there_is_no_advised_par(department, four_a_day):
    comparison = compare_policies(department, today=TODAY, days=20)

    assert comparison.advised_from == ()
    assert {one.name for one in comparison.figures} == {PAR, TOMORROW_ONLY, GREATER_OF_BOTH}


def test_the_target_is_the_one_that_the_plan_sets(department, four_a_day, room, case_type, listed, policy):
    listed(room, case_type, 7)
    frame, known = read_frame(department), read_known(department, TOMORROW)

    pmf = believe(frame, known.tallies, kinds_of_case(known)).demand(known)
    for with_par, chosen in ((True, "greater_of_both"), (False, "tomorrow_only")):
        policy.target = chosen
        target = tomorrow_target(pmf, frame.lines, policy, with_par=with_par)
        assert target.tolist() == draft_plan(department, TOMORROW, policy=policy).target.tolist()


def test_no_past_is_refused_in_words(department, cart, policy):
    StockingLineFactory(place=cart)

    with pytest.raises(ValueError, match="has both a list and a logged case"):
        compare_policies(department, today=TODAY)
