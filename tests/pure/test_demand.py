"""Exact sums: against enumeration, SciPy's distributions and published worked values."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from restock.forecasting import convolution, demand

NEAR_ONE = [0.05, 0.90, 0.05]  # one piece almost always


def one_line(*pmfs, cancel=0.0):
    width = max(len(pmf) for pmf in pmfs)
    table = np.array([np.pad(pmf, (0, width - len(pmf))) for pmf in pmfs], float)
    entries = np.arange(len(pmfs))
    return demand.total_over_cases(table, np.zeros(len(pmfs), int), entries, 1, cancel)


def poisson(*means, n=80):
    return stats.poisson.pmf(np.arange(n), np.array(means)[:, None])


@st.composite
def cases(draw, most=6):
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n_cases, k = draw(st.integers(1, most)), draw(st.integers(1, 5))
    return rng.dirichlet(np.full(k + 1, 0.7), n_cases)


# --- against published and reference values


def test_eight_near_certain_cases_need_nine_pieces_where_poisson_asks_for_thirteen():
    total = one_line(*[NEAR_ONE] * 8)

    # Recomputed with NumPy 2.4.6 convolve.
    assert demand.mean(total) == pytest.approx([8.0])
    assert demand.variance(total) == pytest.approx([0.8])
    assert total[0, 8] == pytest.approx(0.506598, abs=1e-6)
    assert demand.p_short(total, 9) == pytest.approx([0.042854], abs=1e-6)
    assert demand.quantile(total, [[0.95], [0.99]]).ravel().tolist() == [9, 10]
    assert demand.quantile(poisson(8.0), [[0.95], [0.99]]).ravel().tolist() == [13, 15]


def test_eight_cases_with_cancellation_use_less():
    total = one_line(*[NEAR_ONE] * 8, cancel=0.06)

    # Recomputed with NumPy 2.4.6: mixture with zero, then convolution.
    assert demand.mean(total) == pytest.approx([7.52])
    assert total[0, :8].sum() == pytest.approx(0.467542, abs=1e-6)
    assert demand.quantile(total, 0.95).tolist() == [9]


def test_cases_without_an_agreed_habit_are_summed_as_independent_draws():
    total = one_line(*[[3 / 28, 21 / 28, 4 / 28]] * 5)

    # Recomputed with NumPy 2.4.6 convolve.
    assert demand.p_short(total, 6) == pytest.approx([0.109026], abs=1e-6)
    assert demand.p_short(total, 7) == pytest.approx([0.018244], abs=1e-6)
    assert demand.quantile(total, 0.95).tolist() == [7]


def test_unequal_chances_give_the_poisson_binomial():
    total = one_line(*[[1 - p, p] for p in (0.5, 0.3, 0.7, 0.3, 0.9)])

    # Hong 2013, Computational Statistics & Data Analysis 59:41-51; value by SciPy 1.17.1 poisson_binom.
    assert total[0, 2] == pytest.approx(0.3167, abs=1e-6)
    assert demand.mean(total) == pytest.approx([2.7])
    assert demand.variance(total) == pytest.approx([0.97])


def test_booked_lines_of_seven_cases_give_the_poisson_binomial():
    total = one_line(*[[0.1, 0.9]] * 4, *[[0.75, 0.25]] * 3)

    # SciPy 1.17.1 poisson_binom.
    assert demand.mean(total) == pytest.approx([4.35])
    assert demand.p_short(total, 5) == pytest.approx([0.107072], abs=1e-6)
    assert demand.quantile(total, 0.99).tolist() == [7]


def test_poisson_quantiles_are_the_smallest_that_reach_the_level():
    # Definition of the quantile; SciPy 1.17.1 poisson.ppf and cdf.
    assert demand.quantile(poisson(8.0), 0.95).tolist() == [13]
    assert 1 - demand.p_short(poisson(8.0), 12) == pytest.approx([0.936203], abs=1e-6)
    assert 1 - demand.p_short(poisson(8.0), 13) == pytest.approx([0.965819], abs=1e-6)
    assert demand.quantile(poisson(3.2), 0.99).tolist() == [8]
    assert demand.p_short(poisson(3.2), 8) == pytest.approx([0.005714], abs=1e-6)


def test_poisson_shortfall_matches_a_printed_table():
    pmf = poisson(*[1.25] * 6)

    # Cachon & Terwiesch, Matching Supply with Demand, statistics appendix: Poisson(1.25) loss and cdf.
    loss = [1.25000, 0.53650, 0.18114, 0.04961, 0.01134, 0.00221]
    reached = [0.286505, 0.644636, 0.868468, 0.961731, 0.990876, 0.998162]
    assert demand.expected_shortfall(pmf, np.arange(6)) == pytest.approx(loss, abs=5e-6)
    assert 1 - demand.p_short(pmf, np.arange(6)) == pytest.approx(reached, abs=1e-6)


def test_shortfall_and_left_over_match_closed_forms():
    # stockpyl 1.0.2 documentation: Poisson(15) at 18 pieces; closed form m P(D>=x) - x P(D>x), Zipkin 2000 app. C.
    assert demand.expected_shortfall(poisson(15.0), 18) == pytest.approx([0.517610], abs=1e-6)
    assert demand.left_over(poisson(15.0), 18) == pytest.approx([3.517610], abs=1e-6)
    # Zipkin 2000 C.2.3.6, as cited by stockpyl 1.0.2: negative binomial r=4, p=0.2 at 14; real r=2.5, p=0.4 at 6.
    q = np.arange(400)
    assert demand.expected_shortfall(stats.nbinom.pmf(q, 4, 0.2)[None], 14) == pytest.approx([4.447305], abs=1e-6)
    assert demand.left_over(stats.nbinom.pmf(q, 4, 0.2)[None], 14) == pytest.approx([2.447305], abs=1e-6)
    assert demand.expected_shortfall(stats.nbinom.pmf(q, 2.5, 0.4)[None], 6) == pytest.approx([0.512924], abs=1e-6)


def test_poisson_number_of_added_cases_matches_panjer():
    none_scheduled = np.array([[1.0]])
    total = demand.with_known_rate_add_ons(none_scheduled, np.array([[0.2, 0.7, 0.1]]), 0.6)

    # Klugman, Panjer & Willmot, Loss Models (recursion, from memory); NumPy recursion and FFT agree to 1e-14.
    assert total[0, :3] == pytest.approx([0.618783, 0.259889, 0.091704], abs=1e-6)
    assert demand.mean(total) == pytest.approx([0.54])
    assert demand.variance(total) == pytest.approx([0.66])


def test_one_case_of_an_unknown_rate_is_negative_binomial():
    one_piece = np.array([[0.0, 1.0]])
    total = demand.negative_binomial_total(one_piece, 2 + 23, 1 + 10)

    # Gelman et al., Bayesian Data Analysis 3rd ed. sec. 2.6 (from memory): Gamma(2,1), 23 pieces in 10 cases.
    assert demand.mean(total) == pytest.approx([2.272727], abs=1e-6)
    assert demand.variance(total) == pytest.approx([2.479339], abs=1e-6)
    assert total[0, 0] == pytest.approx(0.113576, abs=1e-6)
    assert demand.p_short(total, 5) == pytest.approx([0.034872], abs=1e-6)
    assert demand.quantile(total, 0.95).tolist() == [5]


def test_pooling_twelve_carts_halves_what_they_hold_apart():
    carts = poisson(*[2.0] * 12, n=40)

    # Eppen 1979 (from memory); SciPy 1.17.1: 12 x 6 pieces apart, Poisson(24) needs 36.
    assert demand.quantile(carts, 0.99).sum() == 72
    assert demand.quantile(demand.pooled(carts, np.zeros(12, int), 1), 0.99).tolist() == [36]


# --- exactness


def test_totals_equal_enumeration_of_every_outcome():
    pmfs = np.random.default_rng(7).dirichlet([1, 1, 1], 5)
    cancel = np.array([0.0, 0.1, 0.3, 1.0, 0.05])
    expected = np.zeros(11)
    for outcome in itertools.product(range(3), repeat=5):
        chance = 1.0
        for case, q in enumerate(outcome):
            chance *= (1 - cancel[case]) * pmfs[case, q] + cancel[case] * (q == 0)
        expected[sum(outcome)] += chance

    total = demand.total_over_cases(pmfs, np.zeros(5, int), np.arange(5), 1, cancel)

    assert total[0] == pytest.approx(expected, abs=2e-12)


def test_many_lines_of_different_length_equal_convolution_one_by_one():
    rng = np.random.default_rng(11)
    pmfs = rng.dirichlet(np.full(5, 0.5), 40)
    pmfs[0] = [1, 0, 0, 0, 0]
    line = rng.permutation(np.repeat(np.arange(200), rng.integers(0, 30, 200)))
    index = rng.integers(0, 40, len(line))

    total = demand.total_over_cases(pmfs, line, index, 200)

    for at in range(200):
        expected = np.array([1.0])
        for row in index[line == at]:
            expected = np.convolve(expected, pmfs[row])
        wide = np.zeros(max(len(expected), total.shape[1]))
        wide[: len(expected)] = expected
        assert np.abs(total[at] - wide[: total.shape[1]]).max() < 2e-12
        assert wide[total.shape[1] :].sum() < 1e-15


def test_a_total_never_wraps_around():
    total = one_line(*[[0, 0, 0, 0, 1.0]] * 50)

    assert total.shape[1] > 200
    assert total[0, 200] == pytest.approx(1.0)


def test_a_line_without_cases_asks_for_nothing():
    total = demand.total_over_cases(np.array([[0.5, 0.5]]), np.array([1]), np.array([0]), 3, at_least=6)

    assert total.tolist() == [[1, 0, 0, 0, 0, 0], [0.5, 0.5, 0, 0, 0, 0], [1, 0, 0, 0, 0, 0]]


def test_a_shared_effect_is_mixed_per_line_and_not_per_case():
    low, high = [0.8, 0.2, 0.0], [0.1, 0.5, 0.4]
    steady = [0.3, 0.7, 0.0]
    pmfs = np.array([[low, steady], [high, steady]])
    line, index = np.array([0, 0, 0, 1, 1]), np.array([0, 0, 0, 1, 1])

    total = demand.total_over_cases(pmfs, line, index, 2, node_weights=np.array([0.25, 0.75]))

    three = [np.convolve(np.convolve(p, p), p) for p in (low, high)]
    assert total[0] == pytest.approx(0.25 * three[0] + 0.75 * three[1], abs=1e-12)
    assert total[1, :5] == pytest.approx(np.convolve(steady, steady), abs=1e-12)


@pytest.mark.parametrize("n_cases", [1, 7, 60, 200])
def test_a_shared_cancellation_rate_gives_the_beta_binomial(n_cases):
    entries = np.zeros(n_cases, int)

    total = demand.total_with_shared_cancellation(
        np.array([[0.0, 1.0]]), entries, entries, entries, 1, np.array([2.0]), np.array([20.0])
    )

    cancelled = total[0, : n_cases + 1][::-1]
    assert cancelled == pytest.approx(stats.betabinom.pmf(np.arange(n_cases + 1), n_cases, 2, 20), abs=3e-12)


def test_services_on_one_line_cancel_independently():
    pmfs = np.array([[0.0, 1.0]])
    line, zero, service = np.zeros(5, int), np.zeros(5, int), np.array([0, 1, 0, 1, 1])
    a, b = np.array([1.0, 3.0]), np.array([9.0, 30.0])

    total = demand.total_with_shared_cancellation(pmfs, line, zero, service, 1, a, b)

    first = stats.betabinom.pmf(np.arange(3), 2, 9, 1)
    second = stats.betabinom.pmf(np.arange(4), 3, 30, 3)
    assert total[0] == pytest.approx(np.convolve(first, second), abs=2e-12)


def test_added_cases_of_a_huge_rate_do_not_underflow():
    total = demand.poisson_total(np.array([[0.0, 1.0]]), 3000.0)

    assert total[0] == pytest.approx(stats.poisson.pmf(np.arange(total.shape[1]), 3000), abs=1e-11)
    assert demand.mean(total) == pytest.approx([3000.0], rel=1e-8)


def test_added_cases_join_the_scheduled_total():
    scheduled, use = poisson(2.0, 0.5, n=30), np.array([[0.0, 1.0], [1.0, 0.0]])

    total = demand.with_add_ons(scheduled, use, a=np.array([3.0, 3.0]), b=np.array([2.0, 2.0]))

    by_hand = np.convolve(scheduled[0], stats.nbinom.pmf(np.arange(200), 3, 2 / 3))
    assert total[0] == pytest.approx(by_hand[: total.shape[1]], abs=2e-12)
    assert total[1, :30] == pytest.approx(scheduled[1], abs=2e-12)


def test_two_wide_distributions_add_up_alike_by_either_route(monkeypatch):
    first, second = poisson(9.0, 4.0, n=70), poisson(5.0, 20.0, n=60)
    by_transform = convolution.plus(first, second)

    monkeypatch.setattr(convolution, "MULTIPLY_OUT", 100)

    assert convolution.plus(first, second) == pytest.approx(by_transform, abs=2e-12)


def test_probabilities_within_the_noise_are_reported_as_zero():
    total = one_line(*[[1 - 1e-5, 1e-5]] * 4)

    assert total[0, 1] > 1e-5
    assert total[0, 3:].tolist() == [0.0, 0.0]


# --- reading off


def test_a_record_below_zero_is_certain_to_run_short():
    pmf = np.array([[0.5, 0.5]])

    assert demand.p_short(pmf, np.array([-2])).tolist() == [1.0]
    assert demand.expected_shortfall(pmf, np.array([-2])) == pytest.approx([2.5])


def test_stock_beyond_the_largest_demand_never_runs_short():
    pmf = np.array([[0.5, 0.5]])

    assert demand.p_short(pmf, 1).tolist() == [0.0]
    assert demand.p_short(pmf, 9).tolist() == [0.0]
    assert demand.left_over(pmf, 9) == pytest.approx([8.5])


def test_rounding_never_asks_for_one_piece_more():
    pmf = np.array([[0.1] * 10])  # adds up to 0.7999999999999999 at the eighth

    assert demand.quantile(pmf, 0.8).tolist() == [7]


def test_each_line_has_a_service_level_of_its_own():
    pmf = poisson(8.0, 8.0)

    assert demand.quantile(pmf, np.array([0.5, 0.99])).tolist() == [8, 15]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"line": [3]}, "line lies outside"),
        ({"pmf_index": [1]}, "pmf_index lies outside"),
        ({"pmfs": [[0.5, 0.4]]}, "must be a distribution"),
        ({"pmfs": [[1.5, -0.5]]}, "must be a distribution"),
        ({"cancel": 1.5}, "between 0 and 1"),
        ({"pmfs": [[[0.5, 0.5]], [[1.0, 0.0]]]}, "need node_weights"),
    ],
)
def test_impossible_entries_are_refused(change, message):
    entries = {"pmfs": [[0.5, 0.5]], "line": [0], "pmf_index": [0], "cancel": 0.0} | change

    with pytest.raises(ValueError, match=message):
        demand.total_over_cases(**entries, n_lines=2)


def test_a_fraction_of_a_piece_on_hand_is_refused():
    with pytest.raises(ValueError, match="whole numbers"):
        demand.p_short(np.array([[0.5, 0.5]]), 0.5)


# --- properties


@settings(max_examples=60, deadline=None)
@given(pmfs=cases(), levels=st.lists(st.floats(0.01, 0.999), min_size=2, max_size=5))
def test_quantiles_rise_with_the_level(pmfs, levels):
    rising = demand.quantile(one_line(*pmfs), np.sort(levels)[:, None])

    assert (np.diff(rising, axis=0) >= 0).all()


@settings(max_examples=60, deadline=None)
@given(pmfs=cases())
def test_more_stock_never_raises_the_chance_of_running_short(pmfs):
    total = one_line(*pmfs)
    stock = np.arange(-2, total.shape[1] + 2)
    lines = np.repeat(total, len(stock), axis=0)

    assert (np.diff(demand.p_short(lines, stock)) <= 0).all()
    assert (np.diff(demand.expected_shortfall(lines, stock)) <= 0).all()


@settings(max_examples=60, deadline=None)
@given(pmfs=cases(), cancel=st.floats(0.0, 1.0))
def test_one_more_case_never_lowers_demand(pmfs, cancel):
    more = one_line(*pmfs, cancel=np.append(np.zeros(len(pmfs) - 1), cancel))
    fewer = one_line(*pmfs[:-1]) if len(pmfs) > 1 else np.array([[1.0]])
    fewer = np.pad(fewer, ((0, 0), (0, max(0, more.shape[1] - fewer.shape[1]))))[:, : more.shape[1]]

    assert (demand.tail(more) >= demand.tail(fewer) - 1e-10).all()
    assert np.abs(more.sum() - 1.0) < 1e-10


def test_use_that_sums_to_one_but_for_rounding_still_gives_a_total():
    use = np.array([[0.2, 0.5, 0.3 - 5e-12]])

    total = demand.negative_binomial_total(use, 40.0, 0.5)

    assert demand.mean(total)[0] == pytest.approx(80 * 1.1, rel=1e-6)
