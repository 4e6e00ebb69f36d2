"""Recalls and lots on the pages: opened, swept, signed, reported; on paper too."""

from datetime import timedelta
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from inventory import ledger, recalls
from inventory.models import Recall
from restock.cases.case_log import Opened, log_case
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    LotFactory,
    PackagingFactory,
    StockingLineFactory,
)

from .test_pages import words
from .test_query_counts import queries

GTIN = "04900000017007"
SCAN = f"(01){GTIN}(17)280630(10)24A0100"


@pytest.fixture
def now():
    return timezone.now()


@pytest.fixture
def lot(tube):
    PackagingFactory(consumable=tube, barcode=GTIN, pieces_per_pack=1)
    return LotFactory(consumable=tube, number="24A0100")


@pytest.fixture
def held(cart, storeroom, tube, lot, technician, now):
    """Two pieces of the lot on the cart, six in the storeroom."""
    StockingLineFactory(place=cart, consumable=tube)
    for place, pieces in ((cart, 2), (storeroom, 6)):
        ledger.receive(
            place=place, consumable=tube, quantity=pieces, lot=lot, by=technician, at=now - timedelta(days=1),
            key=f"in {place.pk}",
        )  # fmt: skip
    return lot


@pytest.fixture
def opened(held, tube, supervisor, now):
    def opened(**told):
        return recalls.open_recall(
            consumable=tube, by=supervisor, at=now, **{"notice": "FSN 24-7", "lot_numbers": ["24A0100"], **told}
        )

    return opened


@pytest.fixture
def supervising(client, supervisor):
    client.force_login(supervisor)
    return client


def answer(client, recall, place, **told):
    asked = recall.places.get(place=place)
    form = {"recall_place": asked.pk, "key": f"form-key-{asked.pk}", "found": 0, **told}
    return client.post(reverse("recall-answer", args=[recall.pk]), form)


class TestOpening:
    def form(self, tube, **told):
        return {"line": tube.pk, "notice": "FSN 24-7", "recall_class": "II", **told}

    def test_line_is_chosen_by_a_scan_of_the_pack_and_its_lot_stands_ticked(self, supervising, held):
        answer = supervising.post(reverse("recall-new"), {"scan": SCAN}, follow=True)

        assert 'value="24A0100" checked' in answer.text

    def test_ticked_lot_is_recalled_and_every_place_is_asked(self, supervising, held, tube, supervisor):
        supervising.post(reverse("recall-new"), self.form(tube, lot=["24A0100"], barcode=GTIN))

        recall = Recall.objects.get()
        assert (recall.recall_class, recall.barcode, recall.opened_by) == ("II", GTIN, supervisor)
        assert recall.places.count() == 2

    def test_lots_that_cannot_be_compared_with_the_range_are_shown_before_anything_is_opened(
        self, supervising, held, tube
    ):
        LotFactory(consumable=tube, number="L-7")
        form = self.form(tube, lot_from="24A0090", lot_to="24A0110")

        shown = supervising.post(reverse("recall-new"), form)
        assert "L-7 use by 30 Jun 2028 cannot be compared: judge it yourself" in words(shown)
        assert not Recall.objects.exists()
        supervising.post(reverse("recall-new"), form | {"seen_range": "24A0090|24A0110", "lot": ["24A0100", "L-7"]})

        assert {one.lot.number for one in Recall.objects.get().lots.all()} == {"24A0100", "L-7"}

    @pytest.mark.parametrize(
        ("told", "said"),
        [
            ({}, "Name the lots, give a range, or recall the whole line."),
            ({"lot_from": "24A0090", "lot_to": "L7"}, "are written differently"),
            ({"lot": ["24A0100"], "instruction": "ask 1234567"}, "Leave out dates and numbers"),
        ],
    )
    def test_notice_that_cannot_stand_says_why_and_opens_nothing(self, supervising, held, tube, told, said):
        page = supervising.post(reverse("recall-new"), self.form(tube, **told))

        assert said in words(page)
        assert page.status_code == 400
        assert not Recall.objects.exists()

    def test_range_that_says_nothing_is_told_in_the_reader_s_language(self, supervising, tube):
        form = self.form(tube, lot_from="24A0090", lot_to="L7")

        page = supervising.post(reverse("recall-new"), form, headers={"Accept-Language": "es"})

        assert "24A0090 y L7 " in words(page)


