"""Lead times learned from deliveries, some of which have not come yet."""

import numpy as np
import pytest

from restock.forecasting.lead_times import lead_chances, quantile_days, within

NONE = np.zeros(1)


def by_day(days):
    return np.bincount(days)


def test_without_open_orders_it_is_the_dirichlet_s_posterior_mean():
    """(a_d + n_d) / (A + n): Dirichlet-multinomial, any textbook; here by hand."""
    found = lead_chances(np.array([0, 0.5, 0.5]), 4, by_day([1, 2, 2, 5]), NONE)

    assert found == pytest.approx(np.array([0, 3, 4, 0, 0, 1]) / 8)


def test_with_no_prior_to_speak_of_it_is_kaplan_and_meier_s():
    """Against scipy's Kaplan-Meier estimator, on random lead times with random censoring."""
    from scipy.stats import CensoredData, ecdf

    rng = np.random.default_rng(5)
    took, age = rng.integers(0, 15, 60), rng.integers(0, 20, 60)
    came, censored = took[took <= age], age[took > age]
    expected = ecdf(CensoredData(uncensored=came, right=censored)).sf

    found = lead_chances(np.full(15, 1 / 15), 1e-9, by_day(came), by_day(censored))

    later_than = 1 - np.cumsum(found)
    for day, surviving in zip(expected.quantiles, expected.probabilities, strict=True):
        assert later_than[int(day)] == pytest.approx(surviving, abs=1e-6)


def test_kaplan_and_meier_s_own_example():
    """Kaplan & Meier 1958, section 2 (figures from memory, recomputed by hand): deaths at 0.8, 3.1, 5.4, 9.2, losses
    at 1.0, 2.7, 7.0, 12.1; survival 0.875, 0.7, 0.525, 0.2625. In tenths."""
    later_than = 1 - np.cumsum(lead_chances(np.ones(1), 1e-9, by_day([8, 31, 54, 92]), by_day([10, 27, 70, 121])))

    assert later_than[[8, 31, 54, 92]] == pytest.approx([0.875, 0.7, 0.525, 0.2625], abs=1e-6)


def test_an_open_order_makes_deliveries_later_than_it_was_never_there():
    prior = np.array([0, 0, 0.25, 0.25, 0.25, 0.25])
    came = by_day([2, 2, 3])

    without = lead_chances(prior, 4, came, NONE)
    waiting = lead_chances(prior, 4, came, by_day([4]))

    assert (np.cumsum(waiting)[:5] <= np.cumsum(without)[:5] + 1e-12).all()
    assert waiting @ np.arange(len(waiting)) > without @ np.arange(len(without))


def test_an_order_older_than_everything_known_comes_tomorrow_at_the_earliest():
    found = lead_chances(np.array([0, 1.0]), 3, NONE, by_day([9]))

    assert found.sum() == pytest.approx(1)
    assert len(found) == 11
    assert found[[1, 10]] == pytest.approx([3 / 4, 1 / 4])


def test_fractions_of_an_order_count_as_such():
    whole = lead_chances(np.array([0, 1.0]), 2, by_day([1, 3]), NONE)
    halves = lead_chances(np.array([0, 1.0]), 1, np.array([0, 0.5, 0, 0.5]), NONE)

    assert halves == pytest.approx(whole)


def test_a_prior_that_is_none_is_refused():
    for prior, weight in (([0.5, 0.4], 1), ([1.0], 0)):
        with pytest.raises(ValueError, match="distribution over days"):
            lead_chances(np.array(prior), weight, NONE, NONE)


def test_a_long_tail_is_counted_as_its_first_day():
    assert within(np.array([0.5, 0.2, 0.2, 0.1]), 2) == pytest.approx([0.5, 0.2, 0.3])
    assert within(np.array([0.9995, 0.0005]), 9) == pytest.approx([1.0])


def test_a_day_by_which_it_has_likely_come():
    assert [quantile_days(np.array([0.1, 0.4, 0.5]), chance) for chance in (0.1, 0.5, 0.9)] == [0, 1, 2]
