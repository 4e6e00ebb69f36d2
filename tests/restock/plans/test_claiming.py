"""Carts taken for tonight: one person each, given back, handed over, and never lost between two."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from django.db import IntegrityError, connections, transaction

from inventory.departments import open_department
from restock.models import Claim
from restock.plans import claiming, planning
from tests.factories import CartFactory, ConsumableFactory, StockingLineFactory, UserFactory

from ..pick_lists import EVENING, make_line, make_plan

LATER = EVENING + timedelta(minutes=20)


@pytest.fixture
def colleague(db):
    return UserFactory(username="colleague", groups=["technician"])


@pytest.fixture
def plan(department, technician, cart, tube):
    plan = make_plan(department, by=technician)
    make_line(plan, cart, tube)
    return plan


def held_by(plan):
    return {claim.place.code: claim.by.username for claim in claiming.claims_of(plan)}


def test_cart_that_a_colleague_has_taken_stays_the_colleague_s(plan, cart, technician, colleague):
    claiming.take(plan, [cart.pk], by=colleague, at=EVENING)

    mine, others = claiming.take(plan, [cart.pk], by=technician, at=LATER)

    assert mine == []
    assert [claim.by for claim in others] == [colleague]
    assert held_by(plan) == {"CART-1": "colleague"}


def test_taking_the_same_cart_twice_is_one_claim(plan, cart, technician):
    claiming.take(plan, [cart.pk], by=technician, at=EVENING)

    mine, _ = claiming.take(plan, [cart.pk], by=technician, at=LATER)

    assert [claim.at for claim in mine] == [EVENING]


def test_place_that_is_no_cart_of_the_plan_cannot_be_taken(plan, storeroom, technician):
    elsewhere = CartFactory(code="CART-9")

    assert claiming.take(plan, [storeroom.pk, elsewhere.pk], by=technician, at=EVENING) == ([], [])


def test_second_open_claim_of_a_cart_is_refused_by_the_database(plan, cart, technician, colleague):
    Claim.objects.create(plan=plan, place=cart, by=technician, at=EVENING)

    with pytest.raises(IntegrityError, match=r"cart_claimed_by_one|restock_claim"), transaction.atomic():
        Claim.objects.create(plan=plan, place=cart, by=colleague, at=EVENING)


def test_cart_given_back_can_be_taken_by_anyone(plan, cart, department, technician, colleague):
    (claim,), _ = claiming.take(plan, [cart.pk], by=technician, at=EVENING)

    assert claiming.give_back(claim.pk, department=department, by=technician, at=LATER)
    claiming.take(plan, [cart.pk], by=colleague, at=LATER)

    assert held_by(plan) == {"CART-1": "colleague"}


def test_colleague_cannot_give_back_what_is_not_theirs(plan, cart, department, technician, colleague):
    (claim,), _ = claiming.take(plan, [cart.pk], by=technician, at=EVENING)

    assert not claiming.give_back(claim.pk, department=department, by=colleague, at=LATER)
    assert held_by(plan) == {"CART-1": "technician"}


def test_handing_over_keeps_who_had_it_before(plan, cart, department, technician, colleague):
    (claim,), _ = claiming.take(plan, [cart.pk], by=technician, at=EVENING)

    claiming.hand_over(claim.pk, department=department, to=colleague, at=LATER)

    assert held_by(plan) == {"CART-1": "colleague"}
    assert [(c.by.username, c.ended_at) for c in plan.claims.all()] == [("technician", LATER), ("colleague", None)]


def test_claim_that_has_ended_cannot_be_handed_over(plan, cart, department, technician, colleague):
    (claim,), _ = claiming.take(plan, [cart.pk], by=technician, at=EVENING)
    claiming.give_back(claim.pk, department=department, by=technician, at=LATER)

    assert claiming.hand_over(claim.pk, department=department, to=colleague, at=LATER) is None
    assert held_by(plan) == {}


def test_claim_of_another_department_does_not_exist(plan, cart, technician):
    other = open_department(code="other", name="Another department")
    (claim,), _ = claiming.take(plan, [cart.pk], by=technician, at=EVENING)

    assert not claiming.give_back(claim.pk, department=other, by=technician, at=LATER)
    assert claiming.hand_over(claim.pk, department=other, to=technician, at=LATER) is None


@pytest.mark.django_db(transaction=True)
def test_of_ten_who_take_the_same_three_carts_at_once_each_cart_has_one(plan, department):
    carts = [CartFactory() for _ in range(3)]
    for one in carts:
        make_line(plan, one, ConsumableFactory())
    people = [UserFactory() for _ in range(10)]
    start = threading.Barrier(len(people))

    def take(person):
        start.wait(timeout=30)
        try:
            return len(claiming.take(plan, [one.pk for one in carts], by=person, at=EVENING)[0])
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(people)) as pool:
        taken = list(pool.map(take, people))

    assert sum(taken) == 3
    assert Claim.objects.filter(ended_at__isnull=True).count() == 3


def test_who_took_a_cart_keeps_it_on_a_newer_plan(department, plan, cart, technician, colleague):
    claiming.take(plan, [cart.pk], by=colleague, at=EVENING)

    newer = planning.make_plan(department=department, for_date=plan.for_date, at=LATER, by=technician)

    assert held_by(newer) == {cart.code: "colleague"}
    assert held_by(plan) == {}


def test_cart_taken_on_the_page_of_an_earlier_plan_is_taken_on_the_newest(department, plan, cart, tube, technician):
    StockingLineFactory(place=cart, consumable=tube)
    newer = planning.make_plan(department=department, for_date=plan.for_date, at=LATER, by=technician)

    claiming.take(plan, [cart.pk], by=technician, at=LATER)

    assert held_by(newer) == {cart.code: "technician"}


def test_claim_on_another_day_s_plan_is_left_alone(department, plan, cart, technician):
    claiming.take(plan, [cart.pk], by=technician, at=EVENING)

    planning.make_plan(department=department, for_date=plan.for_date + timedelta(days=1), at=LATER, by=technician)

    assert held_by(plan) == {cart.code: "technician"}
