import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from restock.forecasting.standards import combine_rows, standard_pmf
from restock.forecasting.tilting import mean_pieces


@given(st.floats(0, 1), st.floats(0, 20), st.integers(1, 12), st.booleans())
def test_every_row_of_a_standard_becomes_a_distribution(probability, quantity, k_max, soft):
    pmf = standard_pmf(probability, quantity, k_max, soft=soft)

    assert pmf.shape == (k_max + 1,)
    assert pmf.sum() == pytest.approx(1.0)
    assert (pmf >= 0).all()


def test_a_stated_quantity_keeps_three_quarters_and_its_neighbours_get_about_an_eighth_of_that():
    pmf = standard_pmf(1.0, 3, 12)

    assert pmf.argmax() == 3
    assert pmf[2] / pmf[3] == pytest.approx(0.12)
    assert pmf[4] / pmf[3] == pytest.approx(0.12)
    assert pmf[5] / pmf[4] == pytest.approx(0.4)


def test_without_softening_the_mean_is_probability_times_quantity():
    pmf = standard_pmf(np.array([0.6, 1.0, 0.0]), np.array([2.0, 1.29, 3.0]), 6, soft=False)

    np.testing.assert_allclose(mean_pieces(pmf), [1.2, 1.29, 0.0], atol=1e-12)
    np.testing.assert_allclose(pmf[1], [0, 0.71, 0.29, 0, 0, 0, 0], atol=1e-12)


def test_a_line_that_no_standard_names_is_hardly_expected():
    assert mean_pieces(standard_pmf(0.0, 0, 12)) < 0.02


def test_rows_that_name_the_same_line_add_up_as_enumeration_says():
    rows = np.stack([standard_pmf(0.7, 1, 4), standard_pmf(0.3, 2, 4), standard_pmf(1.0, 1, 4)])
    expected = np.zeros(5)
    for pieces in itertools.product(range(5), repeat=3):
        expected[min(sum(pieces), 4)] += np.prod(rows[np.arange(3), pieces])

    np.testing.assert_allclose(combine_rows(rows), expected, atol=1e-14)


@pytest.mark.parametrize(
    ("probability", "quantity", "k_max"),
    [(1.1, 1, 4), (-0.1, 1, 4), (np.nan, 1, 4), (0.5, -1, 4), (0.5, np.nan, 4), (0.5, np.inf, 4), (0.5, 1, 0)],
)
def test_an_impossible_standard_is_refused(probability, quantity, k_max):
    with pytest.raises(ValueError, match=r"set-up standard|k_max"):
        standard_pmf(probability, quantity, k_max)
