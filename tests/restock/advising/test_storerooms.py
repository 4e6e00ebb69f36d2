"""What storerooms should order, from demand pooled over the carts that they fill."""

from datetime import timedelta

import numpy as np
import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection
from django.test.utils import CaptureQueriesContext

from inventory.models import Basis
from restock.advising.ahead import look_ahead
from restock.advising.past import believe
from restock.advising.pooled import cases_ahead, demand_by_days, rooms_served
from restock.advising.storerooms import advise_orders
from restock.forecasting import demand, horizon
from restock.learning.forecast import Frame, read_frame
from restock.learning.tallies import read_tallies
from restock.models import OrderPolicy
from tests.factories import (
    CartFactory,
    CaseTypeFactory,
    ConsumableFactory,
    LotFactory,
    PackagingFactory,
    StockingLineFactory,
    StoreroomFactory,
)

from .conftest import TODAY


@pytest.fixture
def case_type():
    return CaseTypeFactory()


@pytest.fixture
def shelf(storeroom, tube):
    """The storeroom's line."""
    return StockingLineFactory(place=storeroom, consumable=tube, par=40)


@pytest.fixture
def three_a_day(cart, room, tube, a_past, case_type, shelf):
    """Four weeks on every day of which three cases used a tube each, from a cart with a par of four."""
    StockingLineFactory(place=cart, consumable=tube, par=4)
    a_past(room, case_type, 28, [{tube: 1}] * 3)


def only(department, **rest):
    [proposal] = advise_orders(department, today=TODAY, **rest)
    return proposal


def test_demand_ahead_is_the_usual_cases_of_each_weekday(department, three_a_day):
    proposal = only(department)

    assert proposal.mean_per_day == pytest.approx(3.0, rel=0.05)


