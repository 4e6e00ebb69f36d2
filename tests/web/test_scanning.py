"""The scan page, packs that are new, and codes about people, in every box that a scan can be typed into."""

import logging
from datetime import timedelta
from html.parser import HTMLParser

import pytest
from django.contrib.messages import get_messages
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.models import Order, Packaging
from inventory.scanning.labels import bin_label_text
from tests.conftest import NOON
from tests.factories import (
    BinFactory,
    CartFactory,
    CaseFactory,
    ConsumableFactory,
    LotFactory,
    PackagingFactory,
    StockingLineFactory,
    UserFactory,
)
from tests.person_codes import PERSON_CODES, TRACES

from .routes import address_of, every_route
from .test_pages import words
from .test_query_counts import queries

# From the FDA's "UDI formats by issuing agency", v1.3, 2017, its date moved on.
ITEM = "51022222233336"
# Begin like a lot, a seal or a date; every scanner sends the recipient's number with them, which is told.
NOT_TOLD_FROM_OTHER_TEXT = {"recipient, wrong length", "born and named without a recipient"}
GTIN_OF_TEN = "10614141000019"  # indicator 1 before the item reference of 00614141000012, with its own check digit


@pytest.fixture
def scan(client, department):
    def ask(text, role="technician", **more):
        if role:
            client.force_login(UserFactory(groups=[role]))
        return client.post(reverse("scan"), {"scan": text, **more})

    return ask


@pytest.fixture
def pack(tube):
    return PackagingFactory(consumable=tube, barcode=ITEM, pieces_per_pack=10)


class TestWhatIsThis:
    def test_says_line_lot_expiry_and_where_the_lot_is(self, scan, pack, tube, stocked_cart, technician, today):
        lot = LotFactory(consumable=tube, number="A213B1", expires_on=today + timedelta(days=40))
        ledger.receive(place=stocked_cart, consumable=tube, lot=lot, quantity=2, by=technician, at=NOON, key="r")

        said = words(scan(f"]d201{ITEM}17{lot.expires_on:%y%m%d}10A213B1\x1d21SER9"))

        assert tube.label in said
        assert "Lot A213B1" in said
        assert "40 more days" in said
        assert "Cart 1 7 2" in said  # on record in all, and of this lot
        assert "SER9" not in said

    def test_warns_of_an_expired_and_of_a_quarantined_lot(self, scan, pack, tube, today):
        LotFactory(consumable=tube, number="OLD", expires_on=today - timedelta(days=3), quarantined_at=timezone.now())

        said = words(scan(f"(01){ITEM}(10)OLD"))

        assert "Expired 3 days ago" in said
        assert "This lot is in quarantine" in said

    def test_asks_which_lot_is_printed_where_a_separator_is_missing(self, scan, pack):
        said = words(scan(f"01{ITEM}10LOT721SER9"))

        assert "in doubt: LOT721SER9 or LOT7" in said

    def test_takes_the_lot_on_record_where_a_separator_is_missing(self, scan, pack, tube):
        LotFactory(consumable=tube, number="LOT7")

        assert "Lot LOT7 Expiry" in words(scan(f"01{ITEM}10LOT721SER9"))

    def test_joins_the_two_codes_of_one_pack(self, scan, pack, tube):
        first = scan(f"01{ITEM}")
        before = {"before-item": ITEM, "before-lot": "", "before-expires": ""}

        assert 'name="before-item" value="51022222233336"' in first.text
        assert "Lot LOT7" in words(scan("1731123110LOT7", role=None, **before))

    def test_label_of_a_bin_leads_to_its_line_and_says_when_it_is_out_of_date(self, scan, tube, cart):
        drawer = BinFactory(place=cart, code="D2")
        line = StockingLineFactory(place=cart, consumable=tube, bin=drawer)
        label = bin_label_text(line=tube.code, place=cart.code, bin="D2")

        assert "Label of Cart 1, D2" in words(scan(label))
        line.bin = None
        line.save()
        assert "out of date" in words(scan(label))

    def test_asks_the_database_as_often_for_sixty_places_as_for_one(self, scan, pack, tube, client, technician):
        def count():
            StockingLineFactory(place=CartFactory(), consumable=tube)
            with CaptureQueriesContext(connection) as asked:
                client.post(reverse("scan"), {"scan": ITEM})
            return len(asked)

        client.force_login(technician)
        count()
        of_two = count()
        for _ in range(58):
            StockingLineFactory(place=CartFactory(), consumable=tube)

        assert count() == of_two


