import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from restock.forecasting.day_effect import (
    NODE_WEIGHTS,
    NODES,
    SIGMAS,
    fit_day_effect,
    tilted_pmfs,
)
from restock.forecasting.tilting import mean_pieces, tilt, tilt_to_mean


@given(st.integers(0, 10_000), st.floats(0.02, 5.9))
def test_a_tilted_distribution_has_the_mean_it_was_tilted_to(seed, mean):
    pmf = np.random.default_rng(seed).dirichlet(np.full(7, 0.5), (3, 2)) + 1e-9
    pmf /= pmf.sum(axis=-1, keepdims=True)

    tilted = tilt_to_mean(pmf, np.full((3, 2), mean))

    np.testing.assert_allclose(tilted.sum(axis=-1), 1.0, atol=1e-12)
    np.testing.assert_allclose(mean_pieces(tilted), mean, atol=1e-8)


def test_a_tilt_to_the_mean_it_has_changes_nothing():
    pmf = np.array([0.2, 0.5, 0.2, 0.1])

    np.testing.assert_allclose(tilt_to_mean(pmf, mean_pieces(pmf)), pmf, atol=1e-12)


def test_a_tilt_never_invents_a_quantity():
    pmf = np.array([0.3, 0.0, 0.0, 0.7, 0.0])

    tilted = tilt_to_mean(pmf, np.array(1.0))

    np.testing.assert_allclose(tilted, [2 / 3, 0, 0, 1 / 3, 0], atol=1e-9)
    np.testing.assert_allclose(mean_pieces(tilt_to_mean(pmf, np.array(50.0))), 3.0, atol=1e-3)
    np.testing.assert_allclose(tilt_to_mean(np.eye(3)[1], np.array(2.0)), np.eye(3)[1])


def test_the_seven_nodes_have_the_moments_of_a_standard_normal():
    """Moments 0 to 13 of N(0, 1); a 7-node Gauss rule is exact to degree 13 (Abramowitz & Stegun 25.4.46)."""
    normal_moments = [1, 0, 1, 0, 3, 0, 15, 0, 105, 0, 945, 0, 10395, 0]
    found = [(NODE_WEIGHTS * NODES**power).sum() for power in range(14)]

    np.testing.assert_allclose(found, normal_moments, atol=1e-8)


def total(case_pmfs):
    """Distribution of the total of cases (..., cases, K+1) -> (..., 64)."""
    return np.fft.irfft(np.fft.rfft(case_pmfs, 64, axis=-1).prod(axis=-2), 64, axis=-1)


def total_with_day_effect(case_pmfs, sigma):
    return np.tensordot(NODE_WEIGHTS, total(tilted_pmfs(case_pmfs, sigma)), 1)


def test_a_day_effect_widens_the_total_and_none_leaves_it_alone():
    pmf = np.tile([0.2, 0.5, 0.2, 0.1], (6, 1))

    def variance(distribution):
        pieces = np.arange(len(distribution))
        return distribution @ pieces**2 - (distribution @ pieces) ** 2

    without, shared = total_with_day_effect(pmf, 0.0), total_with_day_effect(pmf, 0.3)

    np.testing.assert_allclose(without, total(pmf), atol=1e-14)
    assert shared.sum() == pytest.approx(1.0)
    assert variance(shared) > 1.2 * variance(without)


def test_the_fitted_day_effect_finds_the_lines_whose_days_have_something_in_common():
    rng = np.random.default_rng(5)
    pmf = np.tile([0.2, 0.4, 0.2, 0.1, 0.05, 0.05], (8, 1))
    n_days, true_sigma = 250, np.array([0.25, 0.0])
    used = [
        sum(rng.choice(6, p=row) for row in tilt(pmf, np.full(8, sigma * rng.normal())))
        for sigma in true_sigma
        for _ in range(n_days)
    ]
    forecasts = np.stack([total_with_day_effect(pmf, sigma) for sigma in SIGMAS])

    found = fit_day_effect(forecasts[:, used], np.repeat([0, 1], n_days), 2)

    assert found[0] == pytest.approx(0.25, abs=0.06)
    assert found[1] <= 0.08


def test_a_hint_of_a_day_effect_is_not_enough():
    probability = np.linspace(0.20, 0.21, len(SIGMAS))[:, None]

    assert fit_day_effect(probability, np.array([0]), 1)[0] == 0
    assert fit_day_effect(np.tile(probability, 200), np.zeros(200, dtype=int), 1)[0] > 0


def test_node_pmfs_are_distributions_ordered_by_the_node():
    tilted = tilted_pmfs(np.array([[0.2, 0.5, 0.3]]), np.array([0.2]))

    np.testing.assert_allclose(tilted.sum(axis=-1), 1.0)
    assert (np.diff(mean_pieces(tilted)[:, 0]) > 0).all()
