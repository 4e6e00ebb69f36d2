"""Counting on the pages: what asks for it, a blind round line by line, its sheet, and what it found."""

import re
from datetime import timedelta
from io import BytesIO

import pytest
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from inventory import ledger
from inventory.models import Count, CountRound, CountTask
from inventory.recalls import open_recall
from restock.stock_life.counting import start_place_count
from tests.factories import (
    BinFactory,
    ConsumableFactory,
    LotFactory,
    PackagingFactory,
    StockingLineFactory,
    UserFactory,
)

from .test_pages import words
from .test_query_counts import queries

GTIN = "00012345600012"
ON_RECORD = 7713  # a figure that nothing else on a page could show by chance


@pytest.fixture
def stocked(cart, technician):
    """`stocked("Tube", 20)`: a line of the cart with so many pieces on record since yesterday."""

    def stock(name, pieces, **line):
        consumable = ConsumableFactory(name=name, code=name.upper())
        StockingLineFactory(place=cart, consumable=consumable, par=20, **line)
        at = timezone.now() - timedelta(days=1)
        ledger.receive(place=cart, consumable=consumable, quantity=pieces, by=technician, at=at, key=f"in {name}")
        return consumable

    return stock


@pytest.fixture
def begin(department, cart, technician):
    return lambda: start_place_count(department=department, place=cart, by=technician, at=timezone.now())


def save(client, task, counted, *, seen="open", htmx=False):
    headers = {"HX-Request": "true"} if htmx else {}
    return client.post(reverse("save-count", args=[task.pk]), {"counted": counted, "seen": seen}, headers=headers)


def scan(client, round, text, **fields):
    return client.post(reverse("count-scan", args=[round.pk]), {"scan": text} | fields)


def field_of(answer):
    """The number that stands in the open field."""
    return re.search(r'id="counted" name="counted" value="(\d*)"', answer.text)[1]


class TestWhatAsksForACount:
    def test_says_which_lines_and_why_and_starts_a_round_of_them(self, signed_in, stocked, cart, technician):
        tube = stocked("Tube", 2)
        ledger.use(place=cart, consumable=tube, quantity=5, by=technician, at=timezone.now(), key="use")

        answer = signed_in.get(reverse("counts"))
        assert "recorded below zero" in words(answer)
        begun = signed_in.post(reverse("start-count"), follow=True)

        assert "0 of 1 lines counted" in words(begun)
        assert CountTask.objects.get().why == "below_zero"

    def test_two_people_who_start_go_on_with_one_round(self, signed_in, stocked):
        stocked("Tube", 2)
        signed_in.post(reverse("start-count"))
        signed_in.post(reverse("start-count"))

        assert CountRound.objects.count() == 1

    def test_sealed_cart_is_not_offered(self, signed_in, stocked, cart):
        stocked("Tube", 2)
        cart.sealed = True
        cart.save()

        assert "Cart 1" not in words(signed_in.get(reverse("counts")))
        answer = signed_in.post(reverse("start-count"), {"place": cart.pk}, follow=True)
        assert "Cart 1 is sealed" in words(answer)


