"""A size run over the day's cases: against enumeration of what every case may want."""

import itertools

import numpy as np
import pytest

from restock.forecasting.size_safety import size_safety

NEIGHBOURS = [[1], [0, 2], [1, 3], [2]]


def enumerated(wanted, on_hand, permitted):
    """Chance that some case finds nothing, from every combination of sizes wanted (last: none)."""
    wanted = np.column_stack([wanted, 1 - wanted.sum(axis=1)])
    lacking = 0.0
    for sizes in itertools.product(range(wanted.shape[1]), repeat=len(wanted)):
        chance = np.prod([wanted[case, size] for case, size in enumerate(sizes)])
        left = list(on_hand)
        for size in sizes:
            if size == wanted.shape[1] - 1:
                continue
            choice = next((s for s in (size, *permitted[size]) if left[s] > 0), None)
            if choice is None:
                lacking += chance
                break
            left[choice] -= 1
    return lacking


@pytest.mark.parametrize("on_hand", [[1, 0, 2, 1], [0, 1, 0, 1], [2, 2, 2, 2], [9, 9, 9, 9], [0, 0, 0, 0]])
def test_the_chance_equals_enumeration(on_hand):
    wanted = np.random.default_rng(8).dirichlet(np.full(5, 0.8), 5)[:, :4]

    answer = size_safety(wanted, on_hand, NEIGHBOURS)

    assert answer.p_some_case_lacks == pytest.approx(enumerated(wanted, on_hand, NEIGHBOURS), abs=1e-12)


def test_a_gap_in_the_run_is_seen_although_there_are_plenty_of_pieces():
    wanted = np.array([[0.0, 1.0, 0.0]])

    assert size_safety(wanted, [9, 0, 9], [[], [], []]).p_some_case_lacks == 1.0
    covered = size_safety(wanted, [9, 0, 9], [[], [2], []])
    assert covered.p_some_case_lacks == 0.0
    assert covered.p_substitute.tolist() == [1.0]


def test_nothing_stands_in_unless_permitted():
    wanted = np.array([[1.0, 0.0], [1.0, 0.0]])

    assert size_safety(wanted, [1, 5], [[], [0]]).p_lacking.tolist() == [0.0, 1.0]


def test_one_more_piece_never_raises_the_chance():
    wanted = np.random.default_rng(9).dirichlet(np.ones(4), 6)

    chances = [size_safety(wanted, [n, 1, 1, 1], [[], [], [], []]).p_some_case_lacks for n in range(6)]

    assert (np.diff(chances) <= 1e-12).all()
    assert chances[0] > chances[-1]


def test_what_is_too_large_to_follow_is_refused():
    with pytest.raises(ValueError, match="Too many sizes"):
        size_safety(np.full((60, 8), 0.1), np.full(8, 30), [[]] * 8)
    with pytest.raises(ValueError, match="at most one"):
        size_safety(np.array([[0.9, 0.9]]), [1, 1], [[], []])
