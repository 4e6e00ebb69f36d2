"""One cart, drawer by drawer."""

import re
import uuid
from datetime import date

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.departments import open_department
from inventory.models import Count, Holding, Lot
from restock.models import Filling
from restock.plans import claiming
from tests.factories import (
    BinFactory,
    LotFactory,
    UserFactory,
)

from ..test_pages import order, words
from .steps import address, count, put_in, save


class TestCart:
    def test_goes_drawer_by_drawer(self, signed_in, add_pick, cart):
        for place, name in ((2, "Bougie"), (1, "Airway")):
            pick = add_pick(name=name)
            pick.plan_line.place.stocking_lines.filter(consumable=pick.plan_line.consumable).update(
                bin=BinFactory(place=cart, code=f"D{place}", walk_order=place)
            )

        answer = signed_in.get(address("fill-cart", cart))

        assert order(answer, "Airway", "Bougie") == ["Airway", "Bougie"]
        assert "then D2, Bougie" in words(answer)

    def test_line_put_in_stays_put_in_for_who_opens_the_page_next(self, signed_in, add_pick, cart, colleague):
        pick = add_pick()
        put_in(signed_in, pick.plan_line, 4)

        signed_in.force_login(colleague)

        said = words(signed_in.get(address("fill-cart", cart)))
        assert "1 of 1 lines put in" in said
        assert re.search(r"4 put in · \d\d:\d\d, technician", said)

    def test_fewer_put_in_gives_the_rest_back_to_the_storeroom(self, signed_in, add_pick, cart, storeroom):
        pick = add_pick()
        save(signed_in, pick)

        put_in(signed_in, pick.plan_line, 3)

        assert storeroom.on_hand(pick.plan_line.consumable) == 7

    def test_number_of_a_colleague_stays_and_what_was_typed_is_kept(self, signed_in, add_pick, cart):
        line = add_pick().plan_line
        put_in(signed_in, line, 3)

        answer = put_in(signed_in, line, 2)

        assert answer.status_code == 409
        assert 'name="pieces" value="2"' in answer.text
        assert Filling.objects.get().pieces == 3

    def test_what_was_picked_before_the_evening_was_planned_anew_can_still_be_put_in(
        self, signed_in, add_pick, add_line, cart, make_plan, tomorrow
    ):
        pick = add_pick(name="Bougie", on_hand=0)
        save(signed_in, pick)
        anew = make_plan(tomorrow, made_at=timezone.now())
        add_line(pick.plan_line.consumable, of=anew, on_hand=4, top_up=0, allocated=0)

        said = words(signed_in.get(address("fill-cart", cart)))
        assert "0 of 1 lines put in" in said
        assert "0 in the drawer, par 5" in said
        assert "Picked for another list" in said
        assert "1 picked, 0 put in" in words(signed_in.get(address("round", cart)))

        put_in(signed_in, pick.plan_line, 4)

        assert Filling.objects.get().pieces == 4
        assert "Bougie" not in words(signed_in.get(address("fill-cart", cart)))

    def test_pieces_of_the_list_before_fill_the_drawer_of_the_new_one(
        self, signed_in, add_pick, add_line, cart, make_plan, tomorrow, storeroom
    ):
        pick = add_pick(on_hand=0)
        save(signed_in, pick)
        anew = make_plan(tomorrow, made_at=timezone.now())
        line = add_line(pick.plan_line.consumable, of=anew, on_hand=4, top_up=2, allocated=2)
        line.picks.create(storeroom=storeroom, quantity=2)

        page = signed_in.get(address("fill-cart", cart) + f"?at={line.pk}")

        assert "It holds fewer than planned for" not in words(page)
        assert "In the drawer now, without the 4 that you bring" in words(page)

    def test_taken_back_it_is_on_the_trolley_again(self, signed_in, add_pick, cart):
        pick = add_pick()
        put_in(signed_in, pick.plan_line, 4)

        put_in(signed_in, pick.plan_line, 4, seen=4, act="back")

        assert not Filling.objects.exists()

    def test_drawer_that_was_wrong_is_counted_without_what_is_on_the_trolley(self, signed_in, add_pick, cart):
        pick = add_pick(on_hand=3)
        save(signed_in, pick)
        page = signed_in.get(address("fill-cart", cart) + f"?at={pick.plan_line_id}")
        assert "In the drawer now, without the 4 that you bring" in words(page)

        count(signed_in, cart, pick.plan_line.consumable, 1, uuid.uuid4().hex)

        assert cart.on_hand(pick.plan_line.consumable) == 5
        assert "It holds fewer than planned for: 2 more would fill it." in words(
            signed_in.get(address("fill-cart", cart))
        )

    @pytest.fixture
    def two_lots(self, add_pick, cart, technician):
        """A line with two pieces of lot A and three of lot B in its drawer."""
        line = add_pick(name="Bougie", on_hand=5).plan_line
        lots = [LotFactory(consumable=line.consumable, number=number) for number in "AB"]
        for lot, pieces in zip(lots, (2, 3), strict=True):
            ledger.receive(
                place=cart, consumable=line.consumable, lot=lot, quantity=pieces, by=technician, at=timezone.now(),
                key=f"in drawer {lot.number}",
            )  # fmt: skip
        return line, lots

    def test_drawer_with_lots_is_corrected_lot_by_lot_and_shows_them(self, signed_in, two_lots, cart):
        line, (first, second) = two_lots
        where = reverse("count-here", args=[cart.pk, line.consumable_id])
        told = {"counted": 4, "key": str(uuid.uuid4()), "row": line.pk, f"lot-{first.pk}": "1", f"lot-{second.pk}": "3"}

        signed_in.post(where, told)

        held = dict(Holding.objects.filter(place=cart, quantity__gt=0).values_list("lot", "quantity"))
        assert held == {first.pk: 1, second.pk: 3}
        assert "1 of lot A · 3 of lot B" in words(signed_in.get(address("fill-cart", cart)))

    def test_lot_that_ends_before_the_day_is_not_to_be_used(self, signed_in, two_lots, cart):
        _, (first, _second) = two_lots
        Lot.objects.filter(pk=first.pk).update(expires_on=date(2020, 1, 31))

        said = words(signed_in.get(address("fill-cart", cart)))

        assert "2 of lot A out of date by then: do not use · 3 of lot B" in said

    def test_lots_that_are_not_read_are_settled_by_the_total(self, signed_in, two_lots, cart):
        line, (first, second) = two_lots

        count(signed_in, cart, line.consumable, 4, str(uuid.uuid4()))

        # Too few are missed from the lot that ends last; both end on the same day, so from the later one.
        held = dict(Holding.objects.filter(place=cart, quantity__gt=0).values_list("lot", "quantity"))
        assert held == {first.pk: 2, second.pk: 2}

    def test_more_by_lot_than_in_all_is_refused_at_the_line(self, signed_in, two_lots, cart):
        line, (first, _second) = two_lots
        where = reverse("count-here", args=[cart.pk, line.consumable_id])

        answer = signed_in.post(where, {"counted": 1, "key": str(uuid.uuid4()), "row": line.pk, f"lot-{first.pk}": "2"})

        assert "counted by lot than in all" in words(answer)
        assert not Count.objects.exists()

    def test_colleague_s_cart_says_whose_it_is_and_keeps_what_is_saved(
        self, signed_in, add_pick, plan, cart, colleague
    ):
        pick = add_pick()
        claiming.take(plan, [cart.pk], by=colleague, at=timezone.now())

        assert "colleague has taken this cart." in words(signed_in.get(address("fill-cart", cart)))
        put_in(signed_in, pick.plan_line, 4)
        assert Filling.objects.get().pieces == 4

    def test_line_of_another_department_does_not_exist(self, client, add_pick):
        line = add_pick().plan_line
        other = open_department(code="other", name="Another department")
        client.force_login(UserFactory(groups=["technician"], membership__department=other))

        assert put_in(client, line, 4).status_code == 404
        assert save(client, line.picks.get()).status_code == 404
