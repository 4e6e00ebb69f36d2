import pytest

from restock.forecasting.shares import difference, share


@pytest.mark.parametrize(
    ("first", "second", "low", "high"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((6, 7), (2, 7), 0.0582, 0.8062),
        ((5, 56), (0, 29), -0.0381, 0.1926),
        ((0, 10), (0, 20), -0.1611, 0.2775),
    ],
)
def test_interval_of_a_difference_is_that_of_the_worked_examples(first, second, low, high):
    """Newcombe 1998, Stat Med 17:873, table II, method 10 (figures from memory)."""
    found = difference(share(*first), share(*second))

    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)


def test_interval_of_a_share_is_that_of_a_reference_library():
    from scipy.stats import binomtest

    for hits, trials in ((0, 9), (3, 40), (81, 263), (15, 15)):
        reference = binomtest(hits, trials).proportion_ci(method="wilson")
        assert (share(hits, trials).low, share(hits, trials).high) == pytest.approx((reference.low, reference.high))


def test_share_of_nothing_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        share(0, 0)