class TestSweep:
    def test_one_tap_says_none_here(self, signed_in, opened, cart, lot):
        recall = opened()

        page = answer(signed_in, recall, cart)

        assert page.status_code == 302
        assert "1 of 2 places answered. 1 had none; 0 found in all." in words(signed_in.get(page.url))
        assert not lot.holdings.filter(place=cart, quantity__gt=0)

    def test_found_pieces_are_told_with_what_became_of_them(self, signed_in, opened, storeroom):
        recall = opened()

        answer(signed_in, recall, storeroom, found=6, returned=4, destroyed=1)

        said = words(signed_in.get(reverse("recall", args=[recall.pk])))
        assert "6 found : 4 sent back, 1 destroyed, 1 put aside" in said

    def test_answer_that_cannot_be_keeps_what_was_typed(self, signed_in, opened, storeroom):
        page = answer(signed_in, opened(), storeroom, found=2, returned=3)

        assert page.status_code == 400
        assert "cannot be more than what was found" in words(page)
        assert 'name="returned" value="3"' in page.text

    def test_htmx_gets_the_row_and_the_progress_alone(self, signed_in, opened, cart):
        recall = opened()
        asked = recall.places.get(place=cart)
        page = signed_in.post(
            reverse("recall-answer", args=[recall.pk]),
            {"recall_place": asked.pk, "key": "form-key-1", "found": 0},
            headers={"HX-Request": "true"},
        )

        assert "<html" not in page.text
        assert f'id="place-{asked.pk}"' in page.text
        assert 'hx-swap-oob="true"' in page.text

    @pytest.mark.parametrize(
        ("scan", "said"),
        [
            (SCAN, "Recalled: Tracheal tube, cuffed, 7.0 mm, lot 24A0100. Do not use it"),
            (SCAN.replace("24A0100", "24A0200"), "lot 24A0200: no recall on record here means it"),
            (f"(01){GTIN}", "this code does not say the lot for certain"),
        ],
    )
    def test_scanned_pack_is_recalled_or_not(self, signed_in, opened, scan, said):
        opened()

        assert said in words(signed_in.post(reverse("recalls"), {"scan": scan}))

    def test_signature_is_the_supervisors_and_waits_for_all(self, supervising, opened, cart, storeroom):
        recall = opened()
        close = reverse("recall-close", args=[recall.pk])
        answer(supervising, recall, cart)
        assert "1 place has not answered yet: Main storeroom" in words(supervising.post(close, follow=True))

        answer(supervising, recall, storeroom, found=6)

        assert "Signed and closed" in words(supervising.post(close, follow=True))

    def test_every_page_of_a_drill_says_so(self, supervising, opened, lot):
        recall = opened(drill=True)

        for page in ("recall", "recall-report"):
            assert "no stock moves" in words(supervising.get(reverse(page, args=[recall.pk])))
        for page in ("recall-sheet", "recall-report-workbook"):
            book = load_workbook(BytesIO(supervising.get(reverse(page, args=[recall.pk])).content))
            assert any("No stock is touched." in str(cell.value) for row in book.worksheets[0] for cell in row)
        assert "Part of a drill: FSN 24-7" in words(supervising.get(reverse("lot", args=[lot.pk])))

    def test_report_names_slots_that_used_the_lot_and_no_person(self, signed_in, opened, room, tube, clinician, now):
        case = CaseFactory(room=room, date=now.date(), order=3, case_type=CaseTypeFactory(name="Hernia"))
        recall = opened(drill=True)
        log_case(case=case, lines=[Opened(tube, used=1)], by=clinician, at=now, key="log")

        page = signed_in.get(reverse("recall-report", args=[recall.pk]))

        assert "OR-1 3 Hernia 24A0100 1" in words(page)


