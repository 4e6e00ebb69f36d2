"""The technician's evening on the pages: carts taken, the walk, the drawers, the paper."""

import re
import uuid
from datetime import date, timedelta
from io import BytesIO

import pytest
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from inventory import ledger
from inventory.departments import open_department
from inventory.models import Count, Holding, Movement
from restock.models import Claim, Filling, Pick, Shortage
from restock.plans import claiming
from restock.workbook import write_workbook
from tests.factories import (
    BinFactory,
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    LotFactory,
    SetupStandardFactory,
    StockingLineFactory,
    UserFactory,
)

from .test_pages import order, words
from .test_query_counts import queries

KEY = "3b6f0d0e-0000-4000-8000-000000000001"
PAGES = ["round", "walk", "fill-cart", "round-sheet"]


def address(page, cart):
    return reverse(page, args=[cart.pk] if page == "fill-cart" else [])


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


def save(client, *picks, act="all", seen="", htmx=False, **fields):
    form = {"pick": [pick.pk for pick in picks], "act": act} | fields
    for pick in picks:
        form |= {f"seen-{pick.pk}": seen, f"all-{pick.pk}": pick.quantity}
    return client.post(reverse("save-stop"), form, headers={"HX-Request": "true"} if htmx else {})


def put_in(client, line, pieces, seen="", **fields):
    return client.post(reverse("save-drawer", args=[line.pk]), {"pieces": pieces, "seen": seen} | fields)


def count(client, place, consumable, counted, key, row="0"):
    where = reverse("count-here", args=[place.pk, consumable.pk])
    return client.post(where, {"counted": counted, "key": key, "row": row})


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
        signed_in.force_login(UserFactory(groups=["technician", "department main"]))

        signed_in.post(reverse("take-cart-over", args=[claim.pk]))

        claim.refresh_from_db()
        assert claim.ended_at is None


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
        open_department(code="other", name="Another department")
        client.force_login(UserFactory(groups=["technician", "department other"]))

        assert put_in(client, line, 4).status_code == 404
        assert save(client, line.picks.get()).status_code == 404


class TestPaper:
    @pytest.fixture
    def filled_in(self, add_pick, plan):
        def fill(picked, **line):
            add_pick(**line)
            written = BytesIO()
            write_workbook(plan, written)
            workbook = load_workbook(written)
            sheet = workbook["Main storeroom"]
            heading = next(row for row in sheet.iter_rows() if any(cell.value == "Picked" for cell in row))
            letter = next(cell.column_letter for cell in heading if cell.value == "Picked")
            sheet[f"{letter}{heading[0].row + 1}"] = picked
            back = BytesIO()
            workbook.save(back)
            back.seek(0)
            back.name = "tonight.xlsx"
            return back

        return fill

    def test_workbook_goes_out_and_comes_back_by_the_rules_of_the_command(self, signed_in, filled_in, cart):
        answer = signed_in.post(reverse("pick-list-back"), {"workbook": filled_in(3)})

        assert "3 pieces in 1 pick, for 1 cart." in words(answer)
        assert "Less than suggested" in answer.text
        assert [m.quantity for m in Movement.objects.filter(kind="move")] == [3]

    def test_more_than_was_on_record_is_recorded_and_a_count_is_asked_for(self, signed_in, filled_in, storeroom):
        workbook = filled_in(900)
        held = Holding.objects.get(place=storeroom, quantity__gt=0).quantity

        answer = signed_in.post(reverse("pick-list-back"), {"workbook": workbook})

        assert "please count there" in words(answer)
        assert f"{900 - held} more than on record (900 taken)" in words(answer)

    def test_its_errors_are_listed_and_nothing_is_recorded(self, signed_in, filled_in):
        answer = signed_in.post(reverse("pick-list-back"), {"workbook": filled_in("many")})

        assert answer.status_code == 400
        assert "Nothing was recorded: 1 thing has to be mended first." in words(answer)
        assert "tonight.xlsx, sheet “Main storeroom”, row 4, column “K, Picked”: found “many”" in words(answer)
        assert not Movement.objects.filter(kind="move").exists()

    def test_what_is_no_workbook_is_refused_in_words(self, signed_in, plan):
        upload = BytesIO(b"no workbook")
        upload.name = "../../holiday.xlsx"

        answer = signed_in.post(reverse("pick-list-back"), {"workbook": upload})

        assert answer.status_code == 400
        assert "holiday.xlsx" in answer.text
        assert "../" not in answer.text

    def test_sheet_to_print_has_a_box_for_each_line_of_one_s_carts(self, signed_in, add_pick, cart, mine):
        add_pick(name="Bougie")
        mine(cart)

        answer = signed_in.get(reverse("round-sheet"))

        assert answer.text.count('class="tick-box"') == 2  # one on the walk, one at the cart
        assert answer.text.count("Bougie") == 2


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