class TestARound:
    def test_nothing_on_its_page_paper_or_sheet_tells_what_is_on_record(self, signed_in, stocked, begin):
        stocked("Tube", ON_RECORD)
        round = begin()
        save(signed_in, round.tasks.get(), 1)  # so that it also waits for a second count

        pages = [signed_in.get(reverse(page, args=[round.pk])).text for page in ("count-round", "count-print")]
        pages.append(signed_in.get(reverse("count-results", args=[round.pk])).text)
        workbook = load_workbook(BytesIO(signed_in.get(reverse("count-sheet", args=[round.pk])).content))
        cells = [str(cell.value) for sheet in workbook for row in sheet.iter_rows() for cell in row]

        assert not any(str(ON_RECORD) in text or str(ON_RECORD - 1) in text for text in [*pages, *cells])

    def test_a_saved_line_shows_the_difference_and_the_next_one_opens(self, signed_in, stocked, begin):
        stocked("Airway", 5, bin=None)
        stocked("Tube", 20)
        first, second = begin().tasks.all()

        answer = save(signed_in, first, 4, htmx=True)

        assert "4 counted, 1 fewer than on record" in words(answer)
        assert reverse("save-count", args=[second.pk]) in answer.text

    def test_a_count_far_off_asks_for_a_second_look_and_only_that_is_recorded(self, signed_in, stocked, cart, begin):
        tube = stocked("Tube", 20)
        task = begin().tasks.get()

        answer = save(signed_in, task, 10, htmx=True)
        assert "count once more" in words(answer)
        assert field_of(answer) == ""
        save(signed_in, task, 12, seen="again")

        assert Count.objects.get().counted == cart.on_hand(tube) == 12

    def test_what_is_no_number_is_said_at_the_line_and_stays_typed(self, signed_in, stocked, begin):
        stocked("Tube", 20)
        answer = save(signed_in, begin().tasks.get(), "a few")

        assert answer.status_code == 409
        assert "is no number of pieces" in words(answer)

    def test_a_colleague_s_other_figure_is_not_lost_but_said(self, signed_in, client, stocked, begin, technician):
        stocked("Tube", 20)
        task = begin().tasks.get()
        save(signed_in, task, 20)
        client.force_login(UserFactory(groups=["technician"]))

        answer = save(client, task, 18)

        assert f"{technician.username} has counted 20 here meanwhile" in words(answer)
        client.post(reverse("count-again", args=[task.pk]))
        save(client, task, 18)
        assert Count.objects.count() == 2

    def test_each_pack_scanned_adds_its_pieces_and_nothing_is_saved_before_a_person_saves(
        self, signed_in, stocked, begin
    ):
        stocked("Airway", 5)
        tube = stocked("Tube", 20)
        PackagingFactory(consumable=tube, pieces_per_pack=5, barcode=GTIN)
        round = begin()
        task = round.tasks.get(consumable=tube)

        once = scan(signed_in, round, GTIN)
        assert field_of(once) == "5"
        twice = scan(signed_in, round, GTIN, task=task.pk, counted=field_of(once))

        assert field_of(twice) == "10"
        assert reverse("save-count", args=[task.pk]) in twice.text
        assert not Count.objects.exists()

    def test_a_line_s_own_code_opens_it_without_adding_pieces(self, signed_in, stocked, begin):
        stocked("Airway", 5)
        stocked("Tube", 20)
        round = begin()

        answer = scan(signed_in, round, "TUBE")

        assert field_of(answer) == ""
        assert reverse("save-count", args=[round.tasks.get(consumable__code="TUBE").pk]) in answer.text

    def test_a_line_that_is_not_on_the_count_can_be_put_there(self, signed_in, stocked, begin):
        stocked("Tube", 20)
        stray = ConsumableFactory(name="Mask", code="MASK")
        round = begin()

        assert "This line is not on this count." in words(scan(signed_in, round, "MASK"))
        answer = signed_in.post(reverse("add-to-count", args=[round.pk]), {"consumable": stray.pk}, follow=True)

        assert "0 of 2 lines counted" in words(answer)

    def test_a_wristband_is_refused_and_not_repeated(self, signed_in, stocked, begin):
        stocked("Tube", 20)
        answer = scan(signed_in, begin(), "]C18018123456789012345675")

        assert answer.status_code == 409
        assert "123456789012345675" not in answer.text

    def test_it_stands_in_drawer_order(self, signed_in, stocked, cart, begin):
        stocked("Airway", 5, bin=BinFactory(place=cart, code="D9", walk_order=9))
        stocked("Tube", 5, bin=BinFactory(place=cart, code="D1", walk_order=1))

        assert [task.consumable.name for task in begin().tasks.all()] == ["Tube", "Airway"]