def test_the_level_covers_review_and_lead_time_and_the_order_brings_the_position_up_to_it(
    department, three_a_day, storeroom, cart, tube, receive
):
    PackagingFactory(consumable=tube, pieces_per_pack=12)
    receive(storeroom, tube, 15)
    receive(cart, tube, 1)

    proposal = only(department)

    assert (proposal.usable, proposal.owed, proposal.position) == (15, 3, 12)  # the cart lacks 3 of its 4
    # Ten days at three a day, and something on top for 19 of 20 order cycles.
    assert 30 < proposal.level < 50
    assert proposal.reached >= 0.95
    assert proposal.pieces_per_pack == 12
    assert proposal.order_packs == -(-(proposal.level - 12) // 12)


def test_what_is_on_order_is_not_ordered_again(department, three_a_day, storeroom, tube):
    before = only(department)

    after = only(department, on_order={(storeroom.pk, tube.pk): 10})

    assert after.level == before.level
    assert after.order_pieces == before.order_pieces - 10


def test_stock_out_of_date_or_quarantined_is_no_stock(department, three_a_day, storeroom, tube, receive):
    receive(storeroom, tube, 30, lot=LotFactory(consumable=tube, expires_on=TODAY))
    receive(storeroom, tube, 30, lot=LotFactory(consumable=tube, quarantined_at="2026-03-01T00:00Z"))

    proposal = only(department)

    assert proposal.usable == 0
    assert proposal.cover == (0, 0, 0)


def test_days_of_cover_are_a_range_around_stock_over_use(department, three_a_day, storeroom, cart, tube, receive):
    receive(storeroom, tube, 20)
    receive(cart, tube, 4)

    proposal = only(department)

    low, likely, high = proposal.cover
    assert low <= likely <= high
    assert low < high
    assert 5 <= likely <= 7  # 20 pieces at 3 a day
    assert not proposal.cover_open


def test_a_line_that_a_row_orders_at_a_point_gets_whole_fixed_orders(department, three_a_day, shelf, tube, receive):
    PackagingFactory(consumable=tube, pieces_per_pack=8)
    OrderPolicy.objects.create(
        stocking_line=shelf, method="reorder_point", order_pieces=20, lead_days=2, lead_spread_days=0, service=0.9
    )

    empty = only(department)
    receive(shelf.place, tube, 60)
    full = only(department)

    assert 6 < empty.level < 18  # two days at three a day, and something on top
    assert empty.order_packs % 3 == 0  # 20 pieces are 3 packs of 8
    assert empty.position + empty.order_pieces > empty.level
    assert full.order_packs == 0


def test_a_fill_rate_is_reached_with_less_than_the_same_alpha(department, three_a_day, shelf):
    row = OrderPolicy.objects.create(stocking_line=shelf, service=0.95)
    alpha = only(department)
    row.measure = OrderPolicy.Measure.FILL_RATE
    row.save()

    fill_rate = only(department)

    assert fill_rate.level < alpha.level
    assert fill_rate.reached >= 0.95


def test_a_storeroom_keeps_what_is_for_emergencies_and_its_floor(department, storeroom, a_past, policy):
    kit = ConsumableFactory(basis=Basis.EMERGENCY)
    StockingLineFactory(place=storeroom, consumable=kit, par=6)
    StockingLineFactory(place=storeroom, par=3, floor=2)

    levels = {one.consumable == kit: one.level for one in advise_orders(department, today=TODAY)}

    assert levels == {True: 6, False: 2}


def test_each_storeroom_answers_for_the_carts_that_it_fills(department, three_a_day, tube):
    far = StoreroomFactory(walk_order=5)
    StockingLineFactory(place=far, consumable=tube)

    use = {one.place: one.mean_per_day for one in advise_orders(department, today=TODAY)}

    assert use[far] == 0.0


def pooled(department, shelf, days):
    frame = read_frame(department)
    ahead = look_ahead(department, today=TODAY, days=days)
    beliefs = believe(Frame((shelf,), frame.routes, frame.setups), read_tallies(department, TODAY), ahead.kinds)
    cases = cases_ahead(ahead, tuple(frame.routes.by_room))
    served = rooms_served(frame, cases, [shelf])
    [(_, totals)] = demand_by_days(beliefs, ahead, cases, [shelf], served)
    return ahead, beliefs, totals[:, 0]


def test_cases_of_one_kind_share_one_unknown_habit(department, cart, room, tube, shelf, a_past, case_type):
    """Against the same Dirichlet-multinomial total, put together from its parts."""
    StockingLineFactory(place=cart, consumable=tube)
    a_past(room, case_type, 7, [{tube: 1}, {tube: 3}])  # two cases on every weekday, of an uncertain habit

    ahead, beliefs, totals = pooled(department, shelf, 7)

    [kind] = ahead.kinds
    alpha = beliefs.usage.alpha(("piece", tube.pk), kind)[None]
    counts = horizon.negative_binomial_counts(np.array([1.0 + 14]), np.array([(1.0 + 14) / 14]))
    expected = horizon.total_over_random_cases(alpha, counts)[0]
    n = min(len(expected), len(totals[-1]))
    assert totals[-1][:n] == pytest.approx(expected[:n], abs=1e-5)
    independent = demand.negative_binomial_total(alpha / alpha.sum(), np.array([15.0]), np.array([15 / 14]))
    assert demand.variance(totals[-1:])[0] > 1.05 * demand.variance(independent)[0]


def test_a_published_list_is_taken_as_it_is(department, three_a_day, room, case_type, shelf, listed):
    listed(room, case_type, 9)

    ahead, _, totals = pooled(department, shelf, 2)

    tomorrow = TODAY + timedelta(days=1)
    assert len(ahead.listed[tomorrow]) == 9
    first, second = np.diff(demand.mean(totals))
    assert first > 2.5 * second  # nine listed, less those cancelled, against the usual three
    assert first == pytest.approx(9, rel=0.15)


def test_a_list_with_only_a_few_early_bookings_does_not_count_as_out(department, three_a_day, room, case_type, listed):
    listed(room, case_type, 1)

    ahead = look_ahead(department, today=TODAY, days=2)

    assert ahead.listed == {}
    assert sum(ahead.usual[TODAY + timedelta(days=1)].values()) == pytest.approx(3.0)


def test_demand_only_grows_with_the_days(department, three_a_day, shelf):
    _, _, totals = pooled(department, shelf, 10)

    cdf = np.cumsum(totals, axis=1)
    assert totals.sum(axis=1) == pytest.approx(np.ones(11))
    assert (np.diff(cdf, axis=0) <= 1e-7).all()


def test_queries_do_not_grow_with_lines(department, three_a_day, storeroom, django_assert_num_queries):
    with CaptureQueriesContext(connection) as before:
        advise_orders(department, today=TODAY)
    for _ in range(8):
        consumable = ConsumableFactory()
        StockingLineFactory(place=storeroom, consumable=consumable)
        PackagingFactory(consumable=consumable)
        StockingLineFactory(place=CartFactory(restocked_from=storeroom), consumable=consumable)

    with django_assert_num_queries(len(before)):
        assert len(advise_orders(department, today=TODAY)) == 9


@pytest.mark.parametrize(
    ("wrong", "constraint"),
    [
        ({"review_days": 0}, "review_at_least_daily"),
        ({"lead_days": 1, "lead_spread_days": 2}, "delivery_not_before_order"),
        ({"order_pieces": 0}, "order_holds_a_piece"),
        ({"service": 1.0}, "order_service_is_a_share"),
    ],
)
def test_an_order_policy_that_cannot_be_is_refused(shelf, wrong, constraint):
    row = OrderPolicy(stocking_line=shelf, **wrong)

    with pytest.raises(ValidationError):
        row.full_clean()
    with pytest.raises(IntegrityError, match=constraint):
        row.save()


def test_a_delivery_may_come_on_each_day_of_its_spread():
    policy = OrderPolicy(lead_days=3, lead_spread_days=1)

    assert policy.lead_chances() == pytest.approx([0, 0, 1 / 3, 1 / 3, 1 / 3])