class TestOnPaper:
    def fill(self, book, **by_place):
        sheet = book.worksheets[0]
        head = next(row[0].row for row in sheet.iter_rows() if row[0].value == "Place")
        columns = {cell.value: cell.column for cell in sheet[head]}
        for row in range(head + 1, sheet.max_row + 1):
            for title, value in by_place.get(
                str(sheet.cell(row, columns["Place"]).value).replace(" ", "_"), {}
            ).items():
                sheet.cell(row, columns[title]).value = value

    def bring_back(self, client, recall, book):
        data = BytesIO()
        book.save(data)
        address = reverse("recall-sheet-back", args=[recall.pk])
        return client.post(address, {"workbook": SimpleUploadedFile("s.xlsx", data.getvalue())}, follow=True)

    def test_sweep_goes_out_and_comes_back_with_nil_returns(self, signed_in, opened, cart, storeroom):
        recall = opened()
        book = load_workbook(BytesIO(signed_in.get(reverse("recall-sheet", args=[recall.pk])).content))
        self.fill(book, Cart_1={"Found": 0}, Main_storeroom={"Found": 6, "Sent back": 6})

        said = self.bring_back(signed_in, recall, book)
        again = self.bring_back(signed_in, recall, book)

        assert "2 places answered." in words(said)
        assert "0 places answered." in words(again)
        told = recalls.report(recall)
        assert (told.nil, told.returned, told.waiting) == (1, 6, 0)

    @pytest.fixture
    def corrected(self, signed_in, opened, held, cart, technician, now):
        """A sweep sheet on which the cart stands with 0 found; since then 2 found and destroyed are on record there."""
        recall = opened()
        asked = recall.places.get(place=cart)
        recalls.answer(recall_place=asked, found=0, by=technician, at=now, key="none")
        book = load_workbook(BytesIO(signed_in.get(reverse("recall-sheet", args=[recall.pk])).content))
        recalls.answer(recall_place=asked, found=2, destroyed=2, by=technician, at=now, key="corrected")
        return recall, book, asked

    def test_row_that_stands_as_printed_takes_no_later_correction_back(self, signed_in, corrected):
        recall, book, asked = corrected
        self.fill(book, Main_storeroom={"Found": 6})

        assert "1 place answered." in words(self.bring_back(signed_in, recall, book))
        assert asked.answers.last().key == "corrected"

    def test_row_changed_on_a_sheet_older_than_the_last_answer_is_refused(self, signed_in, corrected):
        recall, book, asked = corrected
        self.fill(book, Cart_1={"Found": 1}, Main_storeroom={"Found": 6})

        said = words(self.bring_back(signed_in, recall, book))

        assert "expected 2, with 0 sent back and 2 destroyed, which was answered since this sheet was written" in said
        assert (asked.answers.last().key, recalls.report(recall).answered) == ("corrected", 1)

    def test_sheet_with_more_gone_than_found_is_refused_whole(self, signed_in, opened, cart, storeroom):
        recall = opened()
        book = load_workbook(BytesIO(signed_in.get(reverse("recall-sheet", args=[recall.pk])).content))
        self.fill(book, Cart_1={"Found": 0}, Main_storeroom={"Found": 2, "Sent back": 6})

        said = words(self.bring_back(signed_in, recall, book))

        assert "found 2, with 6 sent back and 0 destroyed; expected at least as many found" in said
        assert recalls.report(recall).answered == 0


class TestLots:
    def test_scan_of_a_pack_leads_to_its_lot(self, signed_in, held):
        page = signed_in.post(reverse("lots"), {"scan": SCAN})

        assert page.url == reverse("lot", args=[held.pk])

    def test_lot_put_aside_by_hand_is_let_back_by_a_supervisor_alone(self, signed_in, held, supervisor):
        signed_in.post(reverse("put-aside", args=[held.pk]), {"key": "form-key-1", "reason": "wet box"})
        held.refresh_from_db()
        assert held.quarantined_at

        back = {"key": "form-key-2", "reason": "only the wrapping"}
        assert signed_in.post(reverse("let-back", args=[held.pk]), back).status_code == 403
        signed_in.force_login(supervisor)
        signed_in.post(reverse("let-back", args=[held.pk]), back)

        held.refresh_from_db()
        assert held.quarantined_at is None


