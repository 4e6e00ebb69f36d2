"""Which lines steadily differ from their forecast."""

import numpy as np
import pytest
from scipy import stats

from restock.forecasting.drift import drifting


def test_p_values_are_those_of_a_one_sample_t_test():
    """Reference: scipy.stats.ttest_1samp."""
    rng = np.random.default_rng(5)
    used, forecast = rng.poisson(3.0, (20, 6)), np.full((20, 6), 3.2)

    found = drifting(used, forecast)

    assert found.p_value == pytest.approx(stats.ttest_1samp(used - forecast, 0.0).pvalue)
    assert found.used == pytest.approx(used.mean(axis=0))


def test_line_that_doubled_is_named_and_steady_lines_are_not():
    rng = np.random.default_rng(5)
    used = np.column_stack([rng.poisson(8.0, 20), rng.poisson(4.0, (20, 50))])

    assert np.flatnonzero(drifting(used, np.full(used.shape, 4.0)).drifts).tolist() == [0]


def test_of_many_lines_without_drift_hardly_one_is_named():
    """Testing each at 5% alone would name about 50 of 1,000."""
    used = np.random.default_rng(5).poisson(4.0, (20, 1000))

    assert drifting(used, np.full(used.shape, 4.0)).drifts.sum() <= 2


@pytest.mark.parametrize("days", [0, 1, 7])
def test_a_week_says_nothing_yet(days):
    assert not drifting(np.full((days, 3), 9), np.zeros((days, 3))).drifts.any()


def test_line_that_never_varies_is_not_divided_by():
    found = drifting(np.full((20, 1), 2), np.full((20, 1), 2.0))

    assert found.p_value.tolist() == [1.0]
