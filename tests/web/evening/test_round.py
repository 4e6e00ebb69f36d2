"""The carts of the evening: taken, given back, handed over; and what holds for all its pages."""

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory.departments import open_department
from restock.models import Claim
from restock.plans import claiming
from tests.factories import (
    CartFactory,
    ConsumableFactory,
    UserFactory,
)

from ..test_pages import order, words
from ..test_query_counts import queries
from .steps import PAGES, address


class TestCarts:
    def test_stand_in_walking_order_with_what_each_needs(self, signed_in, add_pick, cart, other_cart):
        add_pick(place=other_cart, quantity=3)
        add_pick(quantity=4)
        add_pick(quantity=1, on_hand=-2)

        answer = signed_in.get(reverse("round"))

        assert order(answer, "Cart 1", "Cart 2") == ["Cart 1", "Cart 2"]
        assert "2 lines, 5 pieces 1 to count" in words(answer)
        assert "1 line, 3 pieces" in words(answer)

    def test_ticked_cart_is_one_s_own(self, signed_in, add_pick, plan, cart):
        add_pick()

        answer = signed_in.post(reverse("take-carts"), {"plan": plan.pk, "cart": [cart.pk]}, follow=True)

        assert "1 cart is yours. Take the pieces for 1 line from the storeroom." in words(answer)
        assert reverse("walk") in answer.text

    def test_cart_of_a_colleague_shows_the_name_and_cannot_be_ticked(self, signed_in, add_pick, plan, cart, colleague):
        add_pick()
        claiming.take(plan, [cart.pk], by=colleague, at=timezone.now())

        answer = signed_in.get(reverse("round"))
        assert "colleague since" in words(answer)
        assert 'name="cart"' not in answer.text

        answer = signed_in.post(reverse("take-carts"), {"plan": plan.pk, "cart": [cart.pk]}, follow=True)
        assert "Cart 1: colleague has taken it." in words(answer)

    def test_cart_taken_over_changes_hands(self, signed_in, add_pick, plan, cart, colleague, technician):
        add_pick()
        (claim,), _ = claiming.take(plan, [cart.pk], by=colleague, at=timezone.now())

        signed_in.post(reverse("take-cart-over", args=[claim.pk]))

        assert claiming.claims_of(plan).get().by == technician

    def test_cart_given_back_is_free(self, signed_in, add_pick, plan, cart, mine):
        add_pick()
        (claim,) = mine(cart)

        signed_in.post(reverse("give-cart-back", args=[claim.pk]))

        assert not claiming.claims_of(plan).exists()

    def test_cart_handed_to_a_colleague_by_name_is_the_colleague_s(
        self, signed_in, add_pick, plan, cart, colleague, mine
    ):
        add_pick()
        (claim,) = mine(cart)
        assert "Hand over Cart 1 To colleague" in words(signed_in.get(reverse("round")))

        signed_in.post(reverse("hand-cart-over", args=[claim.pk]), {"to": colleague.pk})

        assert claiming.claims_of(plan).get().by == colleague

    def test_cart_is_not_handed_to_who_does_not_restock_nor_by_who_does_not_hold_it(
        self, signed_in, add_pick, plan, cart, colleague, clinician, mine
    ):
        add_pick()
        (claim,) = mine(cart)

        signed_in.post(reverse("hand-cart-over", args=[claim.pk]), {"to": clinician.pk})
        signed_in.force_login(colleague)
        signed_in.post(reverse("hand-cart-over", args=[claim.pk]), {"to": colleague.pk})

        assert claiming.claims_of(plan).get() == claim

    def test_claim_of_another_department_cannot_be_touched(self, signed_in, make_plan, tomorrow, colleague):
        other = open_department(code="other", name="Another department")
        place = CartFactory(department=other, room=None)
        claim = Claim.objects.create(
            plan=make_plan(tomorrow, department=other), place=place, by=colleague, at=timezone.now()
        )
        signed_in.force_login(UserFactory(groups=["technician"]))

        signed_in.post(reverse("take-cart-over", args=[claim.pk]))

        claim.refresh_from_db()
        assert claim.ended_at is None


@pytest.mark.parametrize("page", PAGES)
def test_sixty_lines_take_no_more_queries_than_one(signed_in, evening, cart, mine, page):
    evening(1)
    mine(cart)
    where = address(page, cart)
    queries(signed_in, where)  # the first request of a session may do more
    of_one = queries(signed_in, where)
    evening(59)
    of_sixty = queries(signed_in, where)

    assert len(of_sixty) == len(of_one), "\n".join(of_sixty)
    assert not [sql for sql in of_sixty if sql.lstrip().upper().startswith(("INSERT", "UPDATE", "DELETE"))]


def test_sixty_carts_take_no_more_queries_than_one(signed_in, add_pick, cart, mine):
    add_pick()
    mine(cart)
    queries(signed_in, reverse("round"))
    of_one = {page: len(queries(signed_in, reverse(page))) for page in ("round", "walk", "round-sheet")}
    carts = [CartFactory(walk_order=n) for n in range(2, 61)]
    for one in carts:
        add_pick(place=one)
    mine(*carts)

    assert {page: len(queries(signed_in, reverse(page))) for page in of_one} == of_one


def test_clinician_does_not_restock(client, add_pick, cart, clinician):
    add_pick()
    client.force_login(clinician)

    assert {client.get(address(page, cart)).status_code for page in PAGES} == {403}
    assert reverse("round") not in client.get("/").text


def test_department_without_a_plan_is_told_how_to_get_one(signed_in, department, cart):
    for page in PAGES:
        assert "No evening is planned yet" in words(signed_in.get(address(page, cart)))


def test_line_names_are_escaped(signed_in, add_pick, cart, mine):
    add_pick(consumable=ConsumableFactory(name="<script>alert(1)</script>"))
    mine(cart)

    for page in PAGES:
        assert "<script>alert" not in signed_in.get(address(page, cart)).text
