"""Expiry in the browser: what ends soon, the pull list line by line, dates read on packs."""

import re
from datetime import timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.count_rounds import ToCount, open_round
from inventory.models import CountTask, DateCheck, Movement, StockingLine
from restock.advising.moves import Move, Walk
from restock.stock_life.expiry import dated_pieces
from restock.supervising.expiry_waste import ExpectedWaste, Sum
from restock.web.contents.move_rows import move_rows
from tests.factories import BinFactory, CartFactory, ConsumableFactory, LotFactory, StockingLineFactory


@pytest.fixture
def put(cart, technician, today):
    """`put(3, days=-1)`: pieces of a new line and lot that ends so many days from today, kept on the cart."""

    def receive(pieces, *, days, place=cart, **line):
        stocking = StockingLineFactory(place=place, bin=BinFactory(place=place), **line)
        lot = LotFactory(consumable=stocking.consumable, expires_on=today + timedelta(days=days))
        ledger.receive(
            place=place, consumable=lot.consumable, quantity=pieces, lot=lot, by=technician, at=timezone.now(),
            key=f"put {lot.pk}",
        )  # fmt: skip
        return lot

    return receive


@pytest.fixture
def act(signed_in):
    """`act(lot, "thrown-away", 2)`: what a technician's browser sends about a row."""

    def post(lot, act, pieces, **more):
        row = f"{lot.movements.first().destination_id}.{lot.consumable_id}.{lot.pk}"
        sent = {"row": row, "act": act, "pieces": pieces, "key": uuid4().hex} | more
        return signed_in.post(reverse("pull-act"), sent)

    return post


def held(lot):
    return {h.place.code: h.quantity for h in lot.holdings.select_related("place") if h.quantity and h.place.room_id}


def test_expiry_page_says_when_where_and_how_many(signed_in, put):
    put(3, days=-2)
    put(4, days=6)

    page = signed_in.get(reverse("expiry")).content.decode()

    assert "2 lots end within 30 days or have ended." in page
    assert "ended 2 days ago" in page
    assert "ends in 6 days" in page
    assert "read the pack" in page


def test_worked_out_waste_counts_all_that_has_ended_first(signed_in, put, room):
    lasting, gone = put(1, days=6), put(3, days=-2)

    page = signed_in.get(reverse("expiry"), {"now": "yes"}).content.decode()

    assert "Most likely waste first" in page
    assert page.index(gone.number) < page.index(lasting.number)
    assert ">3.0</td>" in page


def test_row_is_thrown_away_and_taken_back(signed_in, put, act):
    lot = put(3, days=-2)

    assert act(lot, "thrown-away", 3).status_code == 302
    page = signed_in.get(reverse("pull-list")).content.decode()
    assert "3 thrown away" in page
    assert held(lot) == {}

    key = Movement.objects.get(kind="discard").key
    signed_in.post(reverse("pull-take-back"), {"act": key})

    assert held(lot) == {"CART-1": 3}


def test_row_is_carried_to_a_place_that_keeps_the_line(signed_in, put, act):
    lot = put(3, days=5)
    other = CartFactory(code="CART-2")
    StockingLineFactory(place=other, consumable=lot.consumable)
    [row] = dated_pieces(other.department, on=other.department.local_date(timezone.now()), within_days=30)

    opened = signed_in.get(reverse("pull-list"), {"at": row.key}).content.decode()
    assert f'<option value="{other.pk}">' in opened
    act(lot, "carried", 2, destination=other.pk)

    assert held(lot) == {"CART-1": 1, "CART-2": 2}


@pytest.fixture
def days_round(department, cart, technician):
    """Today's count, which runs and asks for another line."""
    lines = [ToCount(cart.pk, ConsumableFactory(code="OTHER").pk, "age")]
    at = timezone.now()
    day = department.local_date(at)
    return open_round(department=department, lines=lines, for_date=day, by=technician, at=at)


def test_row_that_is_not_there_stands_on_the_day_s_count_until_somebody_counts(signed_in, put, act, days_round):
    lot = put(3, days=5)
    act(lot, "not-there", 3)

    task = days_round.tasks.get(consumable=lot.consumable)
    assert f"?at={task.pk}#task-{task.pk}" in signed_in.get(reverse("pull-list")).text
    assert "its record was found wrong" in signed_in.get(reverse("count-round", args=[days_round.pk])).text

    sent = {"place": lot.movements.first().destination_id, "consumable": lot.consumable_id, "key": uuid4().hex}
    signed_in.post(reverse("pull-count"), sent | {"counted": 2})

    assert [one.consumable.code for one in days_round.tasks.all()] == ["OTHER"]


