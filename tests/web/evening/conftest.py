"""Lines to carry tonight, and whose carts they are."""

from datetime import date

import pytest
from django.utils import timezone

from inventory import ledger
from restock.plans import claiming
from tests.factories import (
    CartFactory,
    LotFactory,
    UserFactory,
)


@pytest.fixture
def colleague(db):
    return UserFactory(username="colleague", groups=["technician"])


@pytest.fixture
def other_cart(department):
    return CartFactory(code="CART-2", name="Cart 2", room=None, walk_order=2)


@pytest.fixture
def add_pick(add_line, storeroom, technician):
    """`add_pick(name="Bougie", quantity=4, held=10, lot=True)`: a line with a pick from a storeroom that holds ten."""

    def add(*, quantity=4, held=10, lot=True, bin=None, consumable=None, **line):
        line = add_line(consumable, top_up=quantity, allocated=quantity, **line)
        item = line.consumable
        of = LotFactory(consumable=item, number=f"L{item.pk}", expires_on=date(2029, 6, 30)) if lot else None
        if not storeroom.on_hand(item):
            now = timezone.now()
            ledger.receive(
                place=storeroom, consumable=item, quantity=held, by=technician, at=now, key=f"in {item.pk}", lot=of
            )
        return line.picks.create(storeroom=storeroom, quantity=quantity, lot=of, bin=bin)

    return add


@pytest.fixture
def mine(plan, technician):
    """`mine(cart)`: the technician takes a cart."""

    def take(*carts):
        return claiming.take(plan, [cart.pk for cart in carts], by=technician, at=timezone.now())[0]

    return take