class TestItsSheet:
    def fill_in(self, client, round, **counted):
        """The count sheet with numbers typed beside the codes."""
        workbook = load_workbook(BytesIO(client.get(reverse("count-sheet", args=[round.pk])).content))
        sheet = workbook.active
        head = next(row for row in sheet.iter_rows() if any(cell.value == "Counted" for cell in row))
        columns = {cell.value: cell.column for cell in head}
        for row in range(head[0].row + 1, sheet.max_row + 1):
            code = sheet.cell(row, columns["Code"]).value
            if code in counted:
                first, again = counted[code]
                sheet.cell(row, columns["Counted"]).value = first
                sheet.cell(row, columns["Counted again"]).value = again
        back = BytesIO()
        workbook.save(back)
        back.seek(0)
        back.name = "count.xlsx"
        return back

    def bring(self, client, round, file):
        return client.post(reverse("count-sheet-back", args=[round.pk]), {"workbook": file}, follow=True)

    def test_comes_back_and_is_recorded_once_however_often_it_comes(self, signed_in, stocked, cart, begin):
        tube, mask = stocked("Tube", 20), stocked("Mask", 20)
        round = begin()
        sheet = self.fill_in(signed_in, round, TUBE=(19, None), MASK=(10, 11))

        answer = self.bring(signed_in, round, sheet)
        assert "2 lines counted." in words(answer)
        sheet.seek(0)
        again = self.bring(signed_in, round, sheet)

        assert "0 lines counted." in words(again)
        assert (cart.on_hand(tube), cart.on_hand(mask), Count.objects.count()) == (19, 11, 2)

    def test_is_refused_whole_where_a_colleague_settled_a_line_otherwise(self, signed_in, stocked, cart, begin):
        stocked("Mask", 20)
        tube = stocked("Tube", 20)
        round = begin()
        sheet = self.fill_in(signed_in, round, TUBE=(19, None), MASK=(20, None))
        save(signed_in, round.tasks.get(consumable=tube), 20)

        answer = self.bring(signed_in, round, sheet)

        assert answer.status_code == 400
        assert re.search(r"row \d+, column “F, Counted”: found 19; expected .* has counted 20 here", words(answer))
        assert Count.objects.count() == 1

    def test_of_another_round_is_refused(self, signed_in, stocked, begin, department, technician):
        stocked("Tube", 20)
        round = begin()
        sheet = self.fill_in(signed_in, round, TUBE=(20, None))
        signed_in.post(reverse("finish-count", args=[round.pk]))

        assert "a sheet about" in words(self.bring(signed_in, begin(), sheet))


@pytest.fixture
def shelf(department, storeroom, tube, technician):
    """A round of the storeroom: ten tubes of lot A and six of lot B on record."""
    StockingLineFactory(place=storeroom, consumable=tube, par=20)
    at = timezone.now() - timedelta(days=1)
    for number, pieces in (("A", 10), ("B", 6)):
        lot = LotFactory(consumable=tube, number=number)
        told = {"place": storeroom, "consumable": tube, "lot": lot, "quantity": pieces}
        ledger.receive(**told, by=technician, at=at, key=f"in {number}")
    return start_place_count(department=department, place=storeroom, by=technician, at=timezone.now())


def on_shelf(round):
    return dict(round.place.holdings.exclude(quantity=0).values_list("lot__number", "quantity"))


