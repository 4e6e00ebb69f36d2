"""First expiring, first out over several days: no other plan of taking lets fewer pieces go out of date."""

from datetime import date, timedelta
from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.fefo import LotOnHand, choose_lots

TODAY = date(2026, 3, 4)


def wasted_by_rule(lots, wanted, **rule):
    """Pieces that expire when every day's wish is taken as `choose_lots` says. lots: (last day, pieces)."""
    left = [pieces for _day, pieces in lots]
    for day, pieces in enumerate(wanted):
        shelf = [LotOnHand(n, TODAY + timedelta(days=lots[n][0]), left[n]) for n in range(len(lots))]
        for n, taken in choose_lots(shelf, needed_pieces=pieces, on=TODAY + timedelta(days=day), **rule).taken:
            left[n] -= taken
    # What nobody wanted by the end is wasted when its day comes: every lot here ends within the days looked at.
    return sum(left)


def wasted_at_least(lots, wanted, day=0):
    """The same for the best of all plans, every way to meet each day's wish from pieces in date tried."""
    if day == len(wanted):
        return sum(pieces for _last, pieces in lots)
    in_date = [pieces if last >= day else 0 for last, pieces in lots]
    take = min(wanted[day], sum(in_date))
    ways = (way for way in product(*(range(n + 1) for n in in_date)) if sum(way) == take)
    return min(
        wasted_at_least(
            [(last, pieces - part) for (last, pieces), part in zip(lots, way, strict=True)], wanted, day + 1
        )
        for way in ways
    )


@settings(max_examples=150, deadline=None)
@given(
    lots=st.lists(st.tuples(st.integers(0, 4), st.integers(0, 3)), min_size=1, max_size=4),
    wanted=st.lists(st.integers(0, 3), min_size=5, max_size=5),
)
def test_no_plan_of_taking_lets_fewer_pieces_go_out_of_date(lots, wanted):
    assert wasted_by_rule(lots, wanted) == wasted_at_least(lots, wanted)


def test_taking_first_what_lasts_longest_wastes_more():
    """So the bound is not met by just any order."""
    lots, wanted = [(0, 1), (4, 1)], [1, 1, 0, 0, 0]

    assert wasted_by_rule(lots, wanted) == 0
    assert wasted_by_rule(lots, wanted, longest_first=True) == 1
