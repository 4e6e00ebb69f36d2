"""Storeroom demand for pieces that leave loose and in bundles: once each, never twice."""

from itertools import product

import numpy as np
import pytest

from inventory import bundles
from inventory.models import BundlePiece
from restock.advising.bundled import Bundled, opened_up, read_bundled, with_bundles
from restock.advising.storerooms import advise_orders
from tests.factories import CaseTypeFactory, ConsumableFactory, StockingLineFactory

from .conftest import TODAY, TONIGHT


@pytest.fixture
def bundle(department, tube):
    """A bundle of two tubes."""
    bundle = ConsumableFactory(code="BU01", name="Bundle of two")
    BundlePiece.objects.create(bundle=bundle, piece=tube, pieces_per_bundle=2)
    return bundle


@pytest.fixture
def both_used(cart, room, storeroom, tube, bundle, a_past):
    """Four weeks in which every day one case used a loose tube and another a bundle. The storeroom keeps tubes."""
    StockingLineFactory(place=storeroom, consumable=tube, par=40)
    for line in (tube, bundle):
        StockingLineFactory(place=cart, consumable=line, par=4)
    a_past(room, CaseTypeFactory(), 28, [{tube: 1}, {bundle: 1}])


def of(department, line):
    return next(one for one in advise_orders(department, today=TODAY) if one.consumable == line)


def test_pieces_in_bundles_are_part_of_the_demand_for_the_line(department, both_used, tube):
    assert of(department, tube).mean_per_day == pytest.approx(1 + 2, rel=0.1)


def test_bundles_that_are_made_up_count_as_their_pieces_and_lacking_ones_are_owed_as_them(
    department, both_used, storeroom, cart, tube, bundle, receive, technician
):
    receive(storeroom, tube, 20)
    receive(cart, tube, 4)
    before = of(department, tube)
    bundles.make_up(place=storeroom, bundle=bundle, bundles=3, by=technician, at=TONIGHT, key="made")

    after = of(department, tube)

    assert (before.usable, before.owed) == (20, 4 * 2)
    assert (after.usable, after.owed) == (before.usable, before.owed)
    assert (after.level, after.order_packs, after.cover) == (before.level, before.order_packs, before.cover)


def test_bundle_that_the_storeroom_keeps_is_covered_but_never_ordered(department, both_used, storeroom, bundle):
    StockingLineFactory(place=storeroom, consumable=bundle, par=5)

    proposal = of(department, bundle)

    assert proposal.mean_per_day == pytest.approx(1, rel=0.1)
    assert proposal.order_packs == 0


def test_sum_is_that_of_every_way_in_which_loose_and_bundled_use_can_fall():
    rng = np.random.default_rng(5)
    loose, of_bundle = rng.dirichlet(np.ones(4), (2, 2)), rng.dirichlet(np.ones(3), (2, 1))
    number = np.array([[3], [0]])
    bundled = Bundled((None,), number, np.zeros(2, dtype=bool))

    [(which, both)] = with_bundles([(np.array([0, 1]), loose)], [(np.array([0]), of_bundle)], bundled)

    expected = np.zeros((2, 2, 10))
    for day, line, pieces, made in product(range(2), range(2), range(4), range(3)):
        expected[day, line, pieces + number[line, 0] * made] += loose[day, line, pieces] * of_bundle[day, 0, made]
    assert which.tolist() == [0, 1]
    assert np.pad(both, ((0, 0), (0, 0), (0, 10 - both.shape[2]))) == pytest.approx(expected)


def test_bundle_within_a_bundle_is_opened_up_and_a_circle_is_left_closed():
    contents = {1: {2: 2, 9: 1}, 2: {9: 3}}

    assert opened_up(1, contents) == {2: 2, 9: 1 + 2 * 3}
    assert opened_up(1, {1: {2: 1}, 2: {1: 1}}) == {2: 1, 1: 1}


def test_department_without_bundles_asks_for_none(department, storeroom, tube):
    kept = [StockingLineFactory(place=storeroom, consumable=tube)]

    found = read_bundled(department, kept)

    assert found.lines == ()
    assert found.in_pieces(np.zeros(0, dtype=int)).tolist() == [0]
