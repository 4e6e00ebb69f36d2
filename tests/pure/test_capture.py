import numpy as np
import pytest

from restock.forecasting.capture import capture, learn_corrected, true_counts, uncut_counts
from restock.forecasting.size_runs import split_run
from restock.forecasting.standards import standard_pmf
from restock.forecasting.tilting import mean_pieces
from restock.forecasting.unused import learn_unused_share
from restock.forecasting.usage import History, learn

K_MAX = 8


def logged(counts):
    return History(
        counts, np.zeros(counts.shape[1], dtype=int), np.broadcast_to(standard_pmf(1.0, 1, K_MAX), counts.shape)
    )


def test_capture_rate_of_180_logged_among_200_gone():
    """Beta(1, 1) prior, conjugate posterior Beta(181, 21); interval from SciPy 1.17.1's beta distribution."""
    rate = capture(200, 180)

    assert rate.mean == pytest.approx(181 / 202, abs=1e-12)
    assert rate.mean == pytest.approx(0.896040, abs=1e-5)
    assert (rate.low, rate.high) == (pytest.approx(0.850513, abs=1e-5), pytest.approx(0.934154, abs=1e-5))
    assert rate.multiplier == pytest.approx(1.116667, abs=1e-5)


def test_more_logged_than_gone_is_a_complete_log_and_nothing_logged_says_so():
    assert capture(10, 12).mean == capture(10, 10).mean
    assert capture(0, 0).mean == 0.5
    assert np.isinf(capture(5, 0).multiplier)
    with pytest.raises(ValueError, match="negative"):
        capture(-1, 0)


def test_the_expectation_step_keeps_cases_and_is_bayes_rule():
    pmf = np.array([[[0.1, 0.6, 0.2, 0.1]]])
    kappa = np.array([0.8])
    counts = np.array([[[5.0, 7.0, 2.0, 0.0]]])

    found = true_counts(counts, pmf, kappa)

    # P(true = 1 | logged 0) by hand: 0.6 * 0.2 / (0.1 + 0.6 * 0.2 + 0.2 * 0.04 + 0.1 * 0.008)
    by_hand = 0.6 * 0.2 / (0.1 + 0.6 * 0.2 + 0.2 * 0.2**2 + 0.1 * 0.2**3)
    only_none = true_counts(np.array([[[5.0, 0.0, 0.0, 0.0]]]), pmf, kappa)
    assert only_none[0, 0, 1] / 5 == pytest.approx(by_hand)
    assert found.sum() == pytest.approx(counts.sum())
    np.testing.assert_allclose(true_counts(counts, pmf, np.ones(1)), counts, atol=1e-10)


def test_use_logged_four_times_in_five_is_learned_as_it_was():
    rng = np.random.default_rng(4)
    truth = np.array([0.05, 0.55, 0.25, 0.10, 0.05, 0, 0, 0, 0])
    n_cells, n_cases, kappa = 20, 60, 0.8
    seen = split_run(truth, kappa)
    counts = rng.multinomial(n_cases, seen, (1, n_cells)).astype(float)

    raw = learn(logged(counts))
    corrected = learn_corrected(logged(counts), kappa=np.array([kappa]))

    true_mean = mean_pieces(truth)
    assert mean_pieces(raw.pmf).mean() == pytest.approx(kappa * true_mean, rel=0.05)
    assert mean_pieces(corrected.pmf).mean() == pytest.approx(true_mean, rel=0.05)
    np.testing.assert_allclose(corrected.own_cases, n_cases)


def test_a_cart_that_ran_out_is_not_learned_as_little_use():
    rng = np.random.default_rng(6)
    truth = np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1, 0, 0, 0])
    stock = 3
    wanted = rng.choice(9, p=truth, size=(20, 80))
    counts, cut_off = np.zeros((1, 20, 9)), np.zeros((1, 20, 9))
    for cell, row in enumerate(wanted):
        counts[0, cell] = np.bincount(row[row < stock], minlength=9)
        # one cart in four holds enough, so that what lies above is seen at all
        reached = row[row >= stock]
        counts[0, cell] += np.bincount(reached[::4], minlength=9)
        cut_off[0, cell, stock] = len(reached) - len(reached[::4])

    taken_at_face_value = learn(logged(counts + cut_off))
    corrected = learn_corrected(logged(counts), cut_off=cut_off)

    assert mean_pieces(corrected.pmf).mean() == pytest.approx(mean_pieces(truth), rel=0.04)
    assert mean_pieces(taken_at_face_value.pmf).mean() < 0.95 * mean_pieces(truth)
    np.testing.assert_allclose(corrected.own_cases, 80)


def test_a_case_cut_off_at_q_wanted_q_or_more_in_proportion_to_belief():
    pmf = np.array([[[0.4, 0.3, 0.2, 0.1]]])

    spread = uncut_counts(np.array([[[0.0, 6.0, 0.0, 0.0]]]), pmf)

    np.testing.assert_allclose(spread[0, 0], [0, 3, 2, 1])


def test_lines_with_a_complete_log_are_learned_as_they_stand_beside_one_that_is_corrected():
    counts = np.random.default_rng(7).poisson(2, (3, 3, K_MAX + 1)).astype(float)
    plain = learn(logged(counts))

    corrected = learn_corrected(logged(counts), kappa=np.array([1.0, 0.7, 1.0]))

    np.testing.assert_array_equal(learn_corrected(logged(counts)).alpha, plain.alpha)
    np.testing.assert_array_equal(corrected.alpha[[0, 2]], plain.alpha[[0, 2]])
    assert (mean_pieces(corrected.pmf[1]) > mean_pieces(plain.pmf[1])).all()


@pytest.mark.parametrize("kappa", [0.0, 1.2, np.nan])
def test_an_impossible_capture_rate_is_refused(kappa):
    with pytest.raises(ValueError, match="capture rate"):
        learn_corrected(logged(np.zeros((1, 2, K_MAX + 1))), kappa=np.array([kappa]))


def test_the_unused_share_of_a_cell_lies_between_its_own_and_its_groups():
    opened = np.full((1, 10), 200.0)
    unused = np.full((1, 10), 20.0)
    unused[0, 9], opened[0, 9] = 40.0, 80.0

    share = learn_unused_share(unused, opened, np.zeros(10, dtype=int)).share[0]

    np.testing.assert_allclose(share[:9], 0.10, atol=0.02)
    assert 0.3 < share[9] < 0.5


def test_more_unused_than_opened_is_refused():
    with pytest.raises(ValueError, match="unused"):
        learn_unused_share(np.array([[3.0]]), np.array([[2.0]]), np.zeros(1, dtype=int))
