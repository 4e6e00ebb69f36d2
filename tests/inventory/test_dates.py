"""Dates read on packs: carried forward, and stronger than the lots on record."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from inventory import ledger
from inventory.dates import Change, check_date, earliest_date, line_dates
from inventory.models import DateCheck, StockingLine
from tests.factories import LotFactory, StockingLineFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
SEEN = date(2026, 5, 31)


def in_days(days):
    return SEEN + timedelta(days=days)


def test_date_that_a_person_saw_stands_while_pieces_of_then_are_left():
    changes = [Change(10, in_days(300)), Change(-4)]

    now = earliest_date(SEEN, pieces=5, changes=changes)

    assert (now.expires_on, now.pieces, now.seen) == (SEEN, 1, True)


def test_once_the_pieces_of_then_are_used_up_the_lots_moved_in_count():
    changes = [Change(4, in_days(300)), Change(6, in_days(90)), Change(-7)]

    now = earliest_date(SEEN, pieces=5, changes=changes)

    assert (now.expires_on, now.pieces, now.seen) == (in_days(90), 4, False)


def test_lot_moved_in_that_ends_sooner_takes_over_at_once():
    assert earliest_date(SEEN, pieces=5, changes=[Change(2, in_days(-30))]).expires_on == in_days(-30)


def test_pieces_that_a_count_missed_are_those_that_last_longest():
    changes = [Change(5, in_days(300)), Change(-5, counted=True)]

    assert earliest_date(SEEN, pieces=5, changes=changes).pieces == 5


def test_date_read_on_a_pack_is_believed_where_the_record_has_no_piece():
    assert earliest_date(SEEN, pieces=0).expires_on == SEEN


def test_nothing_left_and_packs_without_a_date_have_no_date():
    assert earliest_date(SEEN, pieces=2, changes=[Change(-2)]).expires_on is None
    assert earliest_date(None, pieces=2).expires_on is None


@given(
    pieces=st.integers(1, 4),
    changes=st.lists(st.tuples(st.integers(-4, 4), st.none() | st.integers(-9, 9), st.booleans()), max_size=8),
)
def test_carried_forward_as_if_every_piece_were_followed_by_itself(pieces, changes):
    changes = [
        Change(number, None if days is None or number < 0 else in_days(days), counted=counted and number < 0)
        for number, days, counted in changes
    ]
    shelf = [SEEN] * pieces
    for change in changes:
        for _ in range(abs(change.pieces)):
            if change.pieces > 0:
                shelf.append(change.expires_on or date.max)
            elif shelf:
                shelf.remove(max(shelf) if change.counted else min(shelf))

    now = earliest_date(SEEN, pieces=pieces, changes=changes)

    first = min(shelf, default=date.max)
    assert now.expires_on == (None if first == date.max else first)
    if now.expires_on:
        assert now.pieces == shelf.count(first)


@pytest.fixture
def look(cart, tube, technician):
    def check(day, *, key="look", at=NOON):
        return check_date(place=cart, consumable=tube, earliest_expires_on=day, by=technician, at=at, key=key)

    return check


@pytest.fixture
def line(cart, tube):
    return StockingLineFactory(place=cart, consumable=tube, par=5, tracking=StockingLine.Tracking.EARLIEST_DATE)


@pytest.fixture
def put(cart, tube, technician):
    """`put(3, days=-5, at=...)`: pieces of a new lot that ends so many days from SEEN come onto the cart."""

    def receive(pieces, *, days, at=NOON):
        lot = LotFactory(consumable=tube, expires_on=in_days(days))
        ledger.receive(
            place=cart, consumable=tube, quantity=pieces, lot=lot, by=technician, at=at, key=f"received {lot}"
        )
        return lot

    return receive


def test_lots_that_end_before_what_was_read_cannot_be_there(line, cart, tube, put, look):
    gone, stays = put(3, days=-5), put(2, days=5)

    look(SEEN, at=NOON + timedelta(hours=1))

    held = dict(cart.holdings.filter(consumable=tube).values_list("lot", "quantity"))
    assert held == {gone.pk: 0, stays.pk: 2, None: 3}
    assert not ledger.differences()
    [now] = line_dates([line])
    assert (now.earliest.expires_on, now.earliest.seen, now.on_hand) == (SEEN, True, 5)


def test_packs_without_any_date_leave_no_dated_lot(line, cart, tube, put, look):
    put(3, days=-5)

    look(None)

    assert cart.holdings.get(lot=None).quantity == 3
    assert line_dates([line])[0].earliest.expires_on is None


def test_date_seen_twice_with_one_key_is_kept_once(line, look):
    first = look(SEEN)

    assert look(SEEN) == first
    assert DateCheck.objects.count() == 1
    with pytest.raises(ledger.KeyReused):
        look(in_days(1))


def test_newest_look_and_what_came_after_it_make_the_date(line, cart, tube, put, look, technician):
    put(3, days=-5)
    look(SEEN, at=NOON + timedelta(hours=1))
    put(4, days=40, at=NOON + timedelta(hours=2))
    ledger.use(place=cart, consumable=tube, quantity=3, by=technician, at=NOON + timedelta(hours=3), key="used")

    [now] = line_dates([line])

    assert (now.earliest.expires_on, now.earliest.pieces, now.earliest.seen) == (in_days(40), 4, False)
    assert now.check.by == technician


def test_line_whose_packs_nobody_read_goes_by_its_lots(line, put):
    put(3, days=-5)
    put(2, days=5)

    [now] = line_dates([line])

    assert (now.earliest.expires_on, now.earliest.pieces, now.check) == (in_days(-5), 3, None)


def test_many_lines_ask_as_often_as_one(line, put, look, cart, technician):
    put(3, days=-5)
    look(SEEN)
    lines = [line, *(StockingLineFactory(place=cart, tracking="earliest_date") for _ in range(9))]
    for one in lines[1:]:
        check_date(
            place=cart, consumable=one.consumable, earliest_expires_on=SEEN, by=technician, at=NOON, key=f"{one.pk}"
        )

    asked = []
    for some in (lines[:1], lines):
        with CaptureQueriesContext(connection) as captured:
            line_dates(some)
        asked.append(len(captured))

    assert asked == [4, 4]
