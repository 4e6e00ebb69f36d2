"""Orders: put together, placed, partly come, late, complete, closed."""

from datetime import date, timedelta

import pytest

from inventory import ledger, orders
from inventory.models import BackOrder, OrderLine, Receipt
from inventory.orders import OrderRefused, State, Wanted
from tests.conftest import NOON
from tests.factories import ConsumableFactory

TODAY = NOON.date()


@pytest.fixture
def draft(storeroom, tube, supervisor):
    return orders.start_order(
        storeroom=storeroom, number="R-1", lines=[Wanted(tube, 3, 10, "why")], by=supervisor, at=NOON
    )


@pytest.fixture
def placed(draft, tube, supervisor):
    return orders.place_order(order=draft, by=supervisor, at=NOON, expected={tube.pk: TODAY + timedelta(days=3)})


@pytest.fixture
def come(placed, storeroom, tube, technician):
    """`come(12)`: so many pieces of the order's one line came in."""

    def receive(pieces):
        movement = ledger.receive(
            place=storeroom, consumable=tube, quantity=pieces, by=technician, at=NOON, key=f"come {pieces}"
        )
        return Receipt.objects.create(movement=movement, order=placed, order_line=placed.lines.get())

    return receive


def state(order, on=TODAY):
    order.refresh_from_db()
    return orders.state_of(order, orders.orders_with_lines([order]).get(order.pk, []), today=on)


def only(order):
    [standing] = orders.standings(OrderLine.objects.filter(order=order))
    return standing


def test_an_order_is_put_together_placed_partly_come_and_complete(draft, placed, come):
    assert state(draft) == State.PLACED
    come(12)
    assert state(placed) == State.PARTLY
    assert only(placed).open == 18
    come(18)
    assert state(placed) == State.COMPLETE


def test_nothing_is_expected_of_an_order_that_nobody_placed(draft, department):
    assert state(draft) == State.DRAFT
    assert orders.coming(department, today=TODAY) == []


def test_an_order_is_late_once_its_day_has_passed(placed):
    assert state(placed, TODAY + timedelta(days=3)) == State.PLACED
    assert state(placed, TODAY + timedelta(days=4)) == State.LATE


def test_a_reversed_receipt_is_open_again(placed, come, technician):
    receipt = come(30)
    ledger.reverse(movement=receipt.movement, by=technician, at=NOON, key="back", reason="wrong box")

    assert only(placed).open == 30
    assert state(placed) == State.PLACED


def test_more_than_ordered_leaves_nothing_open_and_says_how_much(placed, come):
    come(35)

    assert (only(placed).open, only(placed).over) == (0, 5)
    assert state(placed) == State.COMPLETE


def test_a_line_can_be_closed_and_opened_again(placed, come, supervisor):
    come(12)
    orders.close_lines(lines=placed.lines.all(), by=supervisor, at=NOON)
    assert (only(placed).open, state(placed)) == (0, State.CLOSED)

    orders.reopen_line(line=placed.lines.get())
    assert (only(placed).open, state(placed)) == (18, State.PARTLY)


def test_the_newest_back_order_says_when_it_comes(placed, supervisor, department):
    line, soon, later = placed.lines.get(), TODAY + timedelta(days=5), TODAY + timedelta(days=20)
    told = {"line": line, "by": supervisor, "at": NOON}
    orders.tell_back_order(**told, key="a", expected_on=soon)
    orders.tell_back_order(**told, key="b", expected_on=later, note="short at the maker's")
    [due] = orders.coming(department, today=TODAY)
    assert (due.expected_on, due.pieces, due.back_ordered, due.late) == (later, 30, True, False)

    orders.tell_back_order(**told, key="c", withdrawn=True)
    assert only(placed).expected_on == TODAY + timedelta(days=3)


def test_a_part_on_back_order_leaves_the_rest_expected_as_before(placed, supervisor, department):
    later = TODAY + timedelta(days=20)
    orders.tell_back_order(line=placed.lines.get(), by=supervisor, at=NOON, key="a", expected_on=later, pieces=20)

    due = [(one.pieces, one.expected_on, one.back_ordered) for one in orders.coming(department, today=TODAY)]
    assert due == [(10, TODAY + timedelta(days=3), False), (20, later, True)]
    assert only(placed).expected_on == TODAY + timedelta(days=3)
    assert state(placed, TODAY + timedelta(days=3)) == State.PLACED
    assert state(placed, TODAY + timedelta(days=4)) == State.LATE


def test_what_comes_is_taken_for_what_is_not_on_back_order_first(placed, come, supervisor, department):
    later = TODAY + timedelta(days=20)
    orders.tell_back_order(line=placed.lines.get(), by=supervisor, at=NOON, key="a", expected_on=later, pieces=20)
    come(10)
    assert [(one.pieces, one.expected_on) for one in orders.coming(department, today=TODAY)] == [(20, later)]
    assert (only(placed).expected_on, state(placed, TODAY + timedelta(days=4))) == (later, State.PARTLY)
    come(15)

    assert only(placed).owed == 5


