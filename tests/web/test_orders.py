"""The pages of orders and of receiving."""

import re
from datetime import timedelta
from html import unescape
from io import BytesIO
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.html import strip_tags
from openpyxl import load_workbook

from inventory import arrivals, ledger, orders
from inventory.barcodes import check_digit
from inventory.models import ArrivedPack, BackOrder, Order, Receipt
from inventory.orders import Wanted
from inventory.scanned import find
from inventory.scanning import read_scan
from restock.models import OrderPolicy, Policy
from tests.factories import ConsumableFactory, LotFactory, PackagingFactory, StockingLineFactory

BODY = "061414100001"
ITEM = "0" + BODY + check_digit("0" + BODY)
SCAN = f"01{ITEM}17330630" + "10LOT7"


def words(answer):
    return re.sub(r"\s+", " ", unescape(strip_tags(answer.text)))


@pytest.fixture
def buyer(client, supervisor):
    client.force_login(supervisor)
    return client


@pytest.fixture
def tube_pack(tube):
    return PackagingFactory(consumable=tube, barcode=ITEM, pieces_per_pack=10)


@pytest.fixture
def draft(storeroom, tube, tube_pack, supervisor):
    return orders.start_order(
        storeroom=storeroom, number="R-1", lines=[Wanted(tube, 3, 10)], by=supervisor, at=timezone.now()
    )


@pytest.fixture
def order(draft, supervisor, tube, today):
    return orders.place_order(
        order=draft, by=supervisor, at=timezone.now(), expected={tube.pk: today + timedelta(days=3)}
    )


@pytest.fixture
def table(storeroom):
    """`table("receive-scan")`: the address of the receiving table of the storeroom."""
    return lambda route, order=None: reverse(route, args=[storeroom.pk]) + (f"?order={order.pk}" if order else "")


def scanned(client, table, text=SCAN, order=None, key=None, **headers):
    said = {"scan": text, "key": key or uuid4(), "order": order.pk if order else ""}
    return client.post(table("receive-scan"), said, follow=True, headers=headers)


