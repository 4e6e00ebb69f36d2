"""Scarce stock: against full enumeration, with the counterexamples where piece by piece goes wrong."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from restock.forecasting.allocation import allocate, allocate_so_that_none_runs_short
from restock.forecasting.demand import expected_shortfall, p_short
from restock.forecasting.integer_allocation import allocate_packs, best_levels, cover_most_rooms


def poisson(*means, n=50):
    return stats.poisson.pmf(np.arange(n), np.array(means, float)[:, None])


def zeros(n):
    return np.zeros(n, int)


def one_consumable(pmf, stock, weight=1.0):
    n = len(pmf)
    return allocate(pmf, zeros(n), np.full(n, stock), zeros(n), np.array([stock]), weight)


def splits(stock, n):
    for split in itertools.product(range(stock + 1), repeat=n):
        if sum(split) == stock:
            yield np.array(split)


# Gross 1956, Fox 1966, Federgruen & Groenevelt 1986; values by SciPy 1.17.1 over all 66 splits.
@pytest.mark.parametrize(
    ("weight", "given_pieces", "missing"),
    [([1, 1, 1], [2, 3, 5], 3.407397), ([5, 1, 1], [3, 3, 4], 4.671088)],
)
def test_ten_pieces_for_three_carts_go_where_they_cut_the_shortfall_most(weight, given_pieces, missing):
    pmf = poisson(2, 4, 6)

    answer = one_consumable(pmf, 10, np.array(weight))

    assert answer.given.tolist() == given_pieces
    assert answer.shortfall_after @ weight == pytest.approx(missing, abs=1e-6)
    best = min(expected_shortfall(pmf, split) @ weight for split in splits(10, 3))
    assert answer.shortfall_after @ weight == pytest.approx(best, abs=1e-12)


def test_the_same_pieces_minimise_the_worst_chance_of_running_short():
    pmf = poisson(2, 4, 6)

    answer = one_consumable(pmf, 10)

    # SciPy 1.17.1 over all splits.
    assert p_short(pmf, answer.given).max() == pytest.approx(0.566530, abs=1e-6)
    assert min(p_short(pmf, split).max() for split in splits(10, 3)) == pytest.approx(0.566530, abs=1e-6)


def test_piece_by_piece_misses_the_largest_sum_of_chances():
    reached = np.cumsum(poisson(2, 8), axis=1)[:, :13]
    greedy = zeros(2)
    for _ in range(12):
        gain = [reached[i, greedy[i] + 1] - reached[i, greedy[i]] for i in range(2)]
        greedy[np.argmax(gain)] += 1

    best = best_levels(reached, 12)

    # F is not concave below the mode; SciPy 1.17.1 over all splits.
    assert greedy.tolist() == [7, 5]
    assert reached[[0, 1], greedy].sum() == pytest.approx(1.190139, abs=1e-6)
    assert best.tolist() == [3, 9]
    assert reached[[0, 1], best].sum() == pytest.approx(1.573748, abs=1e-6)


def test_piece_by_piece_on_log_f_finds_the_largest_chance_that_none_runs_short():
    pmf = poisson(2, 8)

    answer = allocate_so_that_none_runs_short(pmf, zeros(2), np.full(2, 12), zeros(2), np.array([12]))

    # A log-concave pmf has a log-concave cdf; SciPy 1.17.1 over all splits.
    assert answer.given.tolist() == [3, 9]
    assert np.prod(1 - p_short(pmf, answer.given)) == pytest.approx(0.614235, abs=1e-6)


def test_log_f_that_is_not_concave_is_refused():
    lumpy = np.array([[0.5, 0.0, 0.0, 0.5]])

    with pytest.raises(ValueError, match="not concave"):
        allocate_so_that_none_runs_short(lumpy, zeros(1), np.array([3]), zeros(1), np.array([3]))


def test_unequal_packs_make_piece_by_piece_wrong():
    pmf = poisson(2, 4)

    answer = allocate_packs(pmf, zeros(2), [0, 1], zeros(2), np.array([5]), pieces_per_pack=[2, 5])

    # A knapsack; SciPy 1.17.1 over all splits. Greedy gives cart A two packs: 4.075141 pieces short.
    assert expected_shortfall(pmf, np.array([4, 0])).sum() == pytest.approx(4.075141, abs=1e-6)
    assert answer.packs.tolist() == [0, 1]
    assert answer.shortfall_after.sum() == pytest.approx(2.410304, abs=1e-6)


def test_a_substitute_goes_only_where_it_is_permitted():
    pmf, stock = poisson(4, 4), np.array([0, 6])

    without = allocate_packs(pmf, zeros(2), [0, 1], [0, 1], stock)
    permitted = allocate_packs(pmf, zeros(2), [0, 1, 0], [0, 1, 1], stock, penalty=[0, 0, 0.1])

    assert without.given.tolist() == [0, 6]
    assert permitted.given.tolist() == [3, 3]
    assert permitted.packs.tolist() == [0, 3, 3]


def test_a_line_takes_in_no_more_than_it_has_room_for():
    answer = allocate_packs(poisson(9), zeros(1), [0], [0], np.array([20]), pieces_per_pack=5, most=np.array([9]))

    assert answer.given.tolist() == [5]
    assert answer.left.tolist() == [15]


def test_a_room_is_supplied_in_full_or_left():
    # Two rooms each want 4 of two consumables; there is enough for one room.
    pmf, room, group = poisson(2, 2, 3, 3), np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])

    given_pieces = cover_most_rooms(pmf, zeros(4), np.full(4, 4), room, group, np.array([5, 7]))

    assert given_pieces.tolist() == [4, 4, 0, 0]


def test_the_gains_tell_why_a_line_got_no_more():
    pmf = poisson(2, 4, 6)

    answer = one_consumable(pmf, 10)

    assert answer.last_gain == pytest.approx(p_short(pmf, answer.given - 1))
    assert answer.next_gain == pytest.approx(p_short(pmf, answer.given))
    assert answer.last_gain.min() >= answer.next_gain.max()


def test_equal_lines_share_evenly_and_the_first_comes_first():
    answer = one_consumable(poisson(3, 3, 3), 5)

    assert answer.given.tolist() == [2, 2, 1]


def test_pieces_that_no_demand_is_likely_to_need_are_shared_evenly_too():
    nobody_uses_it = np.tile([1.0, 0.0], (3, 1))

    answer = one_consumable(nobody_uses_it, 4)

    assert answer.given.tolist() == [2, 1, 1]


def test_a_record_below_zero_is_served_first():
    answer = allocate(poisson(1, 1), np.array([0, -2]), np.array([9, 9]), zeros(2), np.array([2]))

    assert answer.given.tolist() == [0, 2]


def test_enough_stock_gives_every_line_what_it_wants():
    answer = allocate(poisson(1, 1), zeros(2), np.array([5, 0]), zeros(2), np.array([9]))

    assert answer.given.tolist() == [5, 0]
    assert answer.left.tolist() == [4]
    assert answer.next_gain.tolist() == [0, 0]
    assert np.isnan(answer.last_gain).tolist() == [False, True]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"have": [0.5]}, "have must be whole"),
        ({"want": [-1]}, "want must not be below"),
        ({"stock": [-1]}, "stock must not be below"),
        ({"group": [1]}, "does not list"),
        ({"weight": 0.0}, "above zero"),
    ],
)
def test_impossible_stock_is_refused(change, message):
    inputs = {"have": [0], "want": [1], "group": [0], "stock": [1], "weight": 1.0} | change

    with pytest.raises(ValueError, match=message):
        allocate(poisson(1), **inputs)


@settings(max_examples=80, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_no_split_of_any_demand_is_better_and_no_piece_is_invented(seed):
    rng = np.random.default_rng(seed)
    pmf = rng.dirichlet(np.full(6, 0.4), 5)  # lumpy on purpose
    have, want = rng.integers(-2, 3, 5), rng.integers(0, 4, 5)
    group, stock = np.array([0, 0, 0, 1, 1]), rng.integers(0, 7, 2)
    weight = rng.uniform(0.5, 3, 5)

    answer = allocate(pmf, have, want, group, stock, weight)

    assert (answer.given >= 0).all()
    assert (answer.given <= want).all()
    assert (answer.left >= 0).all()
    assert (np.bincount(group, weights=answer.given, minlength=2) + answer.left == stock).all()
    for consumable in range(2):
        lines = group == consumable
        every = itertools.product(*(range(w + 1) for w in want[lines]))
        best = min(
            weight[lines] @ expected_shortfall(pmf[lines], have[lines] + np.array(split))
            for split in every
            if sum(split) <= stock[consumable]
        )
        assert weight[lines] @ answer.shortfall_after[lines] == pytest.approx(best, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_no_choice_of_packs_is_better_and_no_piece_is_invented(seed):
    rng = np.random.default_rng(seed)
    pmf, have = rng.dirichlet(np.full(7, 0.4), 3), rng.integers(-1, 2, 3)
    size, stock = rng.integers(1, 4, 3), rng.integers(0, 9)

    answer = allocate_packs(pmf, have, [0, 1, 2], zeros(3), np.array([stock]), pieces_per_pack=size)

    assert (answer.packs * size).sum() + answer.left[0] == stock
    assert answer.left[0] >= 0
    best = min(
        expected_shortfall(pmf, have + np.array(packs) * size).sum()
        for packs in itertools.product(*(range(stock // s + 1) for s in size))
        if np.dot(packs, size) <= stock
    )
    assert answer.shortfall_after.sum() == pytest.approx(best, abs=1e-7)
