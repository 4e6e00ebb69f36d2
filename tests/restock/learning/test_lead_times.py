"""Lead times learned from receipts, and what open orders bring in time."""

from datetime import UTC, date, datetime, timedelta

import pytest

from inventory import ledger, orders
from inventory.models import Receipt
from inventory.orders import Wanted
from restock.learning.lead_times import MOST_LEAD_DAYS, lead_times, on_order, policies_of
from restock.models import OrderPolicy
from tests.factories import ConsumableFactory, StockingLineFactory

TODAY = date(2026, 3, 4)


def at(days_ago, hour=9):
    day = TODAY - timedelta(days=days_ago)
    return datetime(day.year, day.month, day.day, hour, tzinfo=UTC)


@pytest.fixture
def shelf(storeroom, tube):
    return StockingLineFactory(place=storeroom, consumable=tube, par=40)


@pytest.fixture
def order(storeroom, tube, supervisor, technician):
    """`order(10, came={3: 20})`: 20 pieces ordered ten days ago, of which 20 came after three days."""
    numbers = iter(range(100))

    def make(days_ago, came=(), *, consumable=tube, pieces=20, expected_on=None):
        made = orders.start_order(
            storeroom=storeroom, number=f"R-{next(numbers)}", lines=[Wanted(consumable, pieces, 1)], by=supervisor,
            at=at(days_ago),
        )  # fmt: skip
        orders.place_order(
            order=made, by=supervisor, at=at(days_ago), expected=expected_on and {consumable.pk: expected_on}
        )
        for days, got in dict(came).items():
            movement = ledger.receive(
                place=storeroom, consumable=consumable, quantity=got, by=technician, at=at(days_ago - days, 15),
                key=f"{made.number} {days}",
            )  # fmt: skip
            Receipt.objects.create(movement=movement, order=made, order_line=made.lines.get())
        return made

    return make


def policy(shelf, department):
    [found] = policies_of([shelf], department, today=TODAY)
    return found


def mean(chances):
    return sum(day * chance for day, chance in enumerate(chances))


def test_without_an_order_the_policy_s_word_stands(shelf, department):
    assert policy(shelf, department).lead_chances() == pytest.approx([0, 0, 1 / 3, 1 / 3, 1 / 3])


def test_one_order_of_the_line_moves_what_is_believed_by_its_share(shelf, department, order):
    """A Dirichlet prior worth six order lines and one line after eight days: 1 in 7 for day eight, by hand."""
    order(30, {8: 20})

    chances = policy(shelf, department).lead_chances()

    assert chances == pytest.approx([0, 0, 2 / 7, 2 / 7, 2 / 7, 0, 0, 0, 1 / 7])


def test_a_line_never_ordered_leans_on_the_department_s_others(shelf, department, order, storeroom):
    other = StockingLineFactory(place=storeroom, consumable=ConsumableFactory())
    for _ in range(4):
        order(40, {10: 20}, consumable=other.consumable)

    chances = policy(shelf, department).lead_chances()

    assert chances[10] == pytest.approx(4 / 8)  # four lines against a policy worth four


def test_lines_with_another_stated_lead_time_are_not_pooled(shelf, department, order, storeroom):
    other = StockingLineFactory(place=storeroom, consumable=ConsumableFactory())
    OrderPolicy.objects.create(stocking_line=other, lead_days=10, lead_spread_days=2)
    order(40, {10: 20}, consumable=other.consumable)

    assert policy(shelf, department).learned_lead == ()


def test_an_order_in_two_parts_counts_by_its_pieces(shelf, department, order):
    order(30, {4: 15, 6: 5})

    chances = policy(shelf, department).lead_chances()

    assert chances[6] == pytest.approx(0.25 / 7)


def test_an_order_still_open_makes_the_lead_time_longer(shelf, department, order):
    order(20, {3: 20})
    before = mean(policy(shelf, department).lead_chances())
    order(12)

    assert mean(policy(shelf, department).lead_chances()) > before + 0.5


def test_an_order_closed_without_coming_teaches_nothing(shelf, department, order, supervisor):
    made = order(12)
    orders.close_lines(lines=made.lines.all(), by=supervisor, at=at(0))

    assert policy(shelf, department).learned_lead == ()


def test_a_receipt_taken_back_teaches_nothing(shelf, department, order, technician):
    made = order(12, {8: 20})
    ledger.reverse(movement=made.receipts.get().movement, by=technician, at=at(0), key="back", reason="wrong box")

    chances = policy(shelf, department).lead_chances()

    assert chances[8] == 0  # it is open at twelve days, and nothing more is known


def test_a_lead_time_that_the_supervisor_fixed_is_kept(shelf, department, order):
    OrderPolicy.objects.create(stocking_line=shelf, lead_days=2, lead_spread_days=0, lead_fixed=True)
    order(30, {8: 20})

    assert policy(shelf, department).lead_chances() == pytest.approx([0, 0, 1])


def test_a_very_late_delivery_counts_as_the_longest_wait(shelf, department, order):
    order(100, {70: 20})

    found = policy(shelf, department)

    assert found.longest_lead_days == MOST_LEAD_DAYS


def test_the_page_can_say_how_much_stands_behind_a_lead_time(shelf, department, order):
    order(30, {4: 20})
    order(20, {5: 20})

    [lead] = lead_times([OrderPolicy(stocking_line=shelf)], department, today=TODAY)

    assert (lead.own_lines, lead.all_lines, lead.low, lead.usual, lead.high) == (2, 2, 2, 3, 5)


@pytest.mark.parametrize(
    ("days_ahead", "told", "pieces"),
    [(5, None, 20), (30, None, 0), (-2, None, 20), (5, 40, 0), (None, None, 20)],
    ids=["in time", "too late", "late but not owed", "back-ordered till too late", "no day"],
)
def test_on_order_is_what_comes_while_an_order_is_waited_for(
    shelf, department, order, supervisor, storeroom, tube, days_ahead, told, pieces
):
    expected_on = None if days_ahead is None else TODAY + timedelta(days=days_ahead)
    made = order(1, expected_on=expected_on)
    if told:
        orders.tell_back_order(
            line=made.lines.get(), by=supervisor, at=at(0), key="k", expected_on=TODAY + timedelta(days=told)
        )

    assert on_order(department, [OrderPolicy(stocking_line=shelf)], today=TODAY) == (
        {(storeroom.pk, tube.pk): pieces} if pieces else {}
    )


def test_what_is_owed_without_a_day_is_not_counted_on(shelf, department, order, supervisor):
    made = order(1, expected_on=TODAY)
    orders.tell_back_order(line=made.lines.get(), by=supervisor, at=at(0), key="k")

    assert on_order(department, [OrderPolicy(stocking_line=shelf)], today=TODAY) == {}


def test_questions_do_not_grow_with_orders(shelf, department, order, django_assert_num_queries):
    order(30, {4: 20})
    with django_assert_num_queries(6):
        policy(shelf, department)
    for _ in range(4):
        order(20, {5: 10, 7: 10})

    with django_assert_num_queries(6):
        policy(shelf, department)


def test_part_on_back_order_till_too_late_is_not_counted_on_and_the_rest_is(
    shelf, department, order, supervisor, storeroom, tube
):
    line = order(1, expected_on=TODAY).lines.get()
    orders.tell_back_order(
        line=line, by=supervisor, at=at(0), key="k", pieces=8, expected_on=TODAY + timedelta(days=90)
    )

    assert on_order(department, [OrderPolicy(stocking_line=shelf)], today=TODAY) == {(storeroom.pk, tube.pk): 12}