class TestOrders:
    def test_packs_are_changed_a_line_added_and_the_order_placed(self, buyer, draft, tube, today):
        line, mask = draft.lines.get(), ConsumableFactory(name="Mask")
        buyer.post(reverse("order-packs", args=[draft.pk]), {f"packs-{line.pk}": "5"})
        buyer.post(reverse("order-add", args=[draft.pk]), {"line": mask.pk, "packs": 2})
        answer = buyer.post(reverse("order-place", args=[draft.pk]), {"number": "PO-77"}, follow=True)

        draft.refresh_from_db()
        assert (draft.number, draft.placed_by.username) == ("PO-77", "supervisor")
        assert {one.consumable: one.packs for one in draft.lines.all()} == {tube: 5, mask: 2}
        assert {one.expected_on for one in draft.lines.all()} == {today + timedelta(days=3)}
        assert "nothing goes out by itself" in words(answer)
        assert "52 pieces to come" in words(answer)

    @pytest.mark.parametrize("typed", ["x", "-1", "1.5", "99999"])
    def test_packs_that_are_no_number_change_nothing(self, buyer, draft, typed):
        line = draft.lines.get()
        answer = buyer.post(reverse("order-packs", args=[draft.pk]), {f"packs-{line.pk}": typed}, follow=True)

        assert "packs are whole numbers" in words(answer)
        assert draft.lines.get().packs == 3

    def test_draft_is_thrown_away_and_a_placed_order_is_not(self, buyer, draft, storeroom, supervisor, tube):
        placed = orders.start_order(
            storeroom=storeroom, number="R-2", lines=[Wanted(tube, 1, 1)], by=supervisor, at=timezone.now()
        )
        orders.place_order(order=placed, by=supervisor, at=timezone.now())
        for one in (draft, placed):
            answer = buyer.post(reverse("order-drop", args=[one.pk]), follow=True)

        assert list(Order.objects.all()) == [placed]
        assert "stays as it was sent" in words(answer)

    def test_what_the_supplier_says_is_shown_and_taken_back(self, buyer, order, today):
        line, later = order.lines.get(), today + timedelta(days=20)
        address = reverse("back-order", args=[line.pk])
        said = {"key": f"{uuid4().hex}-1", "expected_on": later.isoformat(), "note": "The maker is short"}
        answer = buyer.post(address, said, follow=True)
        assert "The maker is short" in words(answer)
        assert BackOrder.objects.get().expected_on == later

        buyer.post(address, {"key": f"{uuid4().hex}-2", "act": "withdrawn"})
        assert orders.standings(order.lines.all())[0].expected_on == today + timedelta(days=3)

    def test_part_of_a_line_on_back_order_is_shown_beside_the_rest(self, buyer, order, today):
        line, later = order.lines.get(), today + timedelta(days=20)
        said = {"key": f"{uuid4().hex}-1", "expected_on": later.isoformat(), "pieces": "20"}
        answer = buyer.post(reverse("back-order", args=[line.pk]), said, follow=True)

        soon = date_format(today + timedelta(days=3), "D j M Y")
        assert f"10, {soon}; 20, {date_format(later, 'D j M Y')}" in words(answer)
        assert 'name="pieces"' in answer.text

    def test_line_is_closed_and_expected_again(self, buyer, order):
        line = order.lines.get()
        answer = buyer.post(reverse("close-order", args=[order.pk]), {"line": line.pk}, follow=True)
        assert "closed" in words(answer)

        buyer.post(reverse("reopen-order-line", args=[line.pk]))
        assert orders.standings(order.lines.all())[0].open == 30

    def test_list_says_where_each_order_stands(self, buyer, order, today):
        order.lines.update(expected_on=today - timedelta(days=1))

        page = words(buyer.get(reverse("orders")))

        assert "R-1" in page
        assert "late, was expected" in page

    @pytest.mark.parametrize("page", ["orders", "order", "receiving", "receive", "order-print", "order-policies"])
    def test_page_asks_as_often_for_forty_lines_as_for_one(self, buyer, order, storeroom, supervisor, page):
        arguments = {"order": [order.pk], "order-print": [order.pk], "receive": [storeroom.pk]}.get(page, [])
        address = reverse(page, args=arguments) + (f"?order={order.pk}" if page == "receive" else "")

        def come(consumable, of):
            movement = ledger.receive(
                place=storeroom, consumable=consumable, quantity=5, by=supervisor, at=timezone.now(),
                key=f"in {consumable.pk}", lot=LotFactory(consumable=consumable),
            )  # fmt: skip
            Receipt.objects.create(movement=movement, order=of, order_line=of.lines.get(consumable=consumable))

        StockingLineFactory(place=storeroom, consumable=order.lines.get().consumable)
        come(order.lines.get().consumable, order)
        buyer.get(address)
        with CaptureQueriesContext(connection) as of_one:
            assert buyer.get(address).status_code == 200
        for number in range(39):
            line = StockingLineFactory(place=storeroom)
            order.lines.create(consumable=line.consumable, packs=2, pieces_per_pack=5)
            come(line.consumable, order)
            other = orders.start_order(
                storeroom=storeroom, number=f"X-{number}", lines=[Wanted(line.consumable, 1, 5)], by=supervisor,
                at=timezone.now(),
            )  # fmt: skip
            orders.place_order(order=other, by=supervisor, at=timezone.now())
        with CaptureQueriesContext(connection) as of_forty:
            buyer.get(address)

        assert len(of_forty) == len(of_one), "\n".join(query["sql"] for query in of_forty)


