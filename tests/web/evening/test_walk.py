"""The walk through the storeroom: one list for all carts taken."""

import uuid

from django.urls import reverse
from django.utils import timezone

from inventory.models import Count, Movement
from restock.models import Pick, Shortage
from tests.factories import (
    BinFactory,
    CartFactory,
)

from ..test_pages import order, words
from .steps import count, save


class TestWalk:
    def test_sums_each_lot_over_the_carts_taken_with_the_split(
        self, signed_in, add_pick, add_line, storeroom, cart, other_cart, mine, tube
    ):
        shelf = BinFactory(place=storeroom, code="A-03")
        first = add_pick(consumable=tube, quantity=4, bin=shelf)
        second = add_line(tube, place=other_cart, top_up=3, allocated=3).picks.create(
            storeroom=storeroom, quantity=3, lot=first.lot, bin=shelf
        )
        third = CartFactory(code="CART-3", name="Cart 3", room=None)
        add_line(tube, place=third).picks.create(storeroom=storeroom, quantity=2, lot=first.lot, bin=shelf)
        mine(cart, other_cart)

        answer = signed_in.get(reverse("walk"))

        said = words(answer)
        assert f"A-03 Tracheal tube, cuffed, 7.0 mm lot {first.lot}, use by 30 Jun 2029" in said
        assert "OR-1 4 Cart 2 3" in said
        assert "Took 7" in said
        assert "Cart 3" not in said

        save(signed_in, first, second)
        assert [pick.picked for pick in Pick.objects.order_by("pk")] == [4, 3, None]

    def test_goes_by_the_storeroom_s_bins_and_names_the_next_ones(self, signed_in, add_pick, storeroom, cart, mine):
        for place, name in ((2, "Bougie"), (1, "Airway"), (3, "Circuit")):
            add_pick(name=name, bin=BinFactory(place=storeroom, code=f"A-{place}", walk_order=place))
        mine(cart)

        answer = signed_in.get(reverse("walk"))

        assert order(answer, "Airway", "Bougie", "Circuit") == ["Airway", "Bougie", "Circuit"]
        bar = words(answer).rpartition("A-1 ")[2]
        assert bar.startswith("Airway")
        assert "then A-2, Bougie" in bar

    def test_saved_line_answers_htmx_with_the_list_and_a_form_with_a_redirect(self, signed_in, add_pick, cart, mine):
        pick, other = add_pick(), add_pick()
        mine(cart)

        fragment = save(signed_in, pick, htmx=True)
        assert "1 of 2 stops done" in words(fragment)
        assert "<html" not in fragment.text

        answer = save(signed_in, other)
        assert (answer.status_code, answer.url) == (302, f"{reverse('walk')}#stop-{other.pk}")

    def test_pressed_twice_it_is_taken_once(self, signed_in, add_pick, cart, mine):
        pick = add_pick()
        mine(cart)

        save(signed_in, pick)
        save(signed_in, pick)

        assert Movement.objects.filter(kind="move").count() == 1

    def test_what_is_missing_becomes_a_shortage_with_one_press(self, signed_in, add_pick, cart, mine):
        pick = add_pick()
        mine(cart)

        save(signed_in, pick, act="rest", **{f"picked-{pick.pk}": "1"})

        assert Shortage.objects.get().short_by == 3
        assert "took 1 of 4 3 not found" in words(signed_in.get(reverse("walk")))

    def test_undone_it_is_open_again(self, signed_in, add_pick, cart, mine, storeroom):
        pick = add_pick()
        mine(cart)
        save(signed_in, pick)

        save(signed_in, pick, act="back", seen=4)

        assert "0 of 1 stops done" in words(signed_in.get(reverse("walk")))
        assert storeroom.on_hand(pick.plan_line.consumable) == 10

    def test_number_that_a_colleague_said_meanwhile_stays_and_what_was_typed_is_kept(
        self, signed_in, client, add_pick, cart, mine, department, colleague
    ):
        pick = add_pick()
        mine(cart)
        other = type(client)()
        other.force_login(colleague)
        save(other, pick, act="typed", **{f"picked-{pick.pk}": "3"})

        answer = save(signed_in, pick, act="typed", **{f"picked-{pick.pk}": "2"})

        assert answer.status_code == 409
        assert "a colleague has said something else meanwhile" in words(answer)
        assert f'name="picked-{pick.pk}" value="2"' in answer.text
        assert f'name="seen-{pick.pk}" value="3"' in answer.text
        assert Pick.objects.get().picked == 3

    def test_more_than_the_record_holds_is_refused_at_the_line(self, signed_in, add_pick, cart, mine):
        pick = add_pick()
        mine(cart)

        answer = save(signed_in, pick, act="typed", **{f"picked-{pick.pk}": "11"})

        assert f"holds 10 of lot {pick.lot}. If there are more, count them first." in words(answer)
        assert 'value="11"' in answer.text

    def test_what_is_no_number_is_refused_and_shown_again(self, signed_in, add_pick, cart, mine):
        pick = add_pick()
        mine(cart)

        answer = save(signed_in, pick, act="typed", **{f"picked-{pick.pk}": "<b>two"})

        assert answer.status_code == 409
        assert "“&lt;b&gt;two” is no number of pieces" in answer.text
        assert Pick.objects.get().confirmed_at is None

    def test_list_that_a_newer_one_replaced_is_saved_only_when_insisted_on(
        self, signed_in, add_pick, cart, mine, make_plan, tomorrow
    ):
        pick = add_pick()
        mine(cart)
        make_plan(tomorrow, made_at=timezone.now())

        assert save(signed_in, pick).status_code == 409
        assert save(signed_in, pick, insist="yes").status_code == 302
        assert Pick.objects.get().picked == 4

    def test_shelf_that_holds_more_is_counted_on_the_spot_and_once(self, signed_in, add_pick, cart, storeroom, mine):
        pick = add_pick(held=2, lot=False)
        mine(cart)
        key = uuid.uuid4().hex

        count(signed_in, storeroom, pick.plan_line.consumable, 6, key)
        count(signed_in, storeroom, pick.plan_line.consumable, 6, key)
        save(signed_in, pick)

        assert storeroom.on_hand(pick.plan_line.consumable) == 2
        assert Count.objects.count() == 1

    def test_without_a_cart_it_says_where_to_take_one(self, signed_in, add_pick):
        add_pick()

        assert "You have taken no cart yet." in words(signed_in.get(reverse("walk")))

    def test_who_is_signed_out_meanwhile_is_sent_to_the_door_by_htmx(self, client, add_pick):
        answer = save(client, add_pick(), htmx=True)

        assert answer["HX-Refresh"] == "true"
        assert Pick.objects.get().confirmed_at is None