class TestLotByLot:
    def fields(self, tube, **pieces):
        return {f"lot-{tube.lots.get(number=number).pk}": n for number, n in pieces.items()}

    def test_its_lots_are_named_and_no_figure_of_theirs_is(self, signed_in, shelf, tube):
        tube.lots.filter(number="A").update(number="LOT-ALPHA")
        ledger_figure = ">10<"

        for page in ("count-round", "count-print"):
            text = signed_in.get(reverse(page, args=[shelf.pk])).text
            assert "LOT-ALPHA" in text
            assert ledger_figure not in text
            assert 'value="10"' not in text

    def test_each_lot_is_saved_and_its_difference_shown(self, signed_in, shelf, tube):
        form = {"seen": "open", **self.fields(tube, A=9, B=7), "lot-0": ""}
        answer = signed_in.post(reverse("save-count", args=[shelf.tasks.get().pk]), form, follow=True)

        assert on_shelf(shelf) == {"A": 9, "B": 7}
        assert "16 counted, as on record" in words(answer)
        assert "Lot A, use by 30 Jun 2028: 9, 1 fewer than on record" in words(answer)
        results = words(signed_in.get(reverse("count-results", args=[shelf.pk])))
        assert "1 line differs from the record." in results
        assert "Lot B, use by 30 Jun 2028: 7, 1 more than on record" in results

    def test_a_lot_that_is_left_out_is_asked_for_and_not_taken_to_be_gone(self, signed_in, shelf, tube):
        form = {"seen": "open", **self.fields(tube, A=10, B="")}
        answer = signed_in.post(reverse("save-count", args=[shelf.tasks.get().pk]), form)

        assert "say how many there are of lot B too" in words(answer)
        assert 'value="10"' in answer.text
        assert on_shelf(shelf) == {"A": 10, "B": 6}

    def test_a_lot_found_on_the_shelf_is_added_and_held_where_a_recall_means_it(
        self, signed_in, shelf, tube, supervisor
    ):
        open_recall(consumable=tube, notice="N", lot_from="C1", lot_to="C9", by=supervisor, at=timezone.now())
        other = {"other-lot": ["C5"], "other-day": ["2028-01-31"], "other-pieces": ["2"]}
        form = {"seen": "open", **self.fields(tube, A=10, B=6), **other}
        signed_in.post(reverse("save-count", args=[shelf.tasks.get().pk]), form)

        found = tube.lots.get(number="C5")
        assert on_shelf(shelf) == {"A": 10, "B": 6, "C5": 2}
        assert (str(found.expires_on), found.quarantined_at is None) == ("2028-01-31", False)

    def test_another_date_than_on_record_is_said_and_nothing_saved(self, signed_in, shelf, tube):
        LotFactory(consumable=tube, number="C")
        other = {"other-lot": ["C"], "other-day": ["2027-01-31"], "other-pieces": ["2"]}
        form = {"seen": "open", **self.fields(tube, A=10, B=6), **other}
        answer = signed_in.post(reverse("save-count", args=[shelf.tasks.get().pk]), form)

        assert "Lot C ends on 30 Jun 2028 by the record." in words(answer)
        assert not Count.objects.filter(place=shelf.place).exists()

    def test_a_pack_scanned_adds_to_its_own_lot_and_a_new_lot_gets_a_row(self, signed_in, shelf, tube):
        PackagingFactory(consumable=tube, pieces_per_pack=5, barcode=GTIN)
        tube.lots.filter(number="A").update(number="A1")
        a, task = tube.lots.get(number="A1"), shelf.tasks.get()

        once = scan(signed_in, shelf, f"(01){GTIN}(10)A1")
        assert f'name="lot-{a.pk}" value="5"' in once.text
        fields = {"task": task.pk, f"lot-{a.pk}": "5", "lot-0": ""}
        twice = scan(signed_in, shelf, f"(01){GTIN}(17)280131(10)NEW", **fields)

        assert f'name="lot-{a.pk}" value="5"' in twice.text
        assert 'name="other-lot" value="NEW"' in twice.text
        assert 'name="other-day" type="date" value="2028-01-31"' in twice.text
        assert 'name="other-pieces" value="5"' in twice.text
        no_lot = scan(signed_in, shelf, GTIN, **fields)
        assert "does not say the lot for certain" in words(no_lot)

    def test_the_total_alone_may_be_counted_too(self, signed_in, shelf):
        task = shelf.tasks.get()
        page = signed_in.get(reverse("count-round", args=[shelf.pk]), {"at": task.pk, "total": "yes"})
        assert 'name="counted"' in page.text

        save(signed_in, task, 15)

        assert on_shelf(shelf) == {"A": 10, "B": 5}

    def test_its_sheet_has_a_row_for_each_lot_and_for_another_and_comes_back_once(self, signed_in, shelf, tube):
        def fill(**counted):
            file = signed_in.get(reverse("count-sheet", args=[shelf.pk])).content
            sheet = (workbook := load_workbook(BytesIO(file))).active
            head = next(row for row in sheet.iter_rows() if any(cell.value == "Counted" for cell in row))
            at = {cell.value: cell.column for cell in head}
            for row in range(head[0].row + 1, sheet.max_row + 1):
                for title, value in counted.get(str(sheet.cell(row, at["Lot"]).value).replace(" ", "_"), {}).items():
                    sheet.cell(row, at[title]).value = value
            workbook.save(back := BytesIO())
            back.seek(0)
            back.name = "count.xlsx"
            return back

        def bring(file):
            file.seek(0)
            return signed_in.post(reverse("count-sheet-back", args=[shelf.pk]), {"workbook": file}, follow=True)

        assert "a number for lot B too" in words(bring(fill(A={"Counted": 9})))
        assert "the number of the lot that was found" in words(
            bring(fill(A={"Counted": 9}, B={"Counted": 6}, another_lot={"Counted": 2}))
        )
        found = {"Counted": 2, "Lot found": "C", "Use by": "2028-01-31"}
        whole = fill(A={"Counted": 9}, B={"Counted": 6}, another_lot=found)
        assert "1 line counted." in words(bring(whole))
        assert "0 lines counted." in words(bring(whole))

        assert on_shelf(shelf) == {"A": 9, "B": 6, "C": 2}
        assert Count.objects.filter(place=shelf.place).count() == 1


