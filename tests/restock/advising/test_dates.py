"""Short-dated pieces: what is likely to be wasted, and swaps that save it."""

from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.models import Consumable, Place
from restock.advising.dates import Held, advise_dates, places_demand, short_dated
from restock.learning.forecast import read_frame
from restock.models import Policy
from tests.factories import CartFactory, LotFactory, StockingLineFactory

from .conftest import TODAY, TOMORROW

SOON, LATER = TODAY + timedelta(days=10), TODAY + timedelta(days=20)
TUBE = Consumable(pk=1, code="tube")
SLOW, FAST = Place(pk=1, code="slow", role="cart"), Place(pk=2, code="fast", role="cart")


def uses(*pieces_per_day):
    """Demand of places that use so many pieces on each day, exactly."""

    def between(after_days, days):
        used = [n * (days - after_days) for n in pieces_per_day]
        return np.eye(max(used) + 1)[used]

    return between


def test_a_piece_that_nobody_uses_is_wasted_and_a_swap_with_a_busy_cart_saves_it():
    held = [Held(SLOW, TUBE, ((SOON, 2),), longer=1), Held(FAST, TUBE, (), longer=5)]

    dates = advise_dates(held, uses(0, 3), Policy(), today=TODAY)

    [waste] = dates.wastes
    assert (waste.place, waste.expires_on, waste.pieces, waste.expected, waste.p_any) == (SLOW, SOON, 2, 2.0, 1.0)
    [walk] = dates.swaps
    assert (walk.source, walk.destination) == (SLOW, FAST)
    assert [move.pieces for move in walk.moves] == [2]
    assert dates.saved == pytest.approx(2.0)
    # Two pieces saved at 0.2 each, four pieces handled, one walk.
    assert walk.gain == pytest.approx(2 * 0.2 - 4 * 0.01 - 0.1)


def test_a_cart_that_uses_them_in_time_wastes_none():
    dates = advise_dates([Held(FAST, TUBE, ((SOON, 9),), longer=0)], uses(1), Policy(), today=TODAY)

    assert [waste.expected for waste in dates.wastes] == [0.0]
    assert dates.swaps == ()


def test_a_piece_may_be_used_on_its_last_day():
    nine_days, ten_days = (
        advise_dates([Held(FAST, TUBE, ((TODAY + timedelta(days=n), 10),), longer=0)], uses(1), Policy(), today=TODAY)
        for n in (9, 10)
    )

    assert nine_days.wastes[0].expected == 1.0
    assert ten_days.wastes[0].expected == 0.0


def test_a_cart_gives_in_exchange_only_what_lasts_longer():
    held = [Held(SLOW, TUBE, ((SOON, 5),), longer=0), Held(FAST, TUBE, (), longer=2)]

    [walk] = advise_dates(held, uses(0, 3), Policy(), today=TODAY).swaps

    assert [move.pieces for move in walk.moves] == [2]


def test_only_usable_pieces_of_lines_with_a_near_date_are_looked_at(
    department, cart, tube, storeroom, receive, technician
):
    receive(cart, tube, 2, lot=LotFactory(consumable=tube, expires_on=SOON))
    receive(cart, tube, 1, lot=LotFactory(consumable=tube, expires_on=TODAY))
    receive(storeroom, tube, 4, lot=LotFactory(consumable=tube, expires_on=SOON + timedelta(days=300)))
    quarantined = LotFactory(consumable=tube, expires_on=SOON, quarantined_at="2026-03-01T00:00Z")
    receive(storeroom, tube, 8, lot=quarantined)

    held = short_dated(department, on=TOMORROW, within_days=30)

    assert sorted((one.place.code, one.lots, one.longer) for one in held) == [
        ("CART-1", ((SOON, 2),), 0),
        ("MAIN", (), 4),
    ]


def test_a_storeroom_is_drawn_on_by_the_carts_that_it_fills(department, cart, tube, storeroom):
    StockingLineFactory(place=cart, consumable=tube)
    StockingLineFactory(place=CartFactory(restocked_from=storeroom), consumable=tube)
    StockingLineFactory(place=CartFactory(restocked_from=None), consumable=tube)
    held = [Held(storeroom, tube, (), 0), Held(cart, tube, (), 0)]

    between = places_demand(read_frame(department), held, uses(2, 3, 4))

    assert np.argmax(between(0, 1), axis=1).tolist() == [5, 2]


@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.integers(0, 4), st.integers(0, 5), st.integers(0, 2)), min_size=1, max_size=5
    )
)
def test_swaps_leave_every_place_with_as_many_pieces_and_save_no_more_than_is_wasted(places):
    held = [
        Held(Place(pk=n + 1, code=str(n)), TUBE, tuple((d, k) for d, k in ((SOON, a), (LATER, b)) if k), longer)
        for n, (a, b, longer, _) in enumerate(places)
    ]

    dates = advise_dates(held, uses(*(rate for *_, rate in places)), Policy(), today=TODAY)

    gives, takes = dict.fromkeys(range(1, 6), 0), dict.fromkeys(range(1, 6), 0)
    for walk in dates.swaps:
        for move in walk.moves:
            gives[walk.source.pk] += move.pieces
            takes[walk.destination.pk] += move.pieces
    for one in held:
        dated = sum(n for _, n in one.lots)
        assert gives[one.place.pk] <= dated
        assert takes[one.place.pk] <= dated + one.longer
    assert -1e-9 <= dates.saved <= sum(waste.expected for waste in dates.wastes) + 1e-9