@pytest.mark.parametrize("page", ["recalls", "recall", "recall-report", "lot"])
def test_sixty_places_take_no_more_queries_than_one(signed_in, opened, tube, lot, technician, now, page):
    recall = opened()
    arguments = {"lot": [lot.pk], "recalls": []}.get(page, [recall.pk])
    address = reverse(page, args=arguments)
    queries(signed_in, address)
    of_few = queries(signed_in, address)
    for number in range(58):
        place = CartFactory(room=None)
        asked = recalls.name_place(recall=recall, place=place)
        recalls.answer(recall_place=asked, found=1, by=technician, at=now, key=f"a{number}")
    for number in range(58):
        opened(drill=True, notice=f"drill {number}")

    assert len(queries(signed_in, address)) == len(of_few)


class TestAnswerByScan:
    @pytest.fixture
    def scanning(self, signed_in, opened, cart):
        """`scanning(SCAN, found=2)`: a scan at the cart while its row says 2 found; the row that comes back."""
        place = opened().places.get(place=cart)
        address = reverse("recall-scan-place", args=[place.recall_id, place.pk])

        def scan(text, **typed):
            return signed_in.post(address, {"scan": text, **typed}, headers={"HX-Request": "true"})

        scan.address, scan.place = address, place
        return scan

    def test_each_pack_of_the_lot_adds_its_pieces_and_nothing_is_answered_yet(self, scanning, tube):
        tube.packagings.update(pieces_per_pack=3)

        once = scanning(SCAN, found=0)
        assert 'name="found" value="3"' in once.text
        twice = scanning(SCAN, found=3, returned=2, note="by the door")

        assert 'name="found" value="6"' in twice.text
        assert 'name="returned" value="2"' in twice.text
        assert 'value="by the door"' in twice.text
        assert "Added 3 of lot 24A0100." in words(twice)
        assert not scanning.place.answers.exists()

    def test_another_lot_or_line_is_said_so_added_to_nothing_and_kept_nowhere(self, scanning, tube):
        PackagingFactory(barcode="00614141000012", consumable__name="Mask")

        lot = scanning(SCAN.replace("24A0100", "OTHER-9"), found=2)
        line = scanning("(01)00614141000012(10)24A0100", found=2)

        assert "Not this lot: OTHER-9. Nothing was added." in words(lot)
        assert "Not this line: " in words(line)
        assert 'name="found" value="2"' in lot.text
        assert 'name="found" value="2"' in line.text
        assert not tube.lots.filter(number="OTHER-9").exists()

    def test_a_label_of_the_shelf_is_no_pack(self, signed_in, opened, cart, tube):
        place = opened(lot_numbers=[], all_lots=True).places.get(place=cart)
        address = reverse("recall-scan-place", args=[place.recall_id, place.pk])
        answer = signed_in.post(address, {"scan": tube.code, "found": 2}, headers={"HX-Request": "true"})

        assert "Scan the packs themselves." in words(answer)
        assert 'name="found" value="2"' in answer.text

    def test_a_wristband_is_refused_and_not_repeated(self, scanning):
        answer = scanning("]C18018123456789012345675", found=2)

        assert "123456789012345675" not in answer.text
        assert 'name="found" value="2"' in answer.text

    def test_its_page_scans_without_scripts_too_and_the_row_is_saved_as_any(self, signed_in, scanning, cart):
        page = signed_in.get(scanning.address)
        assert "Scan every pack found at Cart 1" in words(page)
        page = signed_in.post(scanning.address, {"scan": SCAN, "so-far": 1})
        assert 'name="so-far" value="2"' in page.text

        answer(signed_in, scanning.place.recall, cart, found=2)

        assert scanning.place.answers.get().found == 2
