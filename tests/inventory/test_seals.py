import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import connections, transaction

from inventory import ledger, seals
from inventory.models import Count, SealEvent
from tests.conftest import NOON
from tests.factories import BinFactory, CartFactory, ConsumableFactory, StockingLineFactory, UserFactory

TODAY = NOON.date()
EARLY, LATE = TODAY + timedelta(days=40), TODAY + timedelta(days=400)


@pytest.fixture
def cart(department):
    return CartFactory(name="Airway cart", room=None, sealed=True)


@pytest.fixture
def lines(cart, tube):
    """A tube, and a drug that is the pharmacy's."""
    drug = ConsumableFactory(name="Dantrolene vial", size="20 mg", owner="pharmacy")
    for line in (tube, drug):
        StockingLineFactory(place=cart, consumable=line)
    return tube, drug


@pytest.fixture
def do(cart, technician):
    """`do(seals.open_cart, hours=1)`: so many hours after noon, by the technician."""

    def do(event, hours=0, by=technician, **told):
        told.setdefault("key", f"{event.__name__}-{hours}-{by}")
        return event(place=cart, by=by, at=NOON + timedelta(hours=hours), **told)

    return do


@pytest.fixture
def seen(cart, technician):
    """`seen(1, consumable=tube, counted=4)`: a line of the opened cart, checked so many hours after noon."""

    def seen(hours, *, by=technician, key="seen", **told):
        at = NOON + timedelta(hours=hours)
        return seals.check_lines(place=cart, seen=[seals.LineSeen(key=f"{key}-{hours}", **told)], by=by, at=at)

    return seen


@pytest.fixture
def check(seen, lines):
    def check(hours=1, by=None, dates=(LATE, EARLY)):
        by = {"by": by} if by else {}
        tube, drug = lines
        seen(hours, consumable=tube, counted=4, earliest_expires_on=dates[0], key=f"t{hours}", **by)
        seen(hours, consumable=drug, present=True, earliest_expires_on=dates[1], key=f"d{hours}", **by)

    return check


def close(do, hours=2, number="4711", earliest=EARLY, **told):
    return do(seals.close_cart, hours, seal_on=number, earliest_expires_on=earliest, **told)


def test_cart_is_closed_by_the_one_who_checked_every_line(do, check, cart, technician):
    check()

    close(do)

    standing = seals.standing_of(cart)
    assert (standing.number, standing.closing.by, standing.closing.earliest_expires_on) == ("4711", technician, EARLY)


def test_unchecked_line_keeps_a_cart_from_being_closed(seen, do, lines, cart):
    seen(1, consumable=lines[0], counted=4)

    with pytest.raises(ledger.Refused, match=r"1 line is not checked by you since it was opened: Dantrolene"):
        close(do)
    assert not seals.standing_of(cart).is_closed


def test_check_by_another_person_does_not_count(do, check):
    check()

    with pytest.raises(ledger.Refused, match="2 lines are not checked by you"):
        close(do, by=UserFactory(username="other"))


@pytest.mark.parametrize("opening", [seals.open_cart, seals.found_broken])
def test_opened_cart_asks_for_the_whole_check_again(do, check, cart, opening):
    check()
    close(do)
    do(opening, 3)

    with pytest.raises(ledger.Refused, match="2 lines are not checked"):
        close(do, 4, "4712")
    check(5)

    assert close(do, 6, "4712").seal_on == "4712"


def test_count_made_for_another_reason_is_no_check(do, lines, cart, technician):
    ledger.count(place=cart, consumable=lines[0], counted=4, by=technician, at=NOON, key="count")

    assert not any(one.is_checked for one in seals.line_checks(cart))


def test_check_of_a_line_is_a_count_and_a_date_like_any_other(seen, lines, cart):
    seen(1, consumable=lines[0], counted=4, earliest_expires_on=LATE)

    assert cart.on_hand(lines[0]) == 4
    assert cart.date_checks.get().earliest_expires_on == LATE


def test_drug_is_checked_for_presence_and_date_and_never_counted_when_there(seen, lines, cart):
    seen(1, consumable=lines[1], present=True, earliest_expires_on=LATE, key="there")
    assert not Count.objects.exists()
    seen(2, consumable=lines[1], present=False, key="gone")

    assert [one.present for one in seals.line_checks(cart)] == [None, False]
    with pytest.raises(ledger.Refused, match="Say whether Dantrolene vial, 20 mg is there"):
        seen(3, consumable=lines[1])