class TestNewPack:
    def test_is_attached_once_by_a_supervisor(self, client, supervisor, department, tube, scan):
        page = reverse("scan-pack", args=[ITEM])
        assert page in scan(f"(01){ITEM}", role="supervisor").text

        assert tube.label in words(client.get(page, {"q": "tube"}))
        client.post(page, {"line": tube.pk, "holds": 10})

        assert Packaging.objects.get(barcode=ITEM).pieces_per_pack == 10
        assert tube.label in words(scan(f"(01){ITEM}"))

    @pytest.mark.parametrize("role", ["clinician", "technician"])
    def test_of_others_is_told_and_nothing_is_lost(self, scan, role):
        answer = scan(f"(01){ITEM}(17)311231(10)LOT7", role=role)

        assert "Ask a supervisor to add it" in words(answer)
        assert "Lot LOT7" in words(answer)
        assert reverse("scan-pack", args=[ITEM]) not in answer.text

    def test_next_level_is_offered_the_line_of_the_level_below_and_may_be_counted_in_it(self, client, supervisor, tube):
        PackagingFactory(consumable=tube, barcode="614141000012", pieces_per_pack=5)
        client.force_login(supervisor)
        page = reverse("scan-pack", args=[GTIN_OF_TEN])

        assert tube.label in words(client.get(page))
        client.post(page, {"line": tube.pk, "holds": 10, "of": "5"})

        assert Packaging.objects.get(barcode=GTIN_OF_TEN).pieces_per_pack == 50

    def test_hibc_pack_is_known_by_its_item_and_the_next_level_by_its_last_digit(self, client, supervisor, tube):
        PackagingFactory(consumable=tube, barcode="+A99912340", pieces_per_pack=1)
        client.force_login(supervisor)

        assert tube.label in words(client.get(reverse("scan-pack", args=["+A99912345"])))

    def test_pack_without_a_barcode_gets_it(self, client, supervisor, tube):
        bare = PackagingFactory(consumable=tube, pieces_per_pack=10)
        client.force_login(supervisor)
        client.post(reverse("scan-pack", args=[ITEM]), {"line": tube.pk, "holds": 10})

        bare.refresh_from_db()
        assert bare.barcode == ITEM

    @pytest.mark.parametrize("number", ["4471203", "51022222233337", "80181234567890123456"])
    def test_what_is_no_item_number_cannot_be_attached(self, client, supervisor, department, number):
        client.force_login(supervisor)

        assert client.get(reverse("scan-pack", args=[number])).status_code == 404


def test_results_take_as_many_queries_for_sixty_lines_as_for_one(client, supervisor, department):
    client.force_login(supervisor)
    address = reverse("scan-pack", args=[ITEM]) + "?q=Line"
    ConsumableFactory()
    queries(client, address)
    of_one = len(queries(client, address))
    for _ in range(59):
        ConsumableFactory()

    assert len(queries(client, address)) == of_one


