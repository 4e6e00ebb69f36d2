"""The pick list on paper: the workbook out and back, and the page to print."""

from io import BytesIO

import pytest
from django.urls import reverse
from openpyxl import load_workbook

from inventory.models import Holding, Movement
from restock.workbook import write_workbook

from ..test_pages import words


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

    def test_number_confirmed_before_is_mended_by_a_choice_of_the_page(self, signed_in, filled_in):
        first = filled_in(3)
        sheet = load_workbook(first)
        first.seek(0)
        signed_in.post(reverse("pick-list-back"), {"workbook": first})
        cells = sheet["Main storeroom"]
        heading = next(cell for row in cells.iter_rows() for cell in row if cell.value == "Picked")
        cells[f"{heading.column_letter}{heading.row + 1}"] = 2
        second = BytesIO()
        sheet.save(second)
        second.seek(0)
        second.name = "tonight.xlsx"

        answer = signed_in.post(reverse("pick-list-back"), {"workbook": second})

        assert "with “Its numbers are right where others were recorded before” ticked" in words(answer)
        assert "--correct" not in answer.text

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