def test_date_outside_is_not_later_than_one_that_was_read_inside(do, check):
    check()

    for wrong in (LATE, None):
        with pytest.raises(ledger.Refused, match="earlier date inside"):
            close(do, earliest=wrong)
    assert close(do, earliest=EARLY - timedelta(days=10)).kind == "closed"


def test_earliest_date_read_is_what_is_suggested(check, cart):
    check()

    assert seals.earliest_inside(seals.line_checks(cart)) == EARLY


def test_intact_seal_in_date_was_seen_today(do, check, cart):
    check()
    close(do)
    do(seals.seen_intact, 30)

    standing = seals.standing_of(cart)
    assert standing.was_seen(on=TODAY + timedelta(days=1))
    assert not standing.was_seen(on=TODAY + timedelta(days=2))
    assert standing.number == "4711"


def test_cart_whose_date_has_passed_cannot_be_seen_in_date(do, check, cart):
    check()
    close(do)
    day_after = (EARLY - TODAY).days + 1

    with pytest.raises(ledger.Refused, match="has passed: open it"):
        do(seals.seen_intact, 24 * day_after)
    assert do(seals.seen_intact, 24 * (day_after - 1))


def test_open_cart_cannot_be_seen_intact(do, cart):
    do(seals.open_cart, seal_off="4711")

    with pytest.raises(ledger.Refused, match="not under a seal"):
        do(seals.seen_intact, 1)


def test_closed_cart_is_not_checked_line_by_line_behind_its_seal(seen, do, check, lines, cart):
    check()
    close(do)

    with pytest.raises(ledger.Refused, match="open it first"):
        seen(3, consumable=lines[0], counted=1, key="late")
    assert cart.on_hand(lines[0]) == 4


def test_same_event_sent_twice_is_one(do, check, cart):
    check()
    first = close(do)

    assert close(do) == first
    assert do(seals.seen_intact, 3) == do(seals.seen_intact, 3)
    assert SealEvent.objects.count() == 2
    with pytest.raises(ledger.KeyReused):
        close(do, number="9")


def test_closing_without_a_number_is_refused(do, check):
    check()

    with pytest.raises(ValidationError, match="number of the new seal"):
        close(do, number=" ")


def test_seal_that_came_off_closes_nothing_again(do, check):
    check()
    close(do, number="4711")
    do(seals.open_cart, 3, seal_off="4711")
    check(hours=4)

    with pytest.raises(ledger.Refused, match="Seal 4711 was on this cart before"):
        close(do, hours=5, number=" 4711 ")
    assert close(do, hours=5, number="4712").seal_on == "4712"


@pytest.mark.parametrize(("off", "told"), [("4799", "4799"), ("4711", ""), ("", "")])
def test_other_seal_than_the_one_put_on_is_noticed(do, check, cart, off, told):
    check()
    close(do, number="4711")

    do(seals.found_broken, 3, seal_off=off)

    assert seals.standing_of(cart).other_seal_off == told


def test_cart_that_is_kept_open_has_no_seal_book(technician, room):
    with pytest.raises(ledger.Refused, match="not kept under a seal"):
        seals.open_cart(place=CartFactory(room=room), by=technician, at=NOON, key="k")


def test_check_goes_through_the_drawers_and_ends_with_what_has_none(cart):
    lower, upper = (BinFactory(place=cart, walk_order=order) for order in (2, 1))
    kept = [StockingLineFactory(place=cart, bin=bin) for bin in (None, lower, upper)]

    assert [check.line for check in seals.line_checks(cart)] == kept[::-1]


@pytest.mark.django_db(transaction=True)
def test_seal_is_not_seen_intact_while_somebody_opens_the_cart(do, check):
    check()
    close(do)
    opened = threading.Event()

    def look():
        opened.wait(timeout=30)
        try:
            return do(seals.seen_intact, 4, by=looker)
        except ledger.Refused as refused:
            return refused
        finally:
            connections.close_all()

    looker = UserFactory(username="looker")
    with ThreadPoolExecutor(1) as pool:
        looking = pool.submit(look)
        with transaction.atomic():
            do(seals.open_cart, 3)
            opened.set()
            time.sleep(0.5)  # long enough for who looks to ask while the cart is being opened
    assert isinstance(looking.result(), ledger.Refused)
    assert not SealEvent.objects.filter(kind="intact").exists()


def test_standings_of_many_carts_are_one_query(department, django_assert_num_queries):
    places = [CartFactory(room=None, sealed=True) for _ in range(5)]

    with django_assert_num_queries(1):
        assert not any(one.is_closed for one in seals.standings(places).values())