class TestWhatItFound:
    def test_a_cause_is_kept_and_reported_by_line_and_place_and_by_nobody(self, signed_in, stocked, begin, technician):
        stocked("Tube", 20)
        task = begin().tasks.get()
        save(signed_in, task, 18)
        signed_in.post(reverse("count-cause", args=[task.pk]), {"cause": "not_logged", "note": "night"})

        report = signed_in.get(reverse("counts-report"))
        body = words(report).split("What counts found", 2)[-1].split("Counts are estimates")[0]

        assert "0 of 1 counts of the last 8 weeks agreed" in body
        assert "Use was not logged 1 2" in body
        assert "Cart 1 1 0 2 0" in body
        assert technician.username not in body

    def test_a_note_that_may_be_about_a_person_is_refused_and_not_repeated(self, signed_in, stocked, begin):
        stocked("Tube", 20)
        task = begin().tasks.get()
        save(signed_in, task, 18)

        form = {"cause": "lost", "note": "record 4711123"}
        answer = signed_in.post(reverse("count-cause", args=[task.pk]), form, follow=True)

        assert "never about a person" in words(answer)
        assert "4711123" not in answer.text


@pytest.mark.parametrize(
    "name", ["counts", "count-round", "count-results", "counts-report", "count-print", "count-sheet"]
)
def test_sixty_lines_take_no_more_queries_than_two(signed_in, stocked, begin, name):
    def address():
        rounds = CountRound.objects.order_by("pk")
        return reverse(name, args=[rounds.last().pk] if name not in ("counts", "counts-report") else [])

    def fill(number):
        stocked(f"Line{number}", 20)

    fill(0)
    fill(1)
    save(signed_in, begin().tasks.first(), 19)
    queries(signed_in, address())
    of_two = queries(signed_in, address())
    for number in range(2, 60):
        fill(number)
    signed_in.post(reverse("finish-count", args=[CountRound.objects.get().pk]))
    round = begin()
    for task in round.tasks.all()[:30]:
        save(signed_in, task, 19)

    assert len(queries(signed_in, address())) == len(of_two)