def test_row_that_was_there_after_all_is_asked_for_no_longer(signed_in, put, act, days_round):
    lot = put(3, days=5)
    act(lot, "not-there", 3)
    signed_in.post(reverse("pull-take-back"), {"act": Movement.objects.get(kind="adjust").key})

    assert [one.consumable.code for one in days_round.tasks.all()] == ["OTHER"]


def test_the_next_count_asks_for_what_was_not_there(signed_in, put, act, cart):
    lot = put(3, days=5, par=900)
    signed_in.post(reverse("start-count"), {"place": cart.pk})  # everything was counted a moment ago
    for task in CountTask.objects.all():
        signed_in.post(reverse("save-count", args=[task.pk]), {"counted": task.place.on_hand(task.consumable)})
    act(lot, "not-there", 3)

    assert "The next day's count asks for this line." in signed_in.get(reverse("pull-list")).text
    assert "Found wrong since their last count" in signed_in.get(reverse("counts")).text
    signed_in.post(reverse("start-count"))

    task = CountTask.objects.get(round__kind="daily")
    assert (task.consumable, task.why) == (lot.consumable, "found_wrong")


def test_more_thrown_away_than_was_on_record_is_kept_and_said_to_be_a_wrong_record(signed_in, put, act, days_round):
    lot = put(3, days=-2)
    put(9, days=400, consumable=lot.consumable, place=CartFactory(code="CART-2"))
    lasting = LotFactory(consumable=lot.consumable)
    told = {"place": days_round.tasks.get().place, "consumable": lot.consumable, "lot": lasting, "quantity": 20}
    ledger.receive(**told, by=days_round.made_by, at=timezone.now(), key="lasting")

    act(lot, "thrown-away", 5)

    page = signed_in.get(reverse("pull-list")).text
    assert "5 thrown away" in page
    assert "More of this lot was taken than was on record: the record was wrong." in page
    assert days_round.tasks.get(consumable=lot.consumable).why == "found_wrong"
    assert held(lot) == {"CART-1": -2}
    sent = {"place": told["place"].pk, "consumable": lot.consumable_id, "key": uuid4().hex, "counted": 18}
    signed_in.post(reverse("pull-count"), sent)
    assert "the record was wrong" not in signed_in.get(reverse("pull-list")).text


def test_row_that_is_not_there_asks_for_a_count_until_somebody_counts(signed_in, put, act):
    lot = put(3, days=5)
    act(lot, "not-there", 3)
    assert "Please count the line" in signed_in.get(reverse("pull-list")).content.decode()

    sent = {"place": lot.movements.first().destination_id, "consumable": lot.consumable_id, "key": uuid4().hex}
    signed_in.post(reverse("pull-count"), sent | {"counted": 2})

    assert "Please count the line" not in signed_in.get(reverse("pull-list")).content.decode()
    assert lot.consumable.counts.get().counted == 2


@pytest.mark.parametrize(
    ("kind", "pieces", "words"),
    [("thrown-away", "", "type a number"), ("carried", 1, "say where"), ("not-there", 9, "Only 3 are on record")],
)
def test_what_cannot_be_is_said_at_its_row_and_not_saved(put, act, kind, pieces, words):
    lot = put(3, days=5)

    answer = act(lot, kind, pieces)

    assert answer.status_code == 409
    assert words in answer.content.decode()
    assert held(lot) == {"CART-1": 3}


def test_htmx_is_answered_with_the_list_alone(signed_in, put):
    lot = put(3, days=5)
    row = f"{lot.movements.first().destination_id}.{lot.consumable_id}.{lot.pk}"
    sent = {"row": row, "act": "thrown-away", "pieces": 3, "key": uuid4().hex}

    answer = signed_in.post(reverse("pull-act"), sent, headers={"HX-Request": "true"}).content.decode()

    assert answer.lstrip().startswith('<div id="stops"')
    assert "3 thrown away" in answer


def test_row_that_a_colleague_saw_to_is_said_to_be_gone(put, act):
    lot = put(3, days=5)
    act(lot, "thrown-away", 3)

    assert "a colleague may have seen to it" in act(lot, "thrown-away", 3).content.decode()


def test_dates_read_on_packs_are_kept_for_the_lines_that_were_filled_in(signed_in, put, cart, today):
    read, left = (put(3, days=5, tracking=StockingLine.Tracking.EARLIEST_DATE) for _ in range(2))
    page = reverse("read-dates", args=[cart.pk])
    assert "packs never read" in signed_in.get(page).content.decode()
    line = StockingLine.objects.get(consumable=read.consumable)
    sent = {"key": uuid4().hex, f"line-{line.pk}-day": (today + timedelta(days=200)).isoformat()}

    for _ in range(2):
        answer = signed_in.post(page, sent, follow=True)

    assert "1 date kept" in answer.content.decode()
    assert DateCheck.objects.get().consumable == read.consumable
    assert held(read) == {}
    assert held(left) == {"CART-1": 3}