class TestReceiving:
    def test_scans_are_listed_and_one_press_puts_them_on_record(self, signed_in, order, storeroom, tube, table):
        for _ in range(3):
            answer = scanned(signed_in, table, order=order)
        assert "Put 3 packs on record" in words(answer)
        assert storeroom.on_hand(tube) == 0

        answer = signed_in.post(table("receive-record"), {"order": order.pk}, follow=True)

        assert storeroom.on_hand(tube) == 30
        assert "30 pieces are on record" in words(answer)
        assert orders.standings(order.lines.all())[0].open == 0

    def test_script_gets_the_list_alone(self, signed_in, tube_pack, table):
        answer = scanned(signed_in, table, hx_request="true")

        assert "1 pack scanned" in words(answer)
        assert "<html" not in answer.text

    def test_same_scan_sent_again_is_one_pack(self, signed_in, tube_pack, table):
        for _ in range(2):
            scanned(signed_in, table, key="11111111-aaaa-bbbb-cccc-000000000000")

        assert ArrivedPack.objects.count() == 1

    def test_list_survives_a_reload_and_another_person_goes_on(self, signed_in, tube_pack, table, client, supervisor):
        scanned(signed_in, table)
        client.force_login(supervisor)

        assert "1 pack scanned" in words(client.get(table("receive")))

    def test_unknown_pack_is_kept_and_a_supervisor_is_led_to_its_line(
        self, signed_in, client, storeroom, supervisor, table
    ):
        answer = scanned(signed_in, table)
        assert "Not known yet" in words(answer)
        assert reverse("scan-pack", args=[ITEM]) not in answer.text
        client.force_login(supervisor)
        assert reverse("scan-pack", args=[ITEM]) in client.get(table("receive")).text

    @pytest.mark.parametrize(
        ("text", "said"), [("8018" + "412345678901234566", "about a person"), ("hello", "no code")]
    )
    def test_what_is_refused_leaves_nothing(self, signed_in, table, text, said):
        answer = scanned(signed_in, table, text)

        assert said in words(answer)
        assert text not in answer.text
        assert not ArrivedPack.objects.exists()

    def test_wristband_typed_as_a_lot_is_refused(self, signed_in, table, tube):
        said = {"line": tube.pk, "packs": 1, "key": uuid4(), "lot": "8018412345678901234566"}
        answer = signed_in.post(table("receive-typed"), said, follow=True)

        assert "about a person" in words(answer)
        assert not ArrivedPack.objects.exists()

    @pytest.mark.parametrize(("act", "left"), [("want", 1), ("aside", 0), ("off", 0)])
    def test_what_was_not_ordered_is_answered_for(self, signed_in, order, table, act, left):
        other = ConsumableFactory(name="Mask")
        signed_in.post(table("receive-typed"), {"line": other.pk, "packs": 1, "key": uuid4(), "order": order.pk})
        pack = ArrivedPack.objects.get()
        assert "Not on this order" in words(signed_in.get(table("receive", order)))

        said = {"packs": pack.pk, "act": act, "order": order.pk}
        answer = signed_in.post(table("answer-packs"), said, follow=True)

        assert ("Put 1 pack on record" in words(answer)) == bool(left)
        assert ("Back on the list" in words(answer)) == (act == "aside")

    def test_what_the_pack_says_is_kept(self, signed_in, tube, table, today):
        day = today + timedelta(days=400)
        signed_in.post(table("receive-typed"), {"line": tube.pk, "packs": 1, "key": uuid4(), "expires_on": day})
        assert "cannot be kept without its lot" in words(signed_in.get(table("receive")))
        said = {"packs": ArrivedPack.objects.get().pk, "act": "printed", "lot": "A1", "expires_on": day}
        answer = signed_in.post(table("answer-packs"), said, follow=True)

        assert "lot A1" in words(answer)
        assert "Put 1 pack on record" in words(answer)

    def test_undo_brings_the_packs_back_on_the_list(self, signed_in, order, table, storeroom, tube):
        scanned(signed_in, table, order=order)
        signed_in.post(table("receive-record"), {"order": order.pk})
        answer = signed_in.post(reverse("undo-receipt", args=[Receipt.objects.get().pk]), follow=True)

        assert "stand on the list again" in words(answer)
        assert "taken back" in words(answer)
        assert storeroom.on_hand(tube) == 0

    def test_what_came_in_is_printed_with_its_order_and_what_was_remarked(
        self, client, signed_in, order, tube, table, supervisor
    ):
        for _ in range(2):  # one more than was ordered of a second line
            scanned(signed_in, table, order=order)
        other = ConsumableFactory(name="Mask")
        signed_in.post(table("receive-typed"), {"line": other.pk, "packs": 1, "key": uuid4(), "order": order.pk})
        said = {"packs": ArrivedPack.objects.get(consumable=other).pk, "act": "want", "order": order.pk}
        signed_in.post(table("answer-packs"), said)
        signed_in.post(table("receive-record"), {"order": order.pk})
        client.force_login(supervisor)

        printed = words(client.get(reverse("order-print", args=[order.pk])))

        assert "What came in" in printed
        assert "Mask" in printed.split("What came in")[1]
        assert "not on this order" in printed

    def test_short_dated_is_what_the_department_says(self, signed_in, department, tube, table, today):
        Policy.objects.create(department=department, short_dated_days=500)
        signed_in.post(
            table("receive-typed"),
            {"line": tube.pk, "packs": 1, "key": uuid4(), "lot": "A", "expires_on": today + timedelta(days=400)},
        )

        assert "Short-dated: 400 days left" in words(signed_in.get(table("receive")))

    def test_delivery_sheet_goes_out_and_its_packs_stand_on_the_list(self, signed_in, order, table, tube, storeroom):
        page = signed_in.get(table("receive", order))
        assert table("delivery-sheet", order) in page.text
        book = load_workbook(BytesIO(signed_in.get(table("delivery-sheet", order)).content))
        row = next(row for row in book.active.iter_rows() if row[0].value == tube.code)
        row[6].value, row[7].value = 2, "LOT7"
        saved = BytesIO()
        book.save(saved)

        for _ in range(2):
            sheet = SimpleUploadedFile("delivery.xlsx", saved.getvalue())
            answer = signed_in.post(table("delivery-sheet-back", order), {"workbook": sheet}, follow=True)

        assert "1 row came with this sheet before and is not received again" in words(answer)
        assert "Put 2 packs on record" in words(answer)
        assert storeroom.on_hand(tube) == 0

    def test_wristband_on_a_delivery_sheet_is_on_no_page(self, signed_in, order, table, tube):
        book = load_workbook(BytesIO(signed_in.get(table("delivery-sheet", order)).content))
        row = next(row for row in book.active.iter_rows() if row[0].value == tube.code)
        row[6].value, row[7].value = 2, "8018412345678901234566"
        saved = BytesIO()
        book.save(saved)
        sheet = SimpleUploadedFile("delivery.xlsx", saved.getvalue())

        answer = signed_in.post(table("delivery-sheet-back", order), {"workbook": sheet})

        assert "about a person" in words(answer)
        assert "4123456" not in answer.text
        assert not ArrivedPack.objects.exists()

    def test_home_counts_what_waits(self, signed_in, order, storeroom, technician, table):
        read = read_scan(SCAN, today=timezone.now().date())
        for number in range(2):
            arrivals.keep_scan(
                read, find(storeroom.department, read), storeroom=storeroom, order=order, by=technician,
                at=timezone.now(), key=f"{number}",
            )  # fmt: skip

        page = words(signed_in.get(reverse("receiving")))

        assert "30 of 30 pieces to come" in page
        assert "2 scans wait" in page


