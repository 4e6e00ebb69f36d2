"""The par that a line should have, and what it would have changed."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Basis, Criticality
from restock.advising.pars import advise_pars
from restock.advising.past import average_demand, believe, last_operating_days, lists_as_known, operating_days
from restock.forecasting import demand
from restock.learning.forecast import kinds_of_case, read_frame
from restock.learning.replay import read_log, used_on
from restock.learning.tallies import read_tallies
from restock.models import CaseType
from tests.factories import CaseFactory, CaseTypeFactory, ConsumableFactory, StockingLineFactory

from .conftest import TODAY


@pytest.fixture
def four_a_day(cart, room, tube, a_past):
    """Twenty days on each of which four cases used a tube each, from a cart whose par is three."""
    line = StockingLineFactory(place=cart, consumable=tube, par=3, capacity=30)
    a_past(room, CaseTypeFactory(), 20, [{tube: 1}] * 4)
    return line


@pytest.fixture(params=["no day effect", "a day effect"])
def a_day_of_its_own(department, room, tube, request):
    """The tallies, with and without a day effect on tubes, and with cases that nobody booked."""
    CaseFactory(
        date=TODAY - timedelta(days=9), room=room, order=9, added_on_the_day=True, case_type=CaseType.objects.first()
    )
    tallies = read_tallies(department, TODAY)
    if request.param == "a day effect":
        return replace(tallies, fitted=replace(tallies.fitted, day_effect={tube.pk: 0.3}))
    return tallies


def test_the_advised_par_is_the_smallest_that_lasts_often_enough_over_the_horizon(department, four_a_day):
    advice = advise_pars(department, today=TODAY)

    log = read_log(department, TODAY)
    days = operating_days(log, before=TODAY, days=28)
    lists = lists_as_known(department, log, days, tallies=read_tallies(department, TODAY), on=TODAY)
    average = average_demand(read_frame(department), lists)
    par = advice.advised
    assert len(advice.days) == 20
    assert demand.p_short(average, par)[0] <= 0.05 < demand.p_short(average, par - 1)[0]
    assert advice.p_short_advised == pytest.approx(demand.p_short(average, par))


def test_the_horizon_averages_whole_evenings_whatever_is_worked_out_once_for_several(
    department, four_a_day, a_day_of_its_own
):
    log = read_log(department, TODAY)
    days = operating_days(log, before=TODAY, days=10)
    lists = lists_as_known(department, log, days, tallies=a_day_of_its_own, on=TODAY)
    frame = read_frame(department)

    found = average_demand(frame, lists)

    beliefs = believe(frame, lists[0].tallies, {kind for known in lists for kind in kinds_of_case(known)})
    evenings = [beliefs.demand(known) for known in lists]
    expected = sum(np.pad(pmf, ((0, 0), (0, found.shape[1] - pmf.shape[1]))) for pmf in evenings) / len(evenings)
    np.testing.assert_allclose(found, expected, atol=1e-11)


def test_the_horizon_is_found_without_reading_the_log(department, room, four_a_day):
    log = read_log(department, TODAY)

    for before in (TODAY, TODAY - timedelta(days=7)):
        days = last_operating_days(department, before=before, days=6)
        assert days == operating_days(log, before=before, days=6)

    CaseFactory(date=TODAY - timedelta(days=40), room=room)  # listed, and never logged
    assert min(last_operating_days(department, before=TODAY, days=90)) == TODAY - timedelta(days=20)


def test_a_part_of_the_log_holds_what_the_whole_holds_of_those_days(department, four_a_day):
    frame, days = read_frame(department), [TODAY - timedelta(days=n) for n in (5, 4, 3)]

    part, whole = read_log(department, days[-1], first=days[0]), read_log(department, TODAY)

    assert sorted(part.cases) == days
    for day in days:
        assert part.cases[day] == whole.cases[day]
        np.testing.assert_array_equal(used_on(part, frame, day), used_on(whole, frame, day))


def test_advice_counts_what_it_would_have_changed_on_the_pieces_really_used(department, four_a_day):
    advice = advise_pars(department, today=TODAY)

    [advised] = advice.advised
    assert advised >= 4
    assert advice.now.days_short.tolist() == [20]  # four were used on each of 20 days, three were there
    assert advice.now.short.sum() == 20
    assert advice.then.days_short.tolist() == [0]
    assert advice.more_on_hand.tolist() == [advised - 3]
    assert str(advice.reasons[0]).startswith("Par 3 covers only")
    assert str(advice.reasons[0]).endswith(f"{advised} cover 19 of 20.")


def test_the_horizon_is_as_many_operating_days_as_asked_for(department, four_a_day):
    advice = advise_pars(department, today=TODAY, days=5)

    assert [(TODAY - day).days for day in advice.days] == [5, 4, 3, 2, 1]
    assert advice.now.evening.shape == (5, 1)


def test_the_bin_bounds_the_par_and_the_reason_says_so(department, four_a_day):
    four_a_day.par, four_a_day.capacity = 2, 3
    four_a_day.save()

    advice = advise_pars(department, today=TODAY)

    assert advice.advised.tolist() == [3]
    assert str(advice.reasons[0]) == "4 would cover 19 of 20 days, but the bin holds 3: fill it."


def test_a_line_kept_for_emergencies_keeps_its_par_and_one_never_out_keeps_a_piece(department, four_a_day, cart):
    kit = ConsumableFactory(basis=Basis.EMERGENCY)
    bougie = ConsumableFactory(criticality=Criticality.NEVER_OUT)
    idle = ConsumableFactory()
    for consumable in (kit, bougie, idle):
        StockingLineFactory(place=cart, consumable=consumable, par=4)

    advice = advise_pars(department, today=TODAY)

    advised = {line.consumable: n for line, n in zip(advice.lines, advice.advised, strict=True)}
    reasons = {line.consumable: str(why) for line, why in zip(advice.lines, advice.reasons, strict=True)}
    assert [advised[kit], advised[bougie], advised[idle]] == [4, 1, 0]
    assert reasons[kit] == "Kept for emergencies, which no list foretells: par stays 4."
    assert "it must never be out, so one stays: 3 fewer than par" in reasons[bougie]
    assert reasons[idle] == "0 cover 19 of 20 days; par 4 holds 4 more than that."


def test_the_floor_is_policy_and_stays(department, four_a_day):
    four_a_day.floor = 12
    four_a_day.save()

    advice = advise_pars(department, today=TODAY)

    assert advice.advised.tolist() == [12]
    assert "policy keeps at least 12" in str(advice.reasons[0])


def test_without_any_logged_day_there_is_nothing_to_advise_from(department, cart, policy):
    StockingLineFactory(place=cart)

    with pytest.raises(ValueError, match="at least one day"):
        advise_pars(department, today=TODAY)


def test_queries_do_not_grow_with_lines(department, four_a_day, cart, django_assert_num_queries):
    with CaptureQueriesContext(connection) as before:
        advise_pars(department, today=TODAY)
    for _ in range(10):
        StockingLineFactory(place=cart)

    with django_assert_num_queries(len(before)):
        advice = advise_pars(department, today=TODAY)
    assert np.array(advice.advised).shape == (11,)
