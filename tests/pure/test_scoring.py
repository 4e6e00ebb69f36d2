"""Scores and baselines: against hand-worked and reference values."""

import numpy as np
import pytest
from scipy import stats

from restock.forecasting import baselines, scoring


def poisson(mean, rows=1, n=60):
    return np.tile(stats.poisson.pmf(np.arange(n), mean), (rows, 1))


SLOW = np.array([0, 0, 3, 0, 2, 0, 0, 4, 0])[:, None]


def test_crps_equals_the_energy_form():
    pmf, q = poisson(5), np.arange(60)

    score = scoring.crps(pmf, np.array([7]))

    # Czado, Gneiting & Held 2009: E|D - y| - E|D - D'| / 2; NumPy 2.4.6 both ways.
    apart = np.abs(q[:, None] - q)
    assert score == pytest.approx(pmf @ np.abs(q - 7) - (pmf @ apart @ pmf[0]) / 2)
    assert score == pytest.approx([1.265482], abs=1e-6)


def test_crps_counts_use_beyond_the_support_in_full():
    assert scoring.crps(np.array([[1.0]]), np.array([4])) == pytest.approx([4.0])
    assert scoring.crps(np.array([[1.0, 0.0]]), np.array([4])) == pytest.approx([4.0])


def test_pinball_is_the_users_cost():
    # Definition.
    assert scoring.pinball(13, np.array([15, 10]), 0.95) == pytest.approx([1.90, 0.15], abs=1e-12)


def test_pit_is_spread_over_the_step_of_the_count():
    low, high = scoring.pit_interval(poisson(5), np.array([7]))

    # Czado, Gneiting & Held 2009; SciPy 1.17.1.
    assert low == pytest.approx([0.762183], abs=1e-6)
    assert high == pytest.approx([0.866628], abs=1e-6)
    assert scoring.pit_share_below(low, high, 0.8) == pytest.approx([0.362072], abs=1e-6)


def test_pit_is_flat_for_a_perfect_forecast_and_hollow_for_a_narrow_one():
    rng = np.random.default_rng(1)
    actual = rng.poisson(5, 20_000)

    flat = scoring.pit_histogram(*scoring.pit_interval(poisson(5, 20_000), actual))
    narrow = np.tile(stats.binom.pmf(np.arange(60), 6, 5 / 6), (20_000, 1))
    hollow = scoring.pit_histogram(*scoring.pit_interval(narrow, actual))

    assert flat.sum() == pytest.approx(1.0)
    assert np.abs(flat - 0.1).max() < 0.01
    assert min(hollow[0], hollow[-1]) > 0.15


def test_pit_of_impossible_use_lies_at_the_top():
    low, high = scoring.pit_interval(np.array([[0.5, 0.5]]), np.array([5]))

    assert scoring.pit_histogram(low, high).tolist() == [0.0] * 9 + [1.0]


def test_coverage_is_held_against_the_models_own_claim():
    rng = np.random.default_rng(2)

    answer = scoring.coverage(poisson(1.3, 50_000), rng.poisson(1.3, 50_000), 0.9)

    # The 90% quantile of Poisson(1.3) is 3 and covers 95.7%; SciPy 1.17.1.
    assert answer.quantile[0] == 3
    assert answer.stated[0] == pytest.approx(stats.poisson.cdf(3, 1.3))
    assert abs(answer.gap) < 0.004


def test_a_share_has_its_exact_interval():
    share = scoring.clopper_pearson(9_512, 10_000)

    # Clopper & Pearson 1934; SciPy 1.17.1 beta.ppf.
    assert share.low == pytest.approx(0.94679, abs=1e-5)
    assert share.high == pytest.approx(0.95534, abs=1e-5)
    assert scoring.clopper_pearson(0, 10).low == 0.0
    assert scoring.clopper_pearson(10, 10).high == 1.0


def test_reliability_splits_the_brier_score():
    rng = np.random.default_rng(4)
    truth = rng.uniform(0, 0.5, 20_000)
    short = rng.random(20_000) < truth

    honest, shy = scoring.reliability(truth, short), scoring.reliability(truth / 2, short)

    # Dimitriadis, Gneiting & Jordan 2021: mean score = miscalibration - discrimination + uncertainty.
    for part in (honest, shy):
        assert part.brier == pytest.approx(part.miscalibration - part.discrimination + part.uncertainty)
        assert (np.diff(part.observed) >= 0).all()
    assert honest.miscalibration < 0.003 < 0.015 < shy.miscalibration
    assert scoring.calibration_error(truth, short) < 0.02 < 0.1 < scoring.calibration_error(truth / 2, short)


