"""Many people at once. Threads with connections of their own, on a database file or server as in real use."""

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from django.db import connections, transaction

from inventory import ledger
from inventory.models import Count, Movement
from tests.factories import CartFactory, ConsumableFactory, LotFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
PEOPLE = 20

pytestmark = pytest.mark.django_db(transaction=True)


def all_at_once(act, times=PEOPLE):
    """Call act(0), act(1), ... each in a thread of its own, all from one start; what they returned or raised."""
    start = threading.Barrier(times)

    def one(number):
        try:
            start.wait(timeout=30)
            return act(number)
        except Exception as error:
            return error
        finally:
            connections.close_all()

    with ThreadPoolExecutor(max_workers=times) as people:
        return list(people.map(one, range(times)))


def kinds_of(results):
    return {kind: sum(type(r) is kind for r in results) for kind in {type(r) for r in results}}


def test_last_ten_pieces_of_a_storeroom_are_issued_to_ten_of_twenty(storeroom, cart, tube, technician):
    ledger.receive(place=storeroom, consumable=tube, quantity=10, by=technician, at=NOON, key="receipt")

    results = all_at_once(
        lambda n: ledger.move(
            source=storeroom,
            destination=cart,
            consumable=tube,
            quantity=1,
            by=technician,
            at=NOON,
            key=f"issue-{n}",
        )
    )

    assert kinds_of(results) == {Movement: 10, ledger.InsufficientStock: 10}
    assert (storeroom.on_hand(tube), cart.on_hand(tube)) == (0, 10)
    assert ledger.differences() == []


def test_twenty_people_log_on_one_cart_and_nothing_is_lost(stocked_cart, tube, clinician):
    lot = LotFactory(consumable=tube)
    ledger.receive(place=stocked_cart, consumable=tube, lot=lot, quantity=7, by=clinician, at=NOON, key="receipt")

    results = all_at_once(
        lambda n: ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key=f"use-{n}")
    )

    assert kinds_of(results) == {Movement: PEOPLE}
    assert Movement.objects.filter(kind="use", lot=lot).count() == 7
    assert stocked_cart.on_hand(tube) == 5 + 7 - PEOPLE
    assert ledger.differences() == []


def test_same_key_sent_by_twenty_at_once_is_one_movement(stocked_cart, tube, clinician):
    results = all_at_once(
        lambda n: ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")
    )

    assert kinds_of(results) == {Movement: PEOPLE}
    assert len({movement.pk for movement in results}) == 1
    assert stocked_cart.on_hand(tube) == 4


def test_same_key_sent_for_twenty_carts_at_once_is_kept_for_one_of_them(department, tube, clinician):
    carts = CartFactory.create_batch(PEOPLE)

    results = all_at_once(
        lambda n: ledger.use(place=carts[n], consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")
    )

    assert kinds_of(results) == {Movement: 1, ledger.KeyReused: PEOPLE - 1}
    assert sorted(cart.on_hand(tube) for cart in carts) == [-1] + [0] * (PEOPLE - 1)
    assert ledger.differences() == []


def test_same_count_sent_by_twenty_at_once_adjusts_once(stocked_cart, tube, technician):
    results = all_at_once(
        lambda n: ledger.count(place=stocked_cart, consumable=tube, counted=2, by=technician, at=NOON, key="c")
    )

    assert kinds_of(results) == {Count: PEOPLE}
    assert stocked_cart.on_hand(tube) == 2


def test_movement_that_twenty_take_back_at_once_is_reversed_once(stocked_cart, tube, clinician):
    use = ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")

    results = all_at_once(
        lambda n: ledger.reverse(movement=use, by=clinician, at=NOON, key=f"undo-{n}", reason="wrong room")
    )

    assert kinds_of(results) == {Movement: 1, ledger.NotReversible: PEOPLE - 1}
    assert stocked_cart.on_hand(tube) == 5


def test_loads_that_touch_the_same_lines_in_opposite_order_both_finish(storeroom, cart, technician):
    """The order of locks is the ledger's, not the caller's: otherwise PostgreSQL ends one of them as a deadlock."""
    lines = ConsumableFactory.create_batch(30)
    entry = ledger.Entry(
        kind=Movement.Kind.MOVE,
        source=cart,
        destination=storeroom,
        consumable=lines[0],
        quantity=1,
        at=NOON,
        key="load",
    )

    def load(n):
        order = lines if n % 2 else lines[::-1]
        entries = [replace(entry, consumable=line, key=f"load-{n}-{line.pk}") for line in order]
        return len(ledger.record(entries, by=technician))

    assert all_at_once(load) == [30] * PEOPLE
    assert {storeroom.on_hand(line) for line in lines} == {PEOPLE}
    assert ledger.differences() == []


def test_cases_of_several_lines_logged_at_once_in_the_order_of_their_lines_all_finish(cart, clinician):
    lines = ConsumableFactory.create_batch(5)

    @transaction.atomic
    def log_case(n):
        for line in lines:
            ledger.use(place=cart, consumable=line, quantity=1, by=clinician, at=NOON, key=f"case-{n}-{line.pk}")

    assert all_at_once(log_case) == [None] * PEOPLE
    assert {cart.on_hand(line) for line in lines} == {-PEOPLE}