def test_date_and_none_at_once_is_asked_again(signed_in, put, cart, today):
    lot = put(3, days=5, tracking=StockingLine.Tracking.EARLIEST_DATE)
    prefix = f"line-{StockingLine.objects.get(consumable=lot.consumable).pk}"

    answer = signed_in.post(
        reverse("read-dates", args=[cart.pk]), {f"{prefix}-day": today.isoformat(), f"{prefix}-none": "on"}
    )

    assert answer.status_code == 400
    assert "not both" in answer.content.decode()
    assert not DateCheck.objects.exists()


@pytest.mark.parametrize("page", ["expiry", "pull-list", "pull-sheet", "pull-workbook"])
def test_sixty_rows_take_no_more_queries_than_one(signed_in, put, page):
    asked = []
    for more in (1, 59):
        for n in range(more):
            put(2, days=n % 30)
        signed_in.get(reverse(page))
        with CaptureQueriesContext(connection) as captured:
            assert signed_in.get(reverse(page)).status_code == 200
        asked.append(len(captured))

    assert asked[0] == asked[1]


class TestExchanges:
    """One short-dated piece of the cart for a longer-dated one of the storeroom, as the page proposes it."""

    @pytest.fixture
    def short(self, put, monkeypatch, cart, storeroom, technician, today):
        lot = put(3, days=5)
        lasting = LotFactory(consumable=lot.consumable, expires_on=today + timedelta(days=900))
        told = {"place": storeroom, "consumable": lot.consumable, "quantity": 9, "lot": lasting}
        ledger.receive(**told, by=technician, at=timezone.now(), key="lasting")
        walk = Walk(cart, storeroom, (Move(lot.consumable, 2, 1.0),), 0.5)
        waste = ExpectedWaste(today, 30, Sum(2.0, None), Sum(0.5, None), (walk,), {})
        monkeypatch.setattr("restock.web.views.expiry.expected_waste", lambda *args, **kwargs: waste)
        return lot

    @staticmethod
    def form(page):
        """What stands in the fields of the proposal."""
        row = page.text[page.text.index('<li class="move-row') :]
        fields = re.findall(r'name="(\w+)" value="([^"]*)"', row[: row.index("</form>")])
        return {name: value for name, value in fields if name != "csrfmiddlewaretoken"}

    def test_is_recorded_where_it_is_proposed_and_undone_there(self, signed_in, short, cart, storeroom):
        form = self.form(signed_in.get(reverse("expiry"), {"now": "yes"}))
        row = signed_in.post(reverse("record-moved"), form, headers={"HX-Request": "true"})

        assert "2 moved" in row.text
        assert held(short) == {"CART-1": 1}
        assert cart.on_hand(short.consumable) == 3
        page = signed_in.get(reverse("expiry"))
        assert "swapped for as many longer-dated ones" in page.text
        undone = signed_in.post(reverse("undo-moved"), {"key": form["key"], "page": "expiry"})
        assert undone.url == reverse("expiry")
        assert held(short) == {"CART-1": 3}

    def test_without_scripts_it_leads_back_to_the_page(self, signed_in, short):
        form = self.form(signed_in.get(reverse("expiry"), {"now": "yes"}))

        assert signed_in.post(reverse("record-moved"), form).url == reverse("expiry")

    def test_told_on_two_pages_it_is_recorded_once(self, signed_in, short, cart, storeroom, department, today):
        form = self.form(signed_in.get(reverse("expiry"), {"now": "yes"}))
        walk = Walk(cart, storeroom, (Move(short.consumable, 2, 1.0),), 0.5)

        def on_the_page_of_moves():
            days = {"today": today, "carried_for": today}
            [[(_walk, [row])]] = move_rows(department, [[walk]], swaps=[True], page="moves", **days)
            return row.key

        assert on_the_page_of_moves() == form["key"]
        signed_in.post(reverse("record-moved"), form)
        signed_in.post(reverse("record-moved"), form | {"page": "moves"})
        other = signed_in.post(reverse("record-moved"), form | {"pieces": 1}, headers={"HX-Request": "true"})

        assert "recorded before with other figures" in other.text
        assert f'name="key" value="{form["key"]}"' in other.text
        assert held(short) == {"CART-1": 1}
        assert on_the_page_of_moves() != form["key"]
