from datetime import UTC, date, datetime, timedelta

import pytest

from inventory import ledger
from restock.cases.fetching import borrow, nearest
from tests.factories import CartFactory, LotFactory, RoomFactory, StoreroomFactory

NOON = datetime(2026, 3, 5, 12, tzinfo=UTC)


@pytest.fixture
def put(technician, tube):
    """`put(place, 2)`: so many tubes arrive at a place, of no lot or of one."""

    def receive(place, pieces, lot=None):
        key = f"put {place.pk} {lot}"
        ledger.receive(place=place, consumable=tube, lot=lot, quantity=pieces, by=technician, at=NOON, key=key)
        return place

    return receive


class TestNearest:
    def test_is_the_room_then_rooms_by_the_way_then_shared_carts_then_storerooms(
        self, room, cart, storeroom, tube, put
    ):
        far, near = (CartFactory(room=RoomFactory(walk_order=order)) for order in (9, 2))
        other_shared = CartFactory(room=None)
        shared = CartFactory(room=None, serves=[room])
        other_storeroom = StoreroomFactory()
        for place in (other_storeroom, other_shared, far, storeroom, shared, near, cart):
            put(place, 1)

        found = nearest([tube], room=room, at=NOON)[tube.pk]

        assert [one.place for one in found] == [cart, near, far, shared, other_shared, storeroom, other_storeroom]

    def test_leaves_out_what_is_out_of_date_and_who_has_none(self, room, cart, storeroom, tube, put, technician):
        put(cart, 1, LotFactory(consumable=tube, expires_on=date(2026, 3, 4)))
        put(storeroom, 2)

        (found,) = nearest([tube], room=room, at=NOON)[tube.pk]

        assert (found.place, found.pieces, found.counted_at) == (storeroom, 2, None)

    def test_says_when_it_was_counted(self, room, stocked_cart, tube):
        (found,) = nearest([tube], room=room, at=NOON)[tube.pk]

        assert (found.pieces, found.counted_at) == (5, datetime(2026, 3, 4, 12, tzinfo=UTC))  # of conftest


class TestBorrowing:
    def test_moves_the_pieces_to_the_cart_that_the_case_draws_on(self, room, stocked_cart, tube, put, clinician):
        other = put(CartFactory(), 2)
        borrow(source=other, room=room, consumable=tube, quantity=1, by=clinician, at=NOON, key="k")

        assert (other.on_hand(tube), stocked_cart.on_hand(tube)) == (1, 6)

    def test_of_a_line_that_no_cart_keeps_goes_to_the_first_cart_of_the_room(self, room, cart, tube, put, clinician):
        other = put(CartFactory(), 2)
        borrow(source=other, room=room, consumable=tube, quantity=1, by=clinician, at=NOON, key="k")

        assert cart.on_hand(tube) == 1

    def test_takes_the_lot_that_expires_first_out_of_a_storeroom(self, room, cart, storeroom, tube, put, clinician):
        for expires_on in (date(2028, 1, 1), date(2027, 1, 1)):
            put(storeroom, 1, LotFactory(consumable=tube, expires_on=expires_on))

        (movement,) = borrow(source=storeroom, room=room, consumable=tube, quantity=1, by=clinician, at=NOON, key="k")

        assert movement.lot.expires_on == date(2027, 1, 1)

    def test_sent_twice_is_one_movement(self, room, cart, storeroom, tube, put, clinician):
        for expires_on in (date(2028, 1, 1), date(2027, 1, 1)):
            put(storeroom, 1, LotFactory(consumable=tube, expires_on=expires_on))
        for _ in range(2):
            borrow(source=storeroom, room=room, consumable=tube, quantity=1, by=clinician, at=NOON, key="k")

        assert (storeroom.on_hand(tube), cart.on_hand(tube)) == (1, 1)

    def test_of_more_than_a_storeroom_holds_is_refused(self, room, cart, storeroom, tube, put, clinician):
        put(storeroom, 1)

        with pytest.raises(ledger.InsufficientStock):
            borrow(source=storeroom, room=room, consumable=tube, quantity=2, by=clinician, at=NOON, key="k")

    def test_for_a_room_without_any_cart_is_refused_with_what_to_do(self, storeroom, tube, put, clinician):
        put(storeroom, 1)

        with pytest.raises(ledger.Refused, match="log the use"):
            borrow(source=storeroom, room=RoomFactory(), consumable=tube, quantity=1, by=clinician, at=NOON, key="k")


def test_lot_that_ends_first_is_the_one_to_take(room, storeroom, tube, technician):
    for number, days in (("LATE", 90), ("SOON", 9), ("GONE", -1)):
        lot = LotFactory(consumable=tube, number=number, expires_on=NOON.date() + timedelta(days=days))
        ledger.receive(place=storeroom, consumable=tube, quantity=2, lot=lot, by=technician, at=NOON, key=number)

    [held] = nearest([tube], room=room, at=NOON)[tube.pk]

    assert (held.pieces, held.take_first.number) == (4, "SOON")
