"""Expected waste and moves: against closed forms, simulation and conservation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from restock.forecasting.outdating import expected_outdates, moves_before_expiry
from restock.forecasting.transfers import rebalance, take_back


def poisson(*means, n=60):
    return stats.poisson.pmf(np.arange(n), np.array(means, float)[:, None])


def test_one_lot_wastes_what_demand_leaves():
    waste = expected_outdates(np.array([[20]]), poisson(15)[None])

    # Complementary loss function; SciPy 1.17.1 and stockpyl 1.0.2: 20 pieces, 30 days at Poisson(0.5).
    assert waste.expected[0] == pytest.approx([5.212300], abs=1e-6)
    assert waste.p_any[0] == pytest.approx([0.875219], abs=1e-6)


def test_two_lots_go_first_expiring_first_out():
    waste = expected_outdates(np.array([[10, 12]]), np.stack([poisson(5), poisson(10)]))

    # Nahmias 1982 and 2011 for the theory; value by recursion, confirmed by 2,000,000 simulated paths.
    assert waste.expected[0] == pytest.approx([5.022188, 2.516977], abs=1e-6)


def test_places_with_fewer_lots_are_solved_beside_others():
    between = np.stack([poisson(5, 5), poisson(10, 10)])

    waste = expected_outdates(np.array([[10, 12], [0, 20]]), between)

    assert waste.expected[0] == pytest.approx([5.022188, 2.516977], abs=1e-6)
    assert waste.expected[1] == pytest.approx([0.0, 5.212300], abs=1e-6)


def test_three_lots_agree_with_a_simulation():
    rng = np.random.default_rng(3)
    lots, rates = [4, 6, 3], [2.0, 3.0, 5.0]

    waste = expected_outdates(np.array([lots]), np.stack([poisson(r) for r in rates]))

    wasted = np.zeros(3)
    paths = 100_000
    left = np.tile(lots, (paths, 1))
    for lot, rate in enumerate(rates):
        wanted = rng.poisson(rate, paths)
        for earliest in range(3):
            taken = np.minimum(left[:, earliest], wanted)
            left[:, earliest] -= taken
            wanted -= taken
        wasted[lot] = left[:, lot].mean()
        left[:, lot] = 0
    assert waste.expected[0] == pytest.approx(wasted, abs=0.03)


def test_short_dated_pieces_go_to_the_cart_that_uses_them():
    moves = moves_before_expiry(poisson(1, 12), np.array([6, 0]), np.zeros(2, int), cost_per_piece=0.1)

    assert moves.source.tolist() == [0]
    assert moves.destination.tolist() == [1]
    before = expected_outdates(np.array([[6], [0]]), poisson(1, 12)[None]).expected.sum()
    after_lots = np.array([[6 - moves.pieces[0]], [moves.pieces[0]]])
    after = expected_outdates(after_lots, poisson(1, 12)[None]).expected.sum()
    assert before - after - 0.1 * moves.pieces.sum() == pytest.approx(moves.gain.sum(), abs=1e-9)


def test_no_place_takes_more_than_it_can_give_in_exchange():
    moves = moves_before_expiry(poisson(1, 12, 12), np.array([6, 0, 0]), np.zeros(3, int), space=np.array([0, 2, 1]))

    assert moves.destination.tolist() == [1, 2]
    assert moves.pieces.tolist() == [2, 1]


def test_a_move_that_is_not_worth_its_walk_is_not_proposed():
    pmf, on_hand, group = poisson(0.1, 1.0), np.array([4, 2]), np.zeros(2, int)

    worth = rebalance(pmf, on_hand, group, cost_per_piece=0.02)
    assert worth.pieces.tolist() == [1]
    assert worth.gain == pytest.approx([stats.poisson.sf(2, 1.0) - stats.poisson.sf(3, 0.1) - 0.02])
    assert rebalance(pmf, on_hand, group, cost_per_piece=0.02, cost_per_walk=0.1).pieces.size == 0


def test_consumables_are_never_mixed():
    moves = rebalance(poisson(1, 9), np.array([9, 0]), np.array([0, 1]))

    assert moves.pieces.size == 0


def test_take_back_stops_where_the_cart_would_miss_the_piece():
    pmf = poisson(2, 2)

    pieces = take_back(pmf, np.array([9, 9]), 0.05, floor=np.array([0, 8]))

    # P(D >= x) <= 0.05 first at x = 6: five stay.
    assert stats.poisson.sf(4, 2) > 0.05 > stats.poisson.sf(5, 2)
    assert pieces.tolist() == [4, 1]


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_rebalancing_conserves_pieces_keeps_bounds_and_leaves_no_single_move_worth_making(seed):
    rng = np.random.default_rng(seed)
    pmf, on_hand = rng.dirichlet(np.full(7, 0.5), 6), rng.integers(-1, 7, 6)
    group, weight = np.array([0, 0, 0, 1, 1, 1]), rng.uniform(0.5, 2, 6)
    floor, capacity, cost = rng.integers(0, 3, 6), rng.integers(3, 8, 6), 0.05

    moves = rebalance(pmf, on_hand, group, weight=weight, floor=floor, capacity=capacity, cost_per_piece=cost)

    out = np.bincount(moves.source, weights=moves.pieces, minlength=6)
    into = np.bincount(moves.destination, weights=moves.pieces, minlength=6)
    after = on_hand - out + into
    assert out.sum() == into.sum()
    assert (group[moves.source] == group[moves.destination]).all()
    assert (after[out > 0] >= floor[out > 0]).all()
    assert (after[into > 0] <= capacity[into > 0]).all()
    assert (moves.gain > 0).all()

    def chance_beyond(line, x):
        return 1.0 if x < 0 else pmf[line, int(x) + 1 :].sum()

    for a in range(6):
        for b in range(6):
            free = a != b and group[a] == group[b] and after[a] > floor[a] and after[b] < capacity[b]
            if free and after[b] < 6:
                net = weight[b] * chance_beyond(b, after[b]) - weight[a] * chance_beyond(a, after[a] - 1)
                assert net <= cost + 1e-9