def test_reliability_by_hand():
    part = scoring.reliability([0.1, 0.1, 0.6, 0.4], [0, 1, 0, 1])

    # 0.4 -> 1 and 0.6 -> 0 break the order, so they share their mean of 1/2.
    assert part.forecast.tolist() == [0.1, 0.4, 0.6]
    assert part.observed.tolist() == [0.5, 0.5, 0.5]
    assert part.brier == pytest.approx((0.01 + 0.81 + 0.36 + 0.36) / 4)
    assert part.discrimination == pytest.approx(0.0)


def test_lines_that_share_a_day_widen_the_interval():
    rng = np.random.default_rng(6)
    day = np.repeat(np.arange(60), 50)
    value = rng.normal(size=60)[day] + 0.1 * rng.normal(size=3000)

    by_day = scoring.by_day(value, day, np.random.default_rng(0))
    by_row = scoring.by_day(value, np.arange(3000), np.random.default_rng(0))

    assert by_day.value == pytest.approx(value.mean())
    assert by_day.high - by_day.low > 4 * (by_row.high - by_row.low)
    assert by_day == scoring.by_day(value, day, np.random.default_rng(0))


def test_a_ratio_of_scores_is_a_ratio_of_sums():
    ratio = scoring.by_day(
        np.array([1.0, 3.0]), np.array([0, 1]), np.random.default_rng(0), relative_to=np.array([2.0, 8.0])
    )

    assert ratio.value == pytest.approx(0.4)
    assert (ratio.low, ratio.high) == pytest.approx((0.375, 0.5))


def test_mean_plus_deviations_matches_a_reorder_point_example():
    two_days = np.array([[58.3 - 13.1 / np.sqrt(2)], [58.3 + 13.1 / np.sqrt(2)]])  # mean 58.3, deviation 13.1

    # Silver, Pyke & Thomas illustration (numbers from memory): 58.3 + 1.2816 x 13.1 = 75.088 -> 76.
    assert baselines.mean_plus_deviations(two_days, z=1.2816).tolist() == [76]


def test_croston_and_its_correction_match_hand_worked_values():
    plain = baselines.croston(SLOW, size=3, interval=3, unbiased=False)
    corrected = baselines.croston(SLOW, size=3, interval=3)

    # Croston 1972; factor 1 - alpha/2 of Syntetos & Boylan, confirmed in the R forecast documentation.
    assert plain.size == pytest.approx([3.01])
    assert plain.interval == pytest.approx([2.91])
    assert plain.mean == pytest.approx([1.034364], abs=1e-6)
    assert corrected.mean == pytest.approx([0.982646], abs=1e-6)


def test_tsb_matches_hand_worked_values():
    answer = baselines.tsb(SLOW[3:], size=3, chance=1 / 3)

    # Teunter, Syntetos & Babai 2011 (from memory).
    assert answer.chance == pytest.approx([0.332757], abs=1e-6)
    assert answer.size == pytest.approx([3.01])
    assert answer.mean == pytest.approx([1.001599], abs=1e-6)


def test_baseline_distributions_are_distributions():
    history = np.array([[0, 2], [1, 9], [0, 4], [3, 4]])

    empirical = baselines.empirical_pmf(history, 6)
    assert empirical.tolist() == [[0.5, 0.25, 0, 0.25, 0, 0], [0, 0, 0.25, 0, 0.5, 0.25]]
    for pmf in (baselines.normal_pmf(history, 12), baselines.poisson_pmf(history.mean(axis=0), 12)):
        assert pmf.sum(axis=1) == pytest.approx([1, 1])
        assert pmf.min() >= 0
    expected = stats.norm.cdf(4.5, 4.75, history[:, 1].std(ddof=1)) - stats.norm.cdf(
        3.5, 4.75, history[:, 1].std(ddof=1)
    )
    assert baselines.normal_pmf(history, 12)[1, 4] == pytest.approx(expected)


def test_moving_average_times_days_rounds_up():
    assert baselines.moving_average_times_days(np.array([[9], [1], [2]]), 2, days=3).tolist() == [5]
