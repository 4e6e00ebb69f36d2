"""Moves between places: worth their walk, and nothing lost on the way."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.models import Consumable, Place
from restock.advising.moves import back_to_storeroom, between_carts, walks
from restock.advising.tonight import advise_moves
from restock.forecasting.transfers import rebalance
from restock.models import Policy
from restock.plans.planning import draft_plan
from tests.factories import CartFactory, CaseTypeFactory, SetupStandardFactory, StockingLineFactory

from .conftest import TOMORROW


@pytest.fixture
def two_carts(cart, room, tube, storeroom, listed, policy, receive):
    """Tomorrow six cases in `room`, whose cart is empty; another cart holds six tubes; the storeroom has none."""
    case_type = CaseTypeFactory()
    SetupStandardFactory(case_type=case_type, consumable=tube)
    other = CartFactory(restocked_from=storeroom, walk_order=9)
    for place in (cart, other):
        StockingLineFactory(place=place, consumable=tube, par=2)
    receive(other, tube, 6)
    listed(room, case_type, 6)
    return cart, other


def test_where_the_storeroom_has_none_another_cart_gives_what_it_hardly_needs(department, two_carts, tube, policy):
    empty, full = two_carts

    [walk] = between_carts(draft_plan(department, TOMORROW, policy=policy), policy)

    [move] = walk.moves
    assert (walk.source, walk.destination, move.consumable) == (full, empty, tube)
    assert move.pieces == 6
    assert walk.gain == pytest.approx(move.gain - policy.handling_per_walk)


def test_a_cart_is_not_asked_for_its_floor(department, two_carts, policy):
    two_carts[1].stocking_lines.update(floor=4)

    [walk] = between_carts(draft_plan(department, TOMORROW, policy=policy), policy)

    assert [move.pieces for move in walk.moves] == [2]


def test_with_enough_in_the_storeroom_nothing_moves_between_carts(
    department, two_carts, tube, storeroom, policy, receive
):
    receive(storeroom, tube, 40)

    assert between_carts(draft_plan(department, TOMORROW, policy=policy), policy) == []


def test_a_walk_that_costs_more_than_it_gains_is_not_proposed(department, two_carts, policy):
    policy.handling_per_walk = 50.0

    assert between_carts(draft_plan(department, TOMORROW, policy=policy), policy) == []


def test_idle_pieces_go_back_down_to_the_target_only(department, cart, tube, storeroom, policy, receive):
    line = StockingLineFactory(place=cart, consumable=tube, par=2)
    receive(cart, tube, 9)
    draft = draft_plan(department, TOMORROW, policy=policy)
    nothing_used = np.array([[1.0]])

    [walk] = back_to_storeroom(draft, policy, nothing_used, {storeroom.pk: storeroom})

    assert (walk.source, walk.destination) == (cart, storeroom)
    assert [move.pieces for move in walk.moves] == [9 - line.par]
    # Nobody uses any, so each piece gains what an idle one costs, less its handling.
    assert walk.gain == pytest.approx(7 * (policy.idle_piece - policy.handling_per_piece) - policy.handling_per_walk)


def test_pieces_that_the_next_days_are_likely_to_use_stay(department, cart, tube, storeroom, policy, receive):
    StockingLineFactory(place=cart, consumable=tube, par=2)
    receive(cart, tube, 9)
    receive(storeroom, tube, 50)
    nine_used = np.eye(10)[[9]]

    assert back_to_storeroom(draft_plan(department, TOMORROW, policy=policy), policy, nine_used, {}) == []


def test_all_that_could_move_is_worked_out_in_few_queries_and_writes_nothing(
    department, two_carts, room, storeroom, receive, django_assert_max_num_queries
):
    with django_assert_max_num_queries(90):
        advice = advise_moves(department, TOMORROW)

    assert [walk.destination for walk in advice.between_carts] == [two_carts[0]]
    assert two_carts[1].on_hand(two_carts[1].stocking_lines.get().consumable) == 6


@given(
    held=st.lists(st.integers(0, 9), min_size=2, max_size=6),
    chances=st.lists(st.floats(0.05, 0.95), min_size=6, max_size=6),
    per_walk=st.floats(0, 0.5),
)
def test_walks_never_take_more_than_a_place_has_nor_create_a_piece(held, chances, per_walk):
    pmf = np.array([[1 - p, p * (1 - p), p * p] for p in chances[: len(held)]])
    pmf /= pmf.sum(axis=1, keepdims=True)
    places = [Place(pk=n + 1, code=str(n)) for n in range(len(held))]
    tube = Consumable(pk=1, code="tube")
    policy = Policy(handling_per_walk=per_walk)
    moves = rebalance(pmf, np.array(held), np.zeros(len(held), dtype=int), cost_per_piece=policy.handling_per_piece)

    found = walks(moves, places, [tube] * len(held), policy)

    change = dict.fromkeys(places, 0)
    for walk in found:
        assert walk.gain > 0
        for move in walk.moves:
            change[walk.source] -= move.pieces
            change[walk.destination] += move.pieces
    assert sum(change.values()) == 0
    assert all(before + change[place] >= 0 for place, before in zip(places, held, strict=True))
