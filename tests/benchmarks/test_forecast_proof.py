"""The proof in small: one simulated department, few evenings. The full run prints the figures; this keeps watch."""

import numpy as np
import pytest

from restock.forecasting.day_effect import NODE_WEIGHTS, tilted_pmfs
from restock.forecasting.demand import total_over_cases
from tests.benchmarks.judging import Scores, coverage_gaps, judge, quantile
from tests.benchmarks.known_by_evening import LONGEST_TOTAL, Evening, room_totals
from tests.benchmarks.replay import FIRST_JUDGED, LEARNED, ORACLE, replay
from tests.benchmarks.simulated_department import SimulatedDepartment
from tests.benchmarks.stock_frontier import Frontier

SEED = 11  # none of the seeds of the printed proof


@pytest.fixture(scope="module")
def replayed():
    department = SimulatedDepartment(SEED, n_days=58)
    return replay(department, SEED, [8, *range(FIRST_JUDGED, 58, 4)])


def mean_crps(replayed, model, *, first_day=FIRST_JUDGED):
    day = np.concatenate(replayed.day)
    return replayed.pooled(model).crps[day >= first_day].mean()


def test_the_learned_forecast_is_nearly_as_sharp_as_the_oracle(replayed):
    assert mean_crps(replayed, LEARNED) < 1.025 * mean_crps(replayed, ORACLE)


@pytest.mark.parametrize(
    ("baseline", "at_most"),
    [
        ("28-day mean + sd, normal", 0.80),
        ("Poisson on cart mean", 0.80),
        ("empirical cart history", 0.80),
        ("schedule-aware Poisson", 0.98),
        ("hierarchical Gamma-Poisson", 0.99),
        ("resampling past cases", 0.998),
    ],
)
def test_every_baseline_is_beaten(replayed, baseline, at_most):
    assert mean_crps(replayed, LEARNED) < at_most * mean_crps(replayed, baseline)


def test_coverage_is_what_was_promised(replayed):
    assert np.abs(coverage_gaps(replayed.pooled(LEARNED))).max() < 1.5


def test_the_forecast_of_a_day_does_not_depend_on_what_happens_on_it():
    one, other = SimulatedDepartment(SEED, n_days=12), SimulatedDepartment(SEED, n_days=12)
    later = other.cases.day >= 10
    other.use[later] += 1
    other.totals[10:] += 5

    days = [10]
    first = replay(one, SEED, days, keep_cdf=False, models=(LEARNED,))
    second = replay(other, SEED, days, keep_cdf=False, models=(LEARNED,))

    np.testing.assert_array_equal(first.pooled(LEARNED).promised, second.pooled(LEARNED).promised)


def test_room_totals_are_convolutions_with_cancellation():
    rng = np.random.default_rng(0)
    pmf = rng.dirichlet(np.ones(4), (1, 5))
    room = np.array([0, 0, 1, 1, 1])

    found = room_totals(pmf, room, 0.1, np.ones((1, LONGEST_TOTAL // 2 + 1), dtype=complex))

    for r in range(2):
        expected = np.ones(1)
        for case in pmf[0, room == r]:
            expected = np.convolve(expected, 0.9 * case + 0.1 * np.eye(4)[0])
        np.testing.assert_allclose(found[0, r, : len(expected)], expected, atol=1e-12)


def test_the_tools_own_sums_agree_with_the_simulators_on_a_day_with_a_shared_effect():
    rng = np.random.default_rng(1)
    n_lines, room = 3, np.array([0, 0, 1, 1, 1])
    pmf = rng.dirichlet(np.ones(5), (n_lines, len(room)))
    day_effect = np.array([0.0, 0.1, 0.25])

    at_nodes = tilted_pmfs(pmf, day_effect[:, None])
    nothing_added = np.ones((n_lines, LONGEST_TOTAL // 2 + 1), dtype=complex)
    expected = np.tensordot(NODE_WEIGHTS, [room_totals(node, room, 0.06, nothing_added) for node in at_nodes], 1)
    found = total_over_cases(
        at_nodes.reshape(len(NODE_WEIGHTS), -1, 5),
        (2 * np.arange(n_lines)[:, None] + room).ravel(),
        np.arange(n_lines * len(room)),
        2 * n_lines,
        0.06,
        node_weights=NODE_WEIGHTS,
    )

    np.testing.assert_allclose(found, expected.reshape(2 * n_lines, -1)[:, : found.shape[1]], atol=1e-13)


def test_totals_drawn_are_the_sum_of_the_cases_drawn():
    department = SimulatedDepartment(SEED, n_days=3)
    chosen = (department.cases.day == 1) & (department.cases.room == 2)

    np.testing.assert_array_equal(department.totals[1, 2], department.use[chosen].sum(axis=0))
    assert not department.use[department.cases.cancelled].any()


def test_the_evening_tallies_every_case_that_was_done():
    department = SimulatedDepartment(SEED, n_days=3)
    evening = Evening(department)
    for _ in range(3):
        evening.close_day()

    done = (~department.cases.cancelled).sum()
    for counts in evening.counts.values():
        np.testing.assert_allclose(counts.sum(axis=(1, 2)), done)


def test_crps_of_a_poisson_forecast():
    """Ranked probability score of Poisson(5) at 7: 1.265482 (Czado, Gneiting & Held 2009, computed two ways)."""
    from scipy.stats import poisson

    scores = judge(poisson.pmf(np.arange(60), 5)[None], np.array([7]), np.array([6]))

    assert scores.crps[0] == pytest.approx(1.265482, abs=1e-6)
    assert scores.p_short[0] == pytest.approx(1 - poisson.cdf(6, 5))
    assert scores.short[0]


def test_pinball_loss_and_quantile_by_definition():
    """Level .95, quantile 13: 15 used costs 1.90 and 10 used costs 0.15 (definition). Poisson(8): 13."""
    from scipy.stats import poisson

    sure_of_13 = np.eye(20)[13]
    scores = judge(np.stack([sure_of_13, sure_of_13]), np.array([15, 10]), np.array([0, 0]))

    np.testing.assert_allclose(scores.pinball[1], [1.90, 0.15])
    assert quantile(poisson.cdf(np.arange(40), 8), 0.95) == 13


def test_coverage_gap_of_a_known_forecast_is_zero_in_expectation():
    covered, promised = np.array([[True, True, False, True]]), np.full((1, 4), 0.75)
    empty = np.zeros(4)
    scores = Scores(empty, empty[None], covered, promised, empty, empty)

    np.testing.assert_allclose(coverage_gaps(scores), [0.0])
    np.testing.assert_allclose(coverage_gaps(scores, np.array([0, 0, 1, 1])), [[25.0, -25.0]])


def test_stock_is_read_off_the_frontier_between_two_knobs():
    frontier = Frontier(held=np.array([4.0, 6.0, 8.0]), short=np.array([0.04, 0.02, 0.0]))

    assert frontier.held_at(0.01) == pytest.approx(7.0)
    assert frontier.short_at(5.0) == pytest.approx(0.03)
