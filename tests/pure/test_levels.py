"""Cart levels: tomorrow's target, the standing par, the cheapest stock, and policies run over past days."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from restock.forecasting import levels
from restock.forecasting.demand import expected_shortfall, left_over, tail, total_over_cases


def poisson(*means, n=120):
    return stats.poisson.pmf(np.arange(n), np.array(means, float)[:, None])


def test_newsvendor_matches_published_examples():
    # stockpyl 1.0.2 documentation: h=0.18, p=0.70, Poisson(50).
    many = levels.newsvendor(poisson(50), 0.70, 0.18)
    assert many.pieces.tolist() == [56]
    assert many.cost == pytest.approx([1.797235], abs=1e-5)
    # Snyder & Shen, Fundamentals of Supply Chain Theory 2nd ed. 2019, Ex. 4.7 data: h=1, p=4, Poisson(6).
    few = levels.newsvendor(poisson(6), 4.0, 1.0)
    assert few.pieces.tolist() == [8]
    assert few.cost == pytest.approx([3.570107], abs=1e-5)
    at_five = 4 * expected_shortfall(poisson(6), 5) + left_over(poisson(6), 5)
    assert at_five == pytest.approx([6.590296], abs=1e-5)


@pytest.mark.parametrize(
    ("demand", "p", "h", "stock", "cost"),
    [
        # Snyder & Shen 2nd ed. 2019, Ex. 4.3, reproduced by stockpyl 1.0.2.
        (stats.norm(50, 8), 0.70, 0.18, 56.603956, 1.997605),
        # Same book, Problem 4.8(b): lognormal with mu 6, sigma 0.3.
        (stats.lognorm(0.3, scale=np.exp(6)), 0.1765, 1.0, 295.6266, 29.4425),
        # Cachon & Terwiesch, newsvendor chapter (prices from memory): underage 80, overage 20; SciPy 1.17.1 norm.ppf.
        (stats.norm(3192, 1181), 80.0, 20.0, 4185.95, None),
    ],
)
def test_newsvendor_approaches_continuous_examples_when_pieces_are_small(demand, p, h, stock, cost):
    step = demand.mean() / 20_000
    edges = np.arange(1, 60_000) * step
    pmf = np.diff(demand.cdf(edges), prepend=0.0)[None]

    answer = levels.newsvendor(pmf, p, h)

    assert answer.pieces[0] * step == pytest.approx(stock, abs=2 * step)
    assert cost is None or answer.cost[0] * step == pytest.approx(cost, rel=2e-3)


def test_normal_losses_match_printed_tables():
    step = 0.01
    edges = (np.arange(300_000) + 0.5) * step
    pmf = np.diff(stats.norm(1000, 300).cdf(edges), prepend=0.0)[None]

    # Cachon & Terwiesch, statistics appendix: N(1000, 300) at 1600 is 2.55 (standard normal loss at 2: 0.0085).
    assert expected_shortfall(pmf, 160_000)[0] * step == pytest.approx(2.5472, abs=1e-3)


def test_newsvendor_takes_any_distribution():
    eight_cases = total_over_cases(np.array([[0.05, 0.90, 0.05]]), np.zeros(8, int), np.zeros(8, int), 1)

    answer = levels.newsvendor(eight_cases, shortage_cost=19.0, left_cost=1.0)

    # stockpyl 1.0.2 newsvendor_discrete with this pmf.
    assert answer.ratio == pytest.approx([0.95])
    assert answer.pieces.tolist() == [9]
    assert answer.cost == pytest.approx([1.953391], abs=1e-6)
    assert expected_shortfall(eight_cases, answer.pieces) == pytest.approx([0.047670], abs=1e-6)


def test_par_averages_days_and_not_their_quantiles():
    days = np.stack([poisson(1, n=60)] * 9 + [poisson(9, n=60)])

    par = levels.par_advice(days, 0.95)

    on_average = [stats.poisson.sf(s, [1] * 9 + [9]).mean() for s in range(60)]
    assert par.pieces[0] == min(s for s in range(60) if on_average[s] <= 0.05)
    assert par.p_short == pytest.approx([on_average[par.pieces[0]]])
    assert par.pieces[0] != round(np.mean(stats.poisson.ppf(0.95, [1] * 9 + [9])))
    assert tail(days.mean(axis=0))[0] == pytest.approx(on_average, abs=1e-12)


def test_the_floor_is_kept_and_the_drawer_wins():
    target = levels.service_target(poisson(8, 8, 3), 0.95, floor=[20, 2, 9], capacity=[30, 10, 8])

    assert target.needed.tolist() == [13, 13, 6]
    assert target.pieces.tolist() == [20, 10, 8]
    assert target.raised_to_floor.tolist() == [True, False, False]
    assert target.cut_to_capacity.tolist() == [False, True, True]
    assert target.p_short[1] == pytest.approx(stats.poisson.sf(10, 8))


def test_a_record_below_zero_is_made_good_in_full():
    assert levels.top_up(np.array([5, 5, 5]), np.array([7, 2, -3])).tolist() == [0, 3, 8]


def test_a_fixed_par_followed_by_hand():
    record = levels.run_policy(np.array([3]), np.array([[1], [4], [0]]))

    assert record.evening.ravel().tolist() == [3, 3, 3]
    assert record.added.ravel().tolist() == [0, 1, 3]
    assert record.short.ravel().tolist() == [0, 1, 0]
    assert record.days_short.tolist() == [1]
    assert record.mean_on_hand.tolist() == [3.0]


def test_pieces_above_tomorrow_stay_unless_taken_back():
    target, used = np.array([[5], [1], [1]]), np.zeros((3, 1), int)

    assert levels.run_policy(target, used).evening.ravel().tolist() == [5, 5, 5]
    back = levels.run_policy(target, used, take_back_above=target)
    assert back.evening.ravel().tolist() == [5, 1, 1]
    assert back.taken_back.ravel().tolist() == [0, 4, 0]


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_a_policy_conserves_pieces(seed):
    rng = np.random.default_rng(seed)
    target, used = rng.integers(0, 6, (12, 4)), rng.integers(0, 6, (12, 4))
    start = rng.integers(0, 9, 4)

    record = levels.run_policy(target, used, start=start, take_back_above=target + 1)

    served = used - record.short
    closing = record.evening[-1] - served[-1]
    assert (start + record.added.sum(0) - record.taken_back.sum(0) - served.sum(0) == closing).all()
    assert (record.evening >= target).all()
    assert (record.evening <= target + 1).all()
    assert (closing >= 0).all()


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), alpha=st.floats(0.05, 0.99))
def test_par_is_the_smallest_that_meets_the_level(seed, alpha):
    days = np.random.default_rng(seed).dirichlet(np.full(8, 0.5), (5, 3))

    par = levels.par_advice(days, alpha)

    curve = tail(days.mean(axis=0))
    for line, pieces in enumerate(par.pieces):
        assert curve[line, pieces] <= 1 - alpha + 1e-9
        assert pieces == 0 or curve[line, pieces - 1] > 1 - alpha - 1e-9