class TestPrivacy:
    """A wristband, scanned into every box that takes scans."""

    @pytest.fixture
    def boxes(self, room, stocked_cart, today):
        case = CaseFactory(room=room, date=today, order=1)
        return {
            reverse("scan"): "scan",
            reverse("search"): "q",
            reverse("log-need", args=[room.pk]): "q",
            reverse("log-find-line", args=[case.pk]): "add",
        }

    def test_is_refused_and_found_nowhere_afterwards(self, client, boxes, supervisor, caplog):
        client.force_login(supervisor)
        caplog.set_level(logging.DEBUG)
        shown = []

        for address, field in boxes.items():
            for form, code in PERSON_CODES.items():
                answer = client.post(address, {field: code}, follow=True)
                assert "This code is about a person" in answer.text, (address, form)
                shown += [answer.text, str(answer.headers), str(answer.redirect_chain)]

        kept = stored_everywhere() + caplog.text + str(client.cookies) + str(dict(client.session))
        assert found_in(kept) == []
        assert found_in("".join(shown)) == []

    def test_is_refused_by_every_scan_box_of_every_page(self, client, evening, supervisor, caplog):
        """The boxes come from the pages, and these from the URL configuration: a new one cannot be forgotten."""
        line = evening(2)
        client.force_login(supervisor)
        caplog.set_level(logging.DEBUG)
        forms = scan_forms_of_all_pages(client, line)
        assert len(forms) >= 5
        shown = ""

        for page, method, action, values, box in forms:
            assert method == "post", f"{page} would put a scan into an address"
            for form in ("recipient with symbology", "glued to a lot", "HIBC provider, section 2.6", "HL7"):
                answer = client.post(action, values | {box: PERSON_CODES[form]}, follow=True)
                assert answer.status_code < 500, (page, form)
                shown += answer.text + str(answer.headers) + str(answer.redirect_chain)

        assert (
            found_in(shown + stored_everywhere() + caplog.text + str(client.cookies) + str(dict(client.session))) == []
        )

    def test_is_refused_by_fields_that_take_no_scans(self, client, supervisor, stocked_cart, storeroom, caplog):
        """A scanner types wherever the cursor stands. The fields come from the forms of four kinds of pages."""
        stocked_cart.sealed = True
        stocked_cart.save()
        order = Order.objects.create(storeroom=storeroom, number="DRAFT-1", made_at=NOON, made_by=supervisor)
        client.force_login(supervisor)
        caplog.set_level(logging.DEBUG)
        boxes = {
            reverse("order-place", args=[order.pk]): {"number"},
            reverse("seal-open", args=[stocked_cart.pk]): {"seal_off", "note"},
            reverse("plan-evening"): {"for_date"},
            reverse("sign-in"): {"username"},
        }
        shown = ""

        for address, fields in boxes.items():
            for form, code in PERSON_CODES.items():
                if form in NOT_TOLD_FROM_OTHER_TEXT:
                    continue
                for field in fields:
                    told = {"key": f"key-{form.replace(' ', '-')}"[:40], field: code, "password": "wrong"}
                    answer = client.post(address, told, follow=True)
                    assert "This code is about a person" in answer.text, (address, form)
                    shown += answer.text + str(answer.redirect_chain)

        assert found_in(shown + stored_everywhere() + caplog.text + str(dict(client.session))) == []

    @pytest.mark.parametrize(
        ("key", "refused"),
        [
            ("43143205-830d-46ae-9abd-81fee2aa026f", False),
            ("4313cd3960ca43b1950e6b8007fe0118", False),
            ("80184123456748765498432180190042", True),
            ("8018412345678901234566", True),
        ],
    )
    def test_random_key_of_a_form_is_never_taken_for_a_person(self, client, technician, room, key, refused):
        client.force_login(technician)

        answer = client.post(reverse("log-add-case", args=[room.pk]), {"key": key})

        said = [str(message) for message in get_messages(answer.wsgi_request)]
        assert any("This code is about a person" in words for words in said) is refused

    @pytest.mark.parametrize(("reason", "shown"), [("for MRN 4471203", False), ("torn " * 30, True)])
    def test_note_refused_stands_there_again_only_without_a_number(self, client, supervisor, tube, reason, shown):
        lot = LotFactory(consumable=tube)
        client.force_login(supervisor)

        answer = client.post(reverse("put-aside", args=[lot.pk]), {"key": "key-0001", "reason": reason})

        assert answer.status_code == 400
        assert "4471203" not in answer.text
        assert ("torn torn" in answer.text) is shown

    @pytest.mark.parametrize("number", ["4471203", "MRN 4471203", "0912345678"])
    def test_number_that_may_be_somebodys_is_neither_repeated_nor_kept(self, client, boxes, supervisor, caplog, number):
        client.force_login(supervisor)
        caplog.set_level(logging.DEBUG)

        for address, field in boxes.items():
            answer = client.post(address, {field: number}, follow=True)
            assert number not in answer.text + str(answer.redirect_chain) + str(answer.headers)

        assert number not in stored_everywhere() + caplog.text + str(client.cookies)

    def test_is_cleansed_from_the_report_of_a_fault(
        self, client, supervisor, department, monkeypatch, settings, mailoutbox
    ):
        """Django mails what was posted when a page fails, unless it is told not to."""
        settings.ADMINS = [("Somebody", "somebody@example.org")]
        monkeypatch.setattr("inventory.scanned.packaging_of", lambda *args: 1 / 0)
        client.raise_request_exception = False
        client.force_login(supervisor)

        for address, field in {reverse("scan"): "scan", reverse("search"): "q"}.items():
            client.post(address, {field: f"01{ITEM}10LOT7"})

        assert len(mailoutbox) == 2
        for mail in mailoutbox:
            assert "ZeroDivisionError" in mail.body
            assert "LOT7" not in mail.body + str(mail.alternatives)

    def test_words_go_into_the_address_and_scans_do_not(self, client, supervisor, tube):
        client.force_login(supervisor)

        assert client.post(reverse("search"), {"q": "tube 7.0"}).url.endswith("?q=tube+7.0")
        assert client.post(reverse("search"), {"q": "tube 4471203"}).status_code == 200

    def test_site_asks_for_the_camera_and_for_nothing_else(self, client, supervisor, department):
        client.force_login(supervisor)
        policy = client.get(reverse("scan"))["Permissions-Policy"]

        assert "camera=(self)" in policy
        assert "microphone=()" in policy


class ScanForms(HTMLParser):
    """The forms of a page that hold a scan box: (method, action, their hidden fields, the box's name)."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.page, self.form, self.found = page, None, set()

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        if tag == "form":
            self.form = [told.get("method", "get").lower(), told.get("action") or self.page, {}]
        elif tag == "input" and self.form and told.get("type") == "hidden":
            self.form[2][told["name"]] = told.get("value", "")
        elif tag == "input" and "data-refusal" in told:
            method, action, values = self.form
            self.found.add((method, action, tuple(values.items()), told["name"]))


def scan_forms_of_all_pages(client, line) -> list[tuple]:
    forms = {}
    for name, _, arguments in every_route():
        if name.startswith("admin:") or name == "sign-out":
            continue
        address = address_of(name, arguments, line)
        answer = client.get(address)
        if answer.status_code == 200 and answer["Content-Type"].startswith("text/html"):
            parser = ScanForms(address)
            parser.feed(answer.text)
            for method, action, values, box in parser.found:
                forms[action, box] = (address, method, action, dict(values), box)
    return list(forms.values())


def stored_everywhere() -> str:
    """Every cell of every table of the database."""
    with connection.cursor() as cursor:
        cells = []
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")
            cells += [str(row) for row in cursor.fetchall()]
    return "\n".join(cells)


def found_in(text: str) -> list[str]:
    return [trace for trace in TRACES if trace in text]
