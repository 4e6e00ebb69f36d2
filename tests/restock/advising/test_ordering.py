"""Orders put together from the forecast, and the days on which they may be expected."""

from dataclasses import replace
from datetime import timedelta

import pytest

from inventory import orders
from inventory.models import Order, Owner
from inventory.orders import Wanted
from restock import jobs
from restock.advising.order_reasons import cover_of
from restock.models import OrderPolicy, WorkRequest
from restock.sentences import from_json
from restock.supervising import ordering
from tests.factories import CaseTypeFactory, ConsumableFactory, PackagingFactory, StockingLineFactory, StoreroomFactory

from .conftest import TODAY, TONIGHT


@pytest.fixture
def three_a_day(storeroom, cart, room, tube, a_past):
    """Four weeks of three tubes a day, from a cart with a par of four; packs of twelve, an empty storeroom."""
    shelf = StockingLineFactory(place=storeroom, consumable=tube, par=40)
    StockingLineFactory(place=cart, consumable=tube, par=4)
    PackagingFactory(consumable=tube, pieces_per_pack=12)
    a_past(room, CaseTypeFactory(), 28, [{tube: 1}] * 3)
    return shelf


@pytest.fixture
def draft(three_a_day, storeroom, supervisor):
    [made] = ordering.put_together(storeroom.department, by=supervisor, at=TONIGHT, today=TODAY)
    return made


def test_an_order_holds_whole_packs_and_says_why(draft, tube):
    line = draft.lines.get()

    assert (line.consumable, line.pieces_per_pack) == (tube, 12)
    assert 30 <= line.pieces - 4 < 62  # ten days at three a day, something on top, and what the cart lacks
    said = str(from_json(line.reason))
    assert said.startswith("Lasts not a day, then 1")
    assert (
        "4 owed to carts; about 3 a day are used, a delivery takes 2 to 4 days and orders go out every 7 days" in said
    )
    assert "19 of 20 times" in said


def test_orders_asked_for_on_the_page_are_put_together_beside_it(three_a_day, department, supervisor, monkeypatch):
    monkeypatch.setattr("django.utils.timezone.now", lambda: TONIGHT)
    request = jobs.ask(department=department, kind=WorkRequest.Kind.ORDERS, by=supervisor, at=TONIGHT)
    jobs.work_off(department)
    request.refresh_from_db()
    assert (request.state, request.why_not) == (WorkRequest.State.DONE, "")
    made = Order.objects.get()
    assert made.lines.count() == 1
    ordering.place(made, by=supervisor, at=TONIGHT, today=TODAY)

    again = jobs.ask(department=department, kind=WorkRequest.Kind.ORDERS, by=supervisor, at=TONIGHT)
    jobs.work_off(department)
    again.refresh_from_db()

    assert (again.state, again.why_not) == (WorkRequest.State.FAILED, jobs.NO_ORDER)


@pytest.mark.django_db(transaction=True)
def test_others_can_write_while_orders_are_worked_out(three_a_day, department, supervisor, leaves_others_free):
    leaves_others_free("restock.supervising.ordering.advise_orders")

    jobs.WORK[WorkRequest.Kind.ORDERS](WorkRequest(department=department, asked_by=supervisor), TONIGHT)

    assert Order.objects.get().lines.count() == 1


def test_orders_are_begun_all_or_none(three_a_day, department, supervisor, monkeypatch):
    [one] = ordering.advise_orders(department, today=TODAY)
    both = [one, replace(one, place=StoreroomFactory(code="SECOND"))]
    start_order, begun = orders.start_order, []

    def interrupted(**order):
        if begun:
            raise ConnectionError
        begun.append(start_order(**order))

    monkeypatch.setattr(ordering, "advise_orders", lambda *args, **told: both)
    monkeypatch.setattr(orders, "start_order", interrupted)
    with pytest.raises(ConnectionError):
        ordering.put_together(department, by=supervisor, at=TONIGHT, today=TODAY)

    assert begun
    assert not Order.objects.exists()


def test_what_was_just_ordered_is_not_proposed_again(draft, storeroom, supervisor):
    ordering.place(draft, by=supervisor, at=TONIGHT, today=TODAY)

    assert ordering.put_together(storeroom.department, by=supervisor, at=TONIGHT, today=TODAY) == []


def test_a_draft_counts_for_nothing(draft, storeroom, supervisor):
    [again] = ordering.put_together(storeroom.department, by=supervisor, at=TONIGHT, today=TODAY)

    assert again.lines.get().packs == draft.lines.get().packs


def test_a_line_is_expected_after_its_usual_lead_time(draft, three_a_day, supervisor):
    OrderPolicy.objects.create(stocking_line=three_a_day, lead_days=6, lead_spread_days=2)

    ordering.place(draft, by=supervisor, at=TONIGHT, today=TODAY)

    assert draft.lines.get().expected_on == TODAY + timedelta(days=6)


def test_a_line_that_the_storeroom_does_not_keep_is_expected_by_the_defaults(storeroom, supervisor):
    order = orders.start_order(
        storeroom=storeroom, number="R-1", lines=[Wanted(ConsumableFactory(), 1, 1)], by=supervisor, at=TONIGHT
    )

    ordering.place(order, by=supervisor, at=TONIGHT, today=TODAY)

    assert order.lines.get().expected_on == TODAY + timedelta(days=3)


def test_the_pharmacy_s_lines_are_not_ordered_here(three_a_day, storeroom, tube, supervisor):
    tube.owner = Owner.PHARMACY
    tube.save()

    assert ordering.put_together(storeroom.department, by=supervisor, at=TONIGHT, today=TODAY) == []


@pytest.mark.parametrize(
    ("cover", "open_ended", "words"),
    [((0, 0, 0), False, "not a day"), ((2, 3, 5), False, "2 to 5 days"), ((1, 1, 1), False, "1 day"),
     ((9, 14, 14), True, "9 to 14 days or more"), ((14, 14, 14), True, "14 days or more")],
)  # fmt: skip
def test_cover_is_said_as_a_range(cover, open_ended, words):
    assert str(cover_of(cover, open_ended)) == words