def test_no_more_can_be_on_back_order_than_is_still_to_come(placed, come, supervisor):
    come(12)
    told = {"line": placed.lines.get(), "by": supervisor, "at": NOON}

    with pytest.raises(OrderRefused, match="Only 18 pieces of this line are still to come"):
        orders.tell_back_order(**told, key="a", pieces=19)
    orders.tell_back_order(**told, key="b", pieces=18)
    assert only(placed).owed == 18


def test_a_back_order_without_a_day_is_late_at_once(placed, supervisor):
    orders.tell_back_order(line=placed.lines.get(), by=supervisor, at=NOON, key="a")

    assert state(placed) == State.LATE


def test_a_back_order_is_not_expected_on_a_day_that_has_passed(placed, supervisor):
    told = {"line": placed.lines.get(), "by": supervisor, "at": NOON}

    with pytest.raises(OrderRefused, match="This day has passed"):
        orders.tell_back_order(**told, key="a", expected_on=TODAY - timedelta(days=1))
    assert orders.tell_back_order(**told, key="b", expected_on=TODAY).expected_on == TODAY


def test_a_back_order_told_twice_is_kept_once(placed, supervisor):
    for _ in range(2):
        orders.tell_back_order(line=placed.lines.get(), by=supervisor, at=NOON, key="same")

    assert BackOrder.objects.count() == 1


def test_a_key_told_again_with_another_day_is_refused_and_the_first_notice_stands(placed, supervisor):
    told = {"line": placed.lines.get(), "by": supervisor, "at": NOON, "key": "same"}
    orders.tell_back_order(**told, expected_on=TODAY)

    with pytest.raises(OrderRefused, match="recorded before with other content"):
        orders.tell_back_order(**told, expected_on=TODAY + timedelta(days=5))
    assert only(placed).expected_on == TODAY


def test_nothing_late_can_be_said_of_what_has_come(placed, come, supervisor):
    come(30)

    with pytest.raises(OrderRefused, match="Nothing of this line is open"):
        orders.tell_back_order(line=placed.lines.get(), by=supervisor, at=NOON, key="a", expected_on=TODAY)


@pytest.mark.parametrize("act", ["packs", "line", "drop"])
def test_what_was_placed_stays_as_it_was_sent(placed, act):
    line = placed.lines.get()
    acts = {
        "packs": lambda: orders.set_packs(order=placed, packs={line.pk: 5}),
        "line": lambda: orders.add_line(order=placed, consumable=ConsumableFactory(), packs=1, pieces_per_pack=1),
        "drop": lambda: orders.drop_order(order=placed),
    }

    with pytest.raises(OrderRefused, match="stays as it was sent"):
        acts[act]()
    line.refresh_from_db()
    assert line.packs == 3


def test_packs_change_while_it_is_put_together_and_none_takes_a_line_off(draft, tube):
    other = orders.add_line(order=draft, consumable=ConsumableFactory(), packs=2, pieces_per_pack=5)

    assert orders.set_packs(order=draft, packs={draft.lines.get(consumable=tube).pk: 7, other.pk: 0}) == 2
    assert list(draft.lines.values_list("consumable", "packs")) == [(tube.pk, 7)]


def test_a_line_stands_on_an_order_once(draft, tube):
    with pytest.raises(OrderRefused, match="already has this line"):
        orders.add_line(order=draft, consumable=tube, packs=1, pieces_per_pack=1)


def test_an_order_of_nothing_is_not_placed(storeroom, supervisor):
    empty = orders.start_order(storeroom=storeroom, number="R-2", lines=[], by=supervisor, at=NOON)

    with pytest.raises(OrderRefused, match="add a line first"):
        orders.place_order(order=empty, by=supervisor, at=NOON)


def test_placed_twice_keeps_who_and_when_it_was_first(placed, technician):
    orders.place_order(order=placed, by=technician, at=NOON + timedelta(days=1))

    placed.refresh_from_db()
    assert (placed.placed_by.username, placed.placed_at) == ("supervisor", NOON)


def test_a_number_is_used_once_in_a_storeroom(draft, storeroom, supervisor):
    assert orders.next_number(storeroom) == "MAIN-002"

    with pytest.raises(OrderRefused, match="already has an order of that number"):
        orders.start_order(storeroom=storeroom, number="R-1", lines=[], by=supervisor, at=NOON)


def test_what_is_coming_stands_soonest_first(placed, storeroom, supervisor, department):
    other = ConsumableFactory()
    more = orders.start_order(storeroom=storeroom, number="R-2", lines=[Wanted(other, 1, 5)], by=supervisor, at=NOON)
    orders.place_order(order=more, by=supervisor, at=NOON, expected={other.pk: date(2026, 3, 5)})

    assert [due.consumable_id for due in orders.coming(department, today=TODAY)] == [
        other.pk, placed.lines.get().consumable_id
    ]  # fmt: skip
