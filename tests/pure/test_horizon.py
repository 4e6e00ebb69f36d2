"""Totals over cases that share one unknown habit: against enumeration and conjugate results."""

import itertools

import numpy as np
import pytest
from scipy import stats

from restock.forecasting import demand, horizon

ALPHA = np.array([[3.0, 21.0, 4.0]])  # prior (1, 6, 1) and counts (2, 15, 3)


def enumerated(alpha, n):
    """The total's distribution from every count vector, with SciPy's Dirichlet-multinomial."""
    total = np.zeros(n * (len(alpha) - 1) + 1)
    for counts in itertools.product(range(n + 1), repeat=len(alpha)):
        if sum(counts) == n:
            total[np.dot(counts, range(len(alpha)))] += stats.dirichlet_multinomial.pmf(counts, alpha, n)
    return total


def test_one_case_follows_the_predictive_distribution():
    total = horizon.dirichlet_multinomial_total(ALPHA, [1])

    # Conjugacy; Gelman et al., Bayesian Data Analysis 3rd ed. sec. 3.4 (from memory).
    assert total[0] == pytest.approx([0.107143, 0.75, 0.142857], abs=1e-6)
    assert demand.mean(total) == pytest.approx([1.035714], abs=1e-6)
    assert demand.variance(total) == pytest.approx([0.248724], abs=1e-6)


def test_five_cases_that_share_a_habit_spread_wider_than_independent_ones():
    total = horizon.dirichlet_multinomial_total(ALPHA, [5])

    # Johnson, Kotz & Balakrishnan (moments, from memory); all 21 count vectors by SciPy 1.17.1.
    assert demand.mean(total) == pytest.approx([5.178571], abs=1e-6)
    assert demand.variance(total) == pytest.approx([1.415157], abs=1e-6)
    assert total[0, 5] == pytest.approx(0.375626, abs=1e-6)
    assert demand.p_short(total, 6) == pytest.approx([0.121593], abs=1e-6)
    assert demand.p_short(total, 7) == pytest.approx([0.027392], abs=1e-6)
    assert demand.quantile(total, 0.95).tolist() == [7]


def test_the_recursion_equals_enumeration():
    for alpha, n in (([3, 21, 4], 5), ([0.2, 0.001, 1.5, 0.01], 4), ([400.0, 90.0], 6)):
        total = horizon.dirichlet_multinomial_total(np.array([alpha], float), [n])
        assert np.abs(total[0] - enumerated(alpha, n)).max() < 2e-12


def test_the_recursion_stays_accurate_over_many_cases():
    total = horizon.dirichlet_multinomial_total(np.array([[2.0, 5.0]]), [150])

    # With pieces 0 or 1 the total is beta-binomial.
    assert total[0] == pytest.approx(stats.betabinom.pmf(np.arange(151), 150, 5, 2), abs=5e-12)


def test_cancelled_cases_thin_the_number_of_cases():
    total = horizon.dirichlet_multinomial_total(ALPHA, [4], cancel=0.25)

    expected = sum(stats.binom.pmf(m, 4, 0.75) * np.pad(enumerated([3, 21, 4], m), (0, 8 - 2 * m)) for m in range(5))
    assert total[0] == pytest.approx(expected, abs=3e-12)


def test_a_shared_cancellation_rate_thins_by_the_beta_binomial():
    total = horizon.dirichlet_multinomial_total(np.array([[0.0, 1.0]]), [6], cancel=1.0, cancel_b=9.0)

    assert total[0] == pytest.approx(stats.betabinom.pmf(np.arange(7), 6, 9, 1), abs=2e-12)


def test_groups_of_different_size_are_solved_together():
    total = horizon.dirichlet_multinomial_total(np.repeat(ALPHA, 3, axis=0), [0, 3, 5])

    assert total[0, 0] == 1.0
    assert total[1, :7] == pytest.approx(enumerated([3, 21, 4], 3), abs=2e-12)
    assert total[2] == pytest.approx(enumerated([3, 21, 4], 5), abs=2e-12)


def test_days_beyond_the_list_share_one_unknown_rate():
    one_piece = np.array([[0.0, 1.0]])
    shared = horizon.beyond_the_list(one_piece, 25.0, 11.0, days=5)
    apart = horizon.over_days(horizon.beyond_the_list(one_piece, 25.0, 11.0), 5)[5]

    # Algebra of the generating functions: NB(25, 11/16) against NB(125, 11/12); SciPy 1.17.1 nbinom.
    assert demand.mean(shared) == pytest.approx([11.363636], abs=1e-6)
    assert demand.variance(shared) == pytest.approx([16.528926], abs=1e-6)
    assert demand.quantile(shared, 0.95).tolist() == [19]
    assert demand.variance(apart) == pytest.approx([12.396694], abs=1e-6)
    assert demand.quantile(apart, 0.95).tolist() == [17]


def test_a_random_number_of_cases_may_share_a_habit_too():
    counts = horizon.negative_binomial_counts(np.array([4.0]), np.array([2.0]))

    total = horizon.total_over_random_cases(np.array([[0.0, 3.0]]), counts)

    assert total[0] == pytest.approx(stats.nbinom.pmf(np.arange(total.shape[1]), 4, 2 / 3), abs=3e-12)


def test_totals_over_days_start_from_nothing_and_add_up():
    by_days = horizon.over_days(stats.poisson.pmf(np.arange(25), [[2.0], [0.3]]), 5)

    assert by_days[0, :, 0].tolist() == [1.0, 1.0]
    assert by_days[5, 0] == pytest.approx(stats.poisson.pmf(np.arange(by_days.shape[2]), 10), abs=3e-12)


def test_weights_that_are_no_dirichlet_are_refused():
    with pytest.raises(ValueError, match="never negative"):
        horizon.dirichlet_multinomial_total(np.array([[-1.0, 2.0]]), [1])
    with pytest.raises(ValueError, match="above zero"):
        horizon.dirichlet_multinomial_total(np.array([[0.0, 0.0]]), [1])


def test_several_counts_of_the_same_groups_give_what_each_gives_alone():
    rng = np.random.default_rng(3)
    alpha = rng.uniform(0.1, 5, size=(6, 4))
    counts = rng.dirichlet(np.ones(9), size=(3, 6))
    counts[1, 2, 4:] = 0.0

    together = horizon.total_over_random_cases(alpha, counts)

    for n, count in enumerate(counts):
        alone = horizon.total_over_random_cases(alpha, count)
        assert together[n, :, : alone.shape[1]] == pytest.approx(alone, abs=1e-12)


def test_totals_out_of_reach_may_be_left_out():
    alpha = np.array([[60.0, 3.0, 1.0, 0.1, 0.001]])
    counts = horizon.binomial_counts([40], 0.9)

    full = horizon.total_over_random_cases(alpha, counts)
    short = horizon.total_over_random_cases(alpha, counts, largest=np.array([30]))

    assert short.shape == (1, 31)
    assert short[0] == pytest.approx(full[0, :31], abs=full[0, 31:].sum() + 1e-12)  # what wraps around
    assert full[0, 31:].sum() < 1e-5
