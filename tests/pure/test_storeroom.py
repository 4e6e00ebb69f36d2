"""Storeroom levels: against published formulas, SciPy and a seeded simulation."""

import numpy as np
import pytest
from scipy import stats

from restock.forecasting import storeroom
from restock.forecasting.horizon import over_days


def poisson(*means, n=60):
    return stats.poisson.pmf(np.arange(n), np.array(means, float)[:, None])


@pytest.fixture(scope="module")
def four_a_day():
    return over_days(poisson(4, n=25), 9)


def test_order_up_to_covers_lead_time_and_review_period(four_a_day):
    answer = storeroom.order_up_to(four_a_day, [0, 0, 1], 1, alpha=0.95)

    # Silver, Pyke & Thomas, (R,S) shortage accounting (section from memory); SciPy 1.17.1, and 1e6 simulated days.
    assert answer.level.tolist() == [18]
    assert answer.alpha == pytest.approx([0.962584], abs=1e-6)
    assert answer.backorders == pytest.approx([0.082099], abs=1e-6)
    assert answer.fill_rate == pytest.approx([0.979737], abs=1e-6)


def test_a_level_one_piece_lower_misses_the_target(four_a_day):
    answer = storeroom.service_of_level(four_a_day, [0, 0, 1], 1, np.array([17]))

    assert answer.alpha[0] < 0.95


def test_a_fill_rate_target_gives_the_smallest_level_that_meets_it(four_a_day):
    answer = storeroom.order_up_to(four_a_day, [0, 0, 1], 1, fill_rate=0.98)

    below = storeroom.service_of_level(four_a_day, [0, 0, 1], 1, answer.level - 1)
    assert below.fill_rate[0] < 0.98 <= answer.fill_rate[0]


def test_a_random_lead_time_mixes_demand_and_not_levels(four_a_day):
    lead = np.array([0.0, 0.5, 0.0, 0.0, 0.5])

    mixed = storeroom.over_random_days(four_a_day, lead)

    expected = (stats.poisson.pmf(np.arange(mixed.shape[1]), 4) + stats.poisson.pmf(np.arange(mixed.shape[1]), 16)) / 2
    assert mixed[0] == pytest.approx(expected, abs=1e-11)


def test_whole_packs_and_batches_agree_with_a_simulation():
    rng = np.random.default_rng(5)
    use = np.array([0.5, 0.2, 0.1, 0.2])
    by_days = over_days(use[None], 4)
    level, pack, days = 5, 4, 400_000

    answer = storeroom.service_of_level(by_days, [0, 0, 1], 1, np.array([level]), pack)

    demand = rng.choice(4, size=days, p=use)
    position, net, short, arriving = level, level, 0, np.zeros(days + 3, int)
    for day in range(days):
        net += arriving[day]
        ordered = -(-max(level - position, 0) // pack) * pack
        position += ordered
        arriving[day + 2] += ordered
        short += min(max(demand[day] - max(net, 0), 0), demand[day])
        net -= demand[day]
        position -= demand[day]
    assert answer.fill_rate[0] == pytest.approx(1 - short / demand.sum(), abs=0.003)


def test_reorder_point_of_single_pieces():
    answer = storeroom.reorder_point(poisson(8), 10, alpha=0.888)

    # Zipkin 2000 sec. 6.2 (section from memory): position uniform on s+1..s+Q; SciPy 1.17.1.
    assert answer.level.tolist() == [11]
    assert answer.fill_rate == pytest.approx([0.975830], abs=1e-6)
    assert answer.backorders == pytest.approx([0.025293], abs=1e-6)
    assert answer.on_hand == pytest.approx([8.525293], abs=1e-6)
    assert answer.alpha == pytest.approx([0.888076], abs=1e-6)


def test_reorder_point_of_a_service_target():
    # Same formulas, SciPy 1.17.1.
    assert storeroom.reorder_point(poisson(8), 10, fill_rate=0.99).level.tolist() == [13]
    assert storeroom.reorder_point(poisson(8), 10, alpha=0.99).level.tolist() == [15]


def test_reorder_point_reproduces_a_published_cost():
    def cost(alpha):
        answer = storeroom.reorder_point(poisson(3), 5, alpha=alpha)
        return answer.level[0], 100 * 1.5 / 5 + 20 * answer.on_hand[0] + 150 * answer.backorders[0]

    # Snyder & Shen 2nd ed. 2019, Ex. 5.8: holding 20, backorder 150, order 100, Poisson(1.5) over a lead time of 2.
    assert cost(0.6) == (3, pytest.approx(107.923581, abs=1e-5))
    assert min(cost(0.4)[1], cost(0.8)[1]) > 107.93


def test_issues_of_several_pieces_carry_the_position_below_the_reorder_point():
    # Always two at a time, order 2: the position falls on s or s - 1 with equal chance.
    by_twos = np.zeros((1, 40))
    by_twos[0, ::2] = stats.poisson.pmf(np.arange(20), 3)
    issue = np.array([[0.0, 0.0, 1.0]])

    answer = storeroom.reorder_point(by_twos, 2, alpha=0.9, issue=issue)

    reached = [(stats.poisson.cdf(s // 2, 3) + stats.poisson.cdf((s - 1) // 2, 3)) / 2 for s in range(20)]
    assert answer.level[0] == min(s for s in range(20) if reached[s] >= 0.9)
    assert answer.alpha[0] == pytest.approx(reached[answer.level[0]])
    assert answer.level[0] > storeroom.reorder_point(poisson(6), 2, alpha=0.9).level[0]


def test_packs_round_up_to_the_level():
    # Arithmetic: (R, nQ) policy.
    assert storeroom.packs_to_order(37, 12, 10) == 3
    assert storeroom.packs_to_order(np.array([10, 10]), np.array([10, 12]), 5).tolist() == [0, 0]


def test_days_of_cover_are_a_range(four_a_day):
    cover = storeroom.days_of_cover(four_a_day, np.array([20]))

    lasts = [stats.poisson.cdf(20, 4 * d) for d in range(1, 10)]
    assert cover.low[0] == sum(p >= 0.9 for p in lasts)
    assert cover.likely[0] == sum(p >= 0.5 for p in lasts)
    assert cover.high[0] == sum(p >= 0.1 for p in lasts)
    assert cover.low[0] < cover.likely[0] < cover.high[0]
    assert not cover.open_ended[0]


def test_cover_beyond_the_horizon_says_so(four_a_day):
    cover = storeroom.days_of_cover(four_a_day, np.array([200]))

    assert cover.open_ended[0]
    assert cover.low.tolist() == [9]


def test_targets_and_horizons_that_do_not_fit_are_refused(four_a_day):
    with pytest.raises(ValueError, match="one target"):
        storeroom.order_up_to(four_a_day, [1.0], 1)
    with pytest.raises(ValueError, match="horizon is shorter"):
        storeroom.order_up_to(four_a_day, np.full(12, 1 / 12), 1, alpha=0.9)
    with pytest.raises(ValueError, match="add up to one"):
        storeroom.over_random_days(four_a_day, [0.5, 0.4])
    with pytest.raises(ValueError, match="at least one piece"):
        storeroom.reorder_point(poisson(2), 0, alpha=0.9)
