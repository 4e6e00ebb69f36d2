import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from restock.forecasting.dirichlet import mixture_log_likelihood
from restock.forecasting.standards import standard_pmf
from restock.forecasting.tilting import mean_pieces
from restock.forecasting.usage import History, fade, learn

K_MAX = 6


def history(counts, *, parent=None, quantity=1, probability=1.0):
    counts = np.asarray(counts, dtype=float)
    standard = np.broadcast_to(standard_pmf(probability, quantity, counts.shape[-1] - 1), counts.shape)
    return History(counts, np.zeros(counts.shape[1], dtype=int) if parent is None else parent, standard)


@st.composite
def histories(draw):
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    n_lines, n_cells, n_groups = draw(st.integers(1, 4)), draw(st.integers(1, 8)), draw(st.integers(1, 3))
    counts = rng.poisson(rng.gamma(0.4, 3, (n_lines, n_cells, K_MAX + 1))).astype(float)
    counts[:, rng.random(n_cells) < 0.3] = 0
    standard = standard_pmf(rng.random((n_lines, n_cells)), rng.uniform(0, K_MAX, (n_lines, n_cells)), K_MAX)
    return History(counts * rng.choice([1.0, 0.37]), rng.integers(0, n_groups, n_cells), standard)


@settings(max_examples=60, deadline=None)
@given(histories())
def test_every_cell_has_a_distribution_that_sums_to_one_and_rules_nothing_out(logged):
    learned = learn(logged)

    np.testing.assert_allclose(learned.pmf.sum(axis=-1), 1.0, atol=1e-12)
    assert (learned.pmf > 0).all()
    np.testing.assert_allclose(learned.alpha.sum(axis=-1), learned.borrowed_weight + learned.own_cases)
    np.testing.assert_allclose(learned.group_pmf.sum(axis=-1)[learned.group_cases > 0], 1.0, atol=1e-12)


def test_without_any_log_each_cell_uses_what_its_own_standard_says():
    rng = np.random.default_rng(1)
    standard = standard_pmf(rng.random((5, 12)), rng.uniform(0, K_MAX, (5, 12)), K_MAX)
    learned = learn(History(np.zeros_like(standard), np.arange(12) % 3, standard))

    np.testing.assert_allclose(learned.pmf, standard, atol=1e-12)
    assert not learned.own_cases.any()


def test_a_cell_never_logged_follows_the_log_of_its_group_rather_than_a_stale_standard():
    counts = np.zeros((1, 6, K_MAX + 1))
    counts[0, :5, 2] = 20  # everyone uses 2; the standard says 1

    unlogged = learn(history(counts)).pmf[0, 5]

    assert unlogged.argmax() == 2
    assert mean_pieces(unlogged) == pytest.approx(2, abs=0.1)


def test_a_new_line_with_two_logged_cases_stays_near_its_standard():
    counts = np.zeros((1, 4, K_MAX + 1))
    counts[0, 0, 1] = 2

    assert learn(history(counts)).pmf[0, 3].argmax() == 1


def test_more_own_cases_pull_a_cell_further_from_its_group():
    means = []
    for own in (0, 2, 10, 50):
        counts = np.zeros((1, 8, K_MAX + 1))
        counts[0, :7, 1] = 30
        counts[0, 7, 4] = own
        means.append(mean_pieces(learn(history(counts)).pmf[0, 7]))

    assert means == sorted(means)
    assert means[0] < 1.2
    assert means[-1] > 3.5


def test_a_line_used_in_threes_keeps_its_shape_in_a_cell_with_few_cases():
    counts = np.zeros((1, 8, K_MAX + 1))
    counts[0, :7, 0], counts[0, :7, 3] = 10, 20
    counts[0, 7, 3] = 2

    pmf = learn(history(counts, quantity=3)).pmf[0, 7]

    assert pmf[3] > 0.6
    assert pmf[[1, 2, 4, 5]].max() < 0.05


def test_a_cell_that_uses_more_than_its_group_expects_more_of_the_neighbouring_quantities_too():
    counts = np.zeros((1, 9, K_MAX + 1))
    counts[0, :8, :4] = [6, 14, 8, 2]
    counts[0, 8, 3] = 20

    learned = learn(history(counts))

    centre = (learned.alpha - counts)[0, 8] / learned.borrowed_weight[0, 8]
    assert mean_pieces(centre) > 2
    assert learned.pmf[0, 8, 2] > 5 * learned.pmf[0, 8, 0]


def test_what_a_cell_borrows_was_not_logged_in_the_cell_itself():
    counts = np.zeros((1, 6, K_MAX + 1))
    counts[0, :5, 3] = 30
    counts[0, 5, [0, 6]] = 20

    learned = learn(history(counts, quantity=3))

    centre = (learned.alpha - counts)[0, 5] / learned.borrowed_weight[0, 5]
    assert centre[3] > 0.7
    assert centre[6] < 0.03


def test_scattered_use_does_not_pass_for_cells_that_differ():
    rng = np.random.default_rng(9)
    used = np.minimum(rng.negative_binomial(0.8, 0.8 / 2.8, (1, 30, 12)), 12)  # one mean for all: 2
    counts = np.stack([(used == k).sum(axis=-1) for k in range(13)], axis=-1)

    assert learn(history(counts)).weights.mean_weight[0] >= 64


