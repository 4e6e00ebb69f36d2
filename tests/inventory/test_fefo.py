from datetime import date, timedelta
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.fefo import LotOnHand, choose_lots

TODAY = date(2026, 3, 4)


def in_days(days):
    return TODAY + timedelta(days=days)


def test_lot_that_expires_first_is_taken_first():
    lots = [LotOnHand("late", in_days(90), 5), LotOnHand("soon", in_days(9), 2)]

    assert choose_lots(lots, needed_pieces=3, on=TODAY).taken == (("soon", 2), ("late", 1))


def test_lot_without_a_date_is_taken_last():
    lots = [LotOnHand("undated", None, 5), LotOnHand("far", date(2099, 1, 1), 1)]

    assert choose_lots(lots, needed_pieces=2, on=TODAY).taken == (("far", 1), ("undated", 1))


def test_lot_is_usable_through_its_expiry_date_and_not_a_day_longer():
    """ISO 15223-1, symbol 5.1.4: use by the end of the stated date."""
    lots = [LotOnHand("yesterday", in_days(-1), 5), LotOnHand("today", in_days(0), 1)]

    choice = choose_lots(lots, needed_pieces=2, on=TODAY)

    assert choice.taken == (("today", 1),)
    assert choice.short_pieces == 1


def test_recalled_lot_and_negative_balance_are_never_taken():
    lots = [LotOnHand("recalled", in_days(5), 5, usable=False), LotOnHand("miscounted", in_days(6), -3)]

    choice = choose_lots(lots, needed_pieces=2, on=TODAY)

    assert choice.taken == ()
    assert choice.short_pieces == 2


def test_negative_need_is_refused():
    with pytest.raises(ValueError, match="fewer than zero"):
        choose_lots([], needed_pieces=-1, on=TODAY)


@given(
    lots=st.lists(st.tuples(st.none() | st.integers(-1, 4), st.integers(0, 3), st.booleans()), min_size=1, max_size=4),
    needed=st.integers(0, 9),
)
def test_no_other_way_to_take_the_pieces_leaves_fewer_to_expire_by_any_day(lots, needed):
    """Compared with every possible way to take the same number of pieces, by enumeration."""
    lots = [
        LotOnHand(key, None if days is None else in_days(days), pieces, usable)
        for key, (days, pieces, usable) in enumerate(lots)
    ]
    choice = choose_lots(lots, needed_pieces=needed, on=TODAY)

    def may_take(lot):
        return lot.usable and (lot.expires_on is None or lot.expires_on >= TODAY)

    total = min(needed, sum(lot.pieces for lot in lots if may_take(lot)))
    every_way = [
        way for way in product(*(range(lot.pieces + 1 if may_take(lot) else 1) for lot in lots)) if sum(way) == total
    ]

    def left_to_expire(way, day):
        return sum(
            lot.pieces - pieces
            for lot, pieces in zip(lots, way, strict=True)
            if lot.expires_on is not None and lot.expires_on <= day
        )

    taken = dict(choice.taken)
    chosen = tuple(taken.get(lot.key, 0) for lot in lots)
    assert chosen in every_way
    assert choice.short_pieces == needed - total
    for day in map(in_days, range(-1, 5)):
        assert left_to_expire(chosen, day) == min(left_to_expire(way, day) for way in every_way)
