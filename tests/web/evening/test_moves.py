"""Moves between carts beside the pick list: worked out, done, undone."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.departments import open_department
from inventory.models import Movement
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    LotFactory,
    SetupStandardFactory,
    StockingLineFactory,
)

from ..test_pages import words
from ..test_query_counts import queries
from .steps import KEY


class TestMoves:
    @pytest.fixture
    def scarce(self, plan, cart, room, storeroom, tomorrow, technician):
        """`scarce(2)`: two lines that tomorrow's six cases want, of which only another cart holds any."""
        case_type = CaseTypeFactory()
        for order_in_list in range(1, 7):
            CaseFactory(room=room, date=tomorrow, order=order_in_list, case_type=case_type)
        elsewhere = CartFactory(name="Cart 9", restocked_from=storeroom, walk_order=9)

        def make(lines):
            for _ in range(lines):
                line = SetupStandardFactory(case_type=case_type).consumable
                for place in (cart, elsewhere):
                    StockingLineFactory(place=place, consumable=line, par=2)
                ledger.receive(
                    place=elsewhere, consumable=line, quantity=6, by=technician, at=timezone.now(), key=f"at {line.pk}"
                )

        return make

    def test_are_worked_out_only_when_asked_for(self, signed_in, scarce):
        scarce(1)

        assert "Work them out" in signed_in.get(reverse("moves")).text
        assert "Cart 9" not in signed_in.get(reverse("moves")).text

    def test_name_both_places_the_pieces_and_what_it_is_worth(self, signed_in, scarce):
        scarce(1)

        said = words(signed_in.get(reverse("moves") + "?now=yes"))

        assert "Cart 9 → to Cart 1 worth" in said
        assert "6 × Line" in said
        assert not Movement.objects.filter(kind="move").exists()

    def test_sixty_lines_take_no_more_queries_than_one(self, signed_in, scarce):
        scarce(1)
        where = reverse("moves") + "?now=yes"
        queries(signed_in, where)
        of_one = queries(signed_in, where)
        scarce(59)
        of_sixty = queries(signed_in, where)

        assert len(of_sixty) == len(of_one)


class TestMoveDone:
    @pytest.fixture
    def other(self, storeroom):
        return CartFactory(name="Cart 9", restocked_from=storeroom)

    @pytest.fixture
    def line(self, other, technician, tomorrow):
        """Four pieces on cart 9: two of lot SOON and two of lot LATE."""
        line = ConsumableFactory(name="Bougie")
        for number, days in (("SOON", 20), ("LATE", 400)):
            lot = LotFactory(consumable=line, number=number, expires_on=tomorrow + timedelta(days=days))
            ledger.receive(
                place=other, consumable=line, lot=lot, quantity=2, by=technician, at=timezone.now(), key=number
            )
        return line

    @pytest.fixture
    def done(self, signed_in, plan, cart, other, line):
        """`done(pieces=3)`: say on the page that so many went from cart 9 to cart 1."""

        def post(htmx=True, **more):
            told = {"key": KEY, "source": other.pk, "destination": cart.pk, "consumable": line.pk, "advised": 4} | more
            return signed_in.post(reverse("record-moved"), told, headers={"HX-Request": "true"} if htmx else {})

        return post

    def test_is_in_the_ledger_with_its_lots_and_once_however_often_sent(self, done, cart, line):
        done(pieces=3)
        answer = done(pieces=3)

        moved = Movement.objects.filter(kind="move")
        assert sorted(moved.values_list("lot__number", "quantity")) == [("LATE", 1), ("SOON", 2)]
        assert cart.on_hand(line) == 3
        assert "3 moved" in words(answer)

    def test_fewer_than_advised_leaves_the_rest_to_do(self, done):
        answer = done(pieces=1)

        assert 'name="pieces" value="3"' in answer.text

    @pytest.mark.parametrize("typed", ["-1", "abc", ""])
    def test_number_typed_wrong_is_told_and_the_next_one_counts(self, done, typed):
        answer = done(pieces=typed)

        assert 'name="advised" value="4"' in answer.text
        assert f'name="pieces" value="{typed or 4}"' in answer.text
        assert "1 moved" in words(done(pieces=1))

    def test_lot_that_was_taken_is_the_lot_that_moves(self, done, line):
        done(pieces=2, lot=line.lots.get(number="LATE").pk)

        assert Movement.objects.get(kind="move").lot.number == "LATE"

    def test_swap_brings_as_many_longer_dated_ones_back(self, done, cart, other, line, technician, tomorrow):
        fresh = LotFactory(consumable=line, number="FRESH", expires_on=tomorrow + timedelta(days=900))
        ledger.receive(
            place=cart, consumable=line, lot=fresh, quantity=5, by=technician, at=timezone.now(), key="fresh"
        )

        done(pieces=2, swap="on")

        assert set(Movement.objects.filter(kind="move").values_list("source", "lot__number", "quantity")) == {
            (other.pk, "SOON", 2),
            (cart.pk, "FRESH", 2),
        }
        assert (cart.on_hand(line), other.on_hand(line)) == (5, 4)

    @pytest.mark.parametrize("short", ["source", "destination"])
    def test_swap_of_more_than_either_place_has_on_record_is_refused(self, done, cart, other, line, technician, short):
        plenty, held = (cart, 4) if short == "source" else (other, 0)
        ledger.receive(place=plenty, consumable=line, quantity=9999, by=technician, at=timezone.now(), key="plenty")

        answer = done(pieces=9999, swap="on")

        assert f"holds {held} that may be used" in words(answer)
        assert 'name="pieces" value="9999"' in answer.text
        assert not Movement.objects.filter(kind="move").exists()

    def test_undone_the_pieces_are_where_they_were_and_both_rows_stay(self, signed_in, done, cart, other, line):
        done(pieces=3)

        signed_in.post(reverse("undo-moved"), {"key": KEY}, follow=True)
        signed_in.post(reverse("undo-moved"), {"key": KEY}, follow=True)

        assert (cart.on_hand(line), other.on_hand(line)) == (0, 4)
        assert Movement.objects.filter(kind="reverse").count() == 2
        assert "Done today" not in words(signed_in.get(reverse("moves")))
        assert "was taken back" in words(done(pieces=3))

    def test_without_scripts_the_page_lists_what_was_done(self, signed_in, done):
        answer = done(htmx=False, pieces=2)

        said = words(signed_in.get(answer.url))
        assert "2 × Bougie Cart 9 → to Cart 1 · lot SOON" in said

    def test_more_than_a_storeroom_has_on_record_is_refused_and_what_was_typed_kept(self, done, storeroom, line):
        answer = done(source=storeroom.pk, pieces=2)

        assert "2 were asked for" in words(answer)
        assert 'name="pieces" value="2"' in answer.text
        assert not Movement.objects.filter(kind="move").exists()

    def test_place_of_another_department_cannot_be_named(self, done):
        elsewhere = CartFactory(department=open_department(code="far", name="Far away"))

        done(source=elsewhere.pk, pieces=2)

        assert not Movement.objects.filter(kind="move").exists()