def test_cells_that_differ_as_their_standards_say_are_not_pulled_to_the_technique_mean():
    stated = np.array([1, 4] * 6)
    standard = standard_pmf(np.ones(12), stated, K_MAX)[None]
    counts = np.zeros((1, 12, K_MAX + 1))
    counts[0, np.arange(10), stated[:10]] = 15

    pmf = learn(History(counts, np.zeros(12, dtype=int), standard)).pmf[0]

    assert pmf[10].argmax() == 1
    assert pmf[11].argmax() == 4


def test_a_room_expects_no_more_than_it_opens_although_no_list_beside_it_names_the_line_today():
    counts = np.zeros((1, 2, 25))
    counts[0, :, 1] = 60  # two rooms, sixty days, one opened every day
    found = learn(History(counts, np.zeros(2, dtype=int), standard_pmf(np.ones((1, 2)), np.ones((1, 2)), 24)))
    today = standard_pmf(np.array([[1.0, 0.0]]), np.ones((1, 2)), 24)

    learned = learn(History(counts, np.zeros(2, dtype=int), today, standards_held=False), found.weights)

    assert mean_pieces(learned.pmf[0]) == pytest.approx([1, 1], abs=0.2)


def test_learning_again_with_the_weights_that_were_found_finds_the_same():
    counts = np.random.default_rng(8).poisson(1.5, (3, 6, K_MAX + 1)).astype(float)
    found = learn(history(counts))

    np.testing.assert_array_equal(learn(history(counts), found.weights).alpha, found.alpha)


def test_lines_are_learned_apart_from_each_other():
    rng = np.random.default_rng(2)
    counts = rng.poisson(2, (3, 5, K_MAX + 1)).astype(float)
    together = learn(history(counts))

    for line in range(3):
        np.testing.assert_allclose(together.alpha[line], learn(history(counts[line : line + 1])).alpha[0])


@pytest.mark.parametrize(("n_lines", "n_cells"), [(0, 3), (2, 0), (0, 0)])
def test_a_department_without_lines_or_cells_learns_nothing_and_does_not_stumble(n_lines, n_cells):
    assert learn(history(np.zeros((n_lines, n_cells, K_MAX + 1)))).pmf.shape == (n_lines, n_cells, K_MAX + 1)


def test_gamma_poisson_likelihood_and_dirichlet_update_follow_the_conjugate_rules():
    """Dirichlet-categorical posterior, Gelman et al., BDA3 section 3.4 (from memory): (1, 6, 1) + (2, 15, 3)."""
    alpha = np.array([1.0, 6.0, 1.0]) + np.array([2.0, 15.0, 3.0])
    pmf = alpha / alpha.sum()

    np.testing.assert_allclose(pmf, [0.107143, 0.750000, 0.142857], atol=1e-6)
    assert mean_pieces(pmf) == pytest.approx(1.035714, abs=1e-6)


def test_likelihood_of_a_centre_is_the_dirichlet_multinomial_of_scipy():
    from scipy.stats import dirichlet_multinomial, multinomial

    rng = np.random.default_rng(3)
    counts = rng.integers(0, 6, (1, 3, 4)).astype(float)
    centre = rng.dirichlet(np.ones(4), (1, 3))
    n = counts.sum(axis=-1).astype(int)

    found = mixture_log_likelihood(counts, centre, centre, np.ones(1), np.array([5.0]))[0, 0, 0]

    ways = multinomial.logpmf(counts[0], n[0], np.full(4, 0.25)) + n[0] * np.log(4)
    expected = dirichlet_multinomial.logpmf(counts[0].astype(int), 5.0 * centre[0], n[0]) - ways
    assert found == pytest.approx(expected.sum(), abs=1e-10)


@given(st.integers(1, 40), st.floats(5, 400))
def test_fading_day_by_day_equals_a_recount_of_the_whole_log(n_days, half_life_days):
    rng = np.random.default_rng(n_days)
    log = rng.poisson(2, (n_days, 2, 3, K_MAX + 1)).astype(float)

    tally = np.zeros(log.shape[1:])
    for day in log:
        tally = fade(tally, 1, half_life_days) + day

    age = np.arange(n_days)[::-1]
    recount = (log * 2.0 ** (-age / half_life_days)[:, None, None, None]).sum(axis=0)
    np.testing.assert_allclose(tally, recount, rtol=1e-12)


def test_a_tally_loses_half_its_weight_in_one_half_life_and_nothing_when_it_is_infinite():
    tally = np.array([8.0, 4.0])

    np.testing.assert_allclose(fade(tally, 90, 90), [4.0, 2.0])
    np.testing.assert_allclose(fade(tally, 90, np.inf), tally)


@pytest.mark.parametrize(("days", "half_life_days"), [(-1, 90), (1, 0), (1, -5), (1, np.nan)])
def test_an_impossible_fading_is_refused(days, half_life_days):
    with pytest.raises(ValueError, match=r"half-life|back in time"):
        fade(np.ones(2), days, half_life_days)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"counts": np.ones((1, 2, 4))}, "must both be"),
        ({"counts": np.full((1, 2, 3), -1.0)}, "negative"),
        ({"counts": np.full((1, 2, 3), np.nan)}, "not a number"),
        ({"parent": np.zeros(3, dtype=int)}, "one group for each cell"),
        ({"standard": np.ones((1, 2, 3))}, "sum to 1"),
    ],
)
def test_a_history_that_contradicts_itself_is_refused(change, message):
    fine = {
        "counts": np.ones((1, 2, 3)),
        "parent": np.zeros(2, dtype=int),
        "standard": np.full((1, 2, 3), 1 / 3),
    }
    History(**fine)
    with pytest.raises(ValueError, match=message):
        History(**(fine | change))
