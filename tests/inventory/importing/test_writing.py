import openpyxl
import pytest

from inventory.importing.writing import put_text
from inventory.importing.xlsx import Workbook


@pytest.mark.parametrize("text", ["=1+1", "=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)", "\t=1", "'=1"])
def test_text_that_looks_like_a_formula_comes_back_as_text(tmp_path, text):
    book = openpyxl.Workbook()
    put_text(book.active["A1"], text)
    book.save(tmp_path / "book.xlsx")

    cell = openpyxl.load_workbook(tmp_path / "book.xlsx").active["A1"]
    assert (cell.value, cell.data_type) == (text, "s")
    assert bool(cell.quotePrefix) == (not text.startswith("'"))
    with Workbook(tmp_path / "book.xlsx") as read:
        assert list(read.rows("Sheet")) == [(1, [text.strip()])]


def test_text_cell_keeps_the_style_it_already_has(tmp_path):
    book = openpyxl.Workbook()
    book.active["A1"].number_format = "@"
    put_text(book.active["A1"], "-20")

    assert book.active["A1"].number_format == "@"


def test_character_that_a_workbook_cannot_hold_is_replaced(tmp_path):
    book = openpyxl.Workbook()
    put_text(book.active["A1"], "tube\x007.0")

    assert book.active["A1"].value == "tube?7.0"


def test_word_that_names_an_error_stays_text(tmp_path):
    book = openpyxl.Workbook()
    put_text(book.active["A1"], "#N/A")
    book.save(tmp_path / "book.xlsx")

    assert openpyxl.load_workbook(tmp_path / "book.xlsx").active["A1"].data_type == "s"
