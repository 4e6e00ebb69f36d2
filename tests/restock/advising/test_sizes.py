"""Whether every case finds a size, and what neighbouring sizes could do where a run is scarce."""

import numpy as np
import pytest

from restock.advising import sizes
from restock.advising.scarce import share_scarce
from restock.advising.sizes import neighbours, size_readiness
from restock.models import SetupStandard
from restock.plans.planning import draft_plan
from tests.factories import (
    CartFactory,
    CaseTypeFactory,
    ConsumableFactory,
    SetupStandardFactory,
    SizeClassFactory,
    SizeRunFactory,
    StockingLineFactory,
)

from .conftest import TOMORROW


@pytest.fixture
def run(department):
    return SizeRunFactory()


@pytest.fixture
def tubes(run):
    """Sizes 3, 4 and 5 of one run."""
    return [ConsumableFactory(size_run=run, size_position=n, size=str(n + 2)) for n in (1, 2, 3)]


@pytest.fixture
def middle_sized(run, tubes, room, cart, listed, policy):
    """Two cases tomorrow, each of which takes one tube, size 4 by the sizing rule."""
    case_type, size_class = CaseTypeFactory(), SizeClassFactory()
    SetupStandardFactory(case_type=case_type, consumable=None, size_run=run)
    SetupStandard.objects.create(size_class=size_class, consumable=tubes[1])
    listed(room, case_type, 2, size_class=size_class)
    return case_type


def readiness(department, policy):
    return size_readiness(draft_plan(department, TOMORROW, policy=policy), policy)


def test_a_full_run_lacks_next_to_nothing(department, cart, tubes, middle_sized, policy, receive):
    for tube in tubes:
        StockingLineFactory(place=cart, consumable=tube)
        receive(cart, tube, 5)

    [found] = readiness(department, policy)

    assert (found.place, found.cases, found.sizes) == (cart, 2, tuple(tubes))
    assert found.p_lacking == 0.0
    assert found.wanted.argmax() == 1


def test_a_gap_in_the_run_shows_unless_a_neighbour_may_stand_in(department, cart, tubes, middle_sized, policy, receive):
    for tube in tubes:
        StockingLineFactory(place=cart, consumable=tube)
    receive(cart, tubes[0], 5)
    receive(cart, tubes[2], 5)

    [with_neighbours] = readiness(department, policy)
    policy.neighbour_steps = 0
    [without] = readiness(department, policy)

    assert with_neighbours.p_lacking == 0.0
    assert with_neighbours.p_substitute > 1.0
    assert without.p_lacking > 0.9


def test_a_size_that_no_cart_keeps_counts_as_none(department, cart, tubes, middle_sized, policy, receive):
    for tube in (tubes[0], tubes[2]):
        StockingLineFactory(place=cart, consumable=tube)
        receive(cart, tube, 5)
    StockingLineFactory(place=CartFactory(), consumable=tubes[1])  # stands in a room of its own: out of reach
    policy.neighbour_steps = 0

    [found] = readiness(department, policy)

    assert found.sizes[1] == tubes[1]
    assert found.usable.tolist() == [5, 0, 5]
    assert found.p_lacking > 0.9


def test_tonights_picks_count_in_the_second_chance(department, cart, tubes, middle_sized, policy, receive, storeroom):
    for tube in tubes:
        StockingLineFactory(place=cart, consumable=tube, par=3)
        receive(storeroom, tube, 20)

    [found] = readiness(department, policy)

    assert found.p_lacking > 0.9
    assert found.p_lacking_after < 0.001


def test_a_day_too_large_to_follow_gives_an_upper_bound(monkeypatch):
    wanted, on_hand = np.array([[0.2, 0.5, 0.1]] * 5), np.array([1, 2, 0])
    exact, _, bounded = sizes._risk(wanted, on_hand, 1)
    assert not bounded

    def too_large(*args):
        raise ValueError

    monkeypatch.setattr(sizes, "size_safety", too_large)
    bound, _, bounded = sizes._risk(wanted, on_hand, 1)

    assert bounded
    assert exact <= bound <= 1.0


def test_neighbours_come_nearest_first_and_the_smaller_before_the_larger():
    assert neighbours(4, 1) == [[1], [0, 2], [1, 3], [2]]
    assert neighbours(3, 2)[0] == [1, 2]
    assert neighbours(3, 2)[1] == [0, 2]
    assert neighbours(3, 0) == [[], [], []]


@pytest.fixture
def scarce_middle(cart, tubes, middle_sized, storeroom, receive):
    """The storeroom has plenty of 3 and 5 and no 4; the cart has none of any."""
    for tube in tubes:
        StockingLineFactory(place=cart, consumable=tube, par=3)
    receive(storeroom, tubes[0], 20)
    receive(storeroom, tubes[2], 20)


def test_a_neighbour_is_proposed_where_a_size_is_out(department, tubes, scarce_middle, policy):
    [answer] = share_scarce(draft_plan(department, TOMORROW, policy=policy), policy)

    stand_ins = [one for one in answer.sent if one.stands_in]
    assert answer.differs
    assert answer.harm < answer.harm_by_plan - 0.5
    assert {one.line.consumable for one in stand_ins} == {tubes[1]}
    assert sum(one.pieces for one in stand_ins) >= 2


def test_without_permitted_neighbours_the_program_agrees_with_the_plan(department, scarce_middle, policy):
    policy.neighbour_steps = 0

    [answer] = share_scarce(draft_plan(department, TOMORROW, policy=policy), policy)

    assert not answer.differs
    assert not any(one.stands_in for one in answer.sent)
    assert answer.harm == pytest.approx(answer.harm_by_plan, abs=1e-6)


@pytest.mark.parametrize("pack", [1, 2, 3])
def test_no_line_gets_more_than_it_asks_for_and_no_storeroom_gives_more_than_it_has(
    department, tubes, scarce_middle, policy, pack
):
    draft = draft_plan(department, TOMORROW, policy=policy)

    [answer] = share_scarce(draft, policy, pieces_per_pack={tube.pk: pack for tube in tubes})

    for n, line in enumerate(draft.forecast.frame.lines):
        assert sum(one.pieces for one in answer.sent if one.line == line) <= draft.top_up[n]
    for tube in tubes:
        sent = sum(one.pieces for one in answer.sent if one.consumable == tube)
        assert sent <= draft.stock.store_pieces(tube.pk)
        assert sent % pack == 0
