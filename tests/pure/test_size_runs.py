import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from restock.forecasting.size_runs import binomial_table, learn_split, split_run
from restock.forecasting.tilting import mean_pieces


def test_tubes_of_one_size_are_a_thinning_of_the_tubes_a_case_uses():
    """Binomial thinning of (0.02, 0.90, 0.08) with P(size 7.0) = 0.6, by hand."""
    size = split_run(np.array([0.02, 0.90, 0.08]), 0.6)

    np.testing.assert_allclose(size, [0.392800, 0.578400, 0.028800], atol=1e-6)
    assert mean_pieces(size) == pytest.approx(0.636, abs=1e-6)


def test_thinning_is_the_binomial_distribution_of_scipy():
    from scipy.stats import binom

    pieces = np.arange(9)
    for p in (0.0, 0.13, 0.5, 1.0):
        np.testing.assert_allclose(binomial_table(p, 8), binom.pmf(pieces[None], pieces[:, None], p), atol=1e-12)


@given(st.integers(0, 10_000), st.floats(0, 1))
def test_splitting_keeps_probability_and_scales_the_mean(seed, p):
    pmf = np.random.default_rng(seed).dirichlet(np.ones(8), 3)
    size = split_run(pmf, np.full(3, p))

    np.testing.assert_allclose(size.sum(axis=-1), 1.0, atol=1e-12)
    np.testing.assert_allclose(mean_pieces(size), p * mean_pieces(pmf), atol=1e-9)


def test_splitting_an_alpha_keeps_its_weight():
    alpha = np.array([3.0, 21.0, 4.0])

    assert split_run(alpha, 0.3).sum() == pytest.approx(28.0)


def test_a_size_class_without_log_uses_its_sizing_rule_and_one_with_log_its_own_pieces():
    standard = np.array([[0.8, 0.2, 0.0], [0.1, 0.8, 0.1], [0.0, 0.2, 0.8]])
    counts = np.array([[0, 0, 0], [10, 60, 130], [1, 20, 80]])

    split = learn_split(counts, standard)

    np.testing.assert_allclose(split.sum(axis=1), 1.0)
    np.testing.assert_allclose(split[0], standard[0])
    np.testing.assert_allclose(split[1], [0.05, 0.30, 0.65], atol=0.03)


def test_an_impossible_share_of_a_size_is_refused():
    with pytest.raises(ValueError, match="outside 0 to 1"):
        split_run(np.array([0.5, 0.5]), 1.2)