class TestPolicies:
    @pytest.fixture
    def shelves(self, storeroom):
        return [StockingLineFactory(place=storeroom) for _ in range(3)]

    def test_ticked_lines_change_together_and_keep_the_rest(self, buyer, shelves):
        OrderPolicy.objects.create(stocking_line=shelves[0], review_days=14)
        buyer.post(
            reverse("order-policies"),
            {"of": "ticked", "line": [shelves[0].pk, shelves[1].pk], "lead_days": 6, "lead_fixed": "yes"},
        )

        said = OrderPolicy.objects.order_by("stocking_line").values_list("stocking_line", "review_days", "lead_days")
        assert list(said) == [(shelves[0].pk, 14, 6), (shelves[1].pk, 7, 6)]

    def test_all_lines_shown_change(self, buyer, shelves):
        buyer.post(reverse("order-policies"), {"of": "all", "review_days": 3})

        assert OrderPolicy.objects.filter(review_days=3).count() == 3

    def test_a_policy_that_cannot_be_changes_no_line(self, buyer, shelves):
        answer = buyer.post(reverse("order-policies"), {"of": "all", "lead_days": 0})

        assert "the spread is at most the lead time" in words(answer)
        assert not OrderPolicy.objects.exists()

    def test_one_line_has_a_page_of_its_own(self, buyer, shelves):
        address = reverse("order-policy", args=[shelves[0].pk])
        assert "as stated: nothing ordered here has come yet" in words(buyer.get(address))
        said = {
            "method": "reorder_point", "review_days": 7, "lead_days": 3, "lead_spread_days": 1, "order_pieces": 40,
            "measure": "fill_rate", "service": "0.98",
        }  # fmt: skip
        buyer.post(address, said)

        policy = OrderPolicy.objects.get()
        assert (policy.method, policy.order_pieces, policy.service) == ("reorder_point", 40, 0.98)


def test_shortages_say_what_is_on_order_and_when(buyer, add_shortage, storeroom, supervisor, today):
    line = add_shortage(name="Bougie").plan_line
    made = orders.start_order(
        storeroom=storeroom, number="R-9", lines=[Wanted(line.consumable, 4, 5)], by=supervisor, at=timezone.now()
    )
    orders.place_order(
        order=made, by=supervisor, at=timezone.now(), expected={line.consumable_id: today - timedelta(days=2)}
    )

    for page in (reverse("shortages"), reverse("shortage", args=[line.pk])):
        assert "20, late, was expected" in words(buyer.get(page))
