import openpyxl
import pytest

from inventory.importing.blank import write_blank
from inventory.importing.sheets import open_table

from .conftest import COLUMNS


@pytest.fixture
def blank(tmp_path):
    write_blank(tmp_path / "blank.xlsx", {"usage": COLUMNS})
    return tmp_path / "blank.xlsx"


def test_blank_workbook_loads_as_a_sheet_without_rows(blank):
    table = open_table(blank, COLUMNS)

    assert (table.sheet, list(table.rows()), table.unknown_headings) == ("usage", [], ())


def test_every_heading_explains_itself_in_a_note(blank):
    sheet = openpyxl.load_workbook(blank)["usage"]

    assert sheet["B1"].comment.text == ("Pieces used.\nRequired.\nExpected: a whole number from 0 to 1000000.")


def test_code_typed_into_a_blank_workbook_keeps_its_leading_zeros(blank):
    column = openpyxl.load_workbook(blank)["usage"].column_dimensions

    assert column["A"].number_format == column["E"].number_format == "@"
    assert column["C"].number_format == "yyyy-mm-dd"


def test_choices_are_offered_while_typing(blank):
    rules = openpyxl.load_workbook(blank)["usage"].data_validations.dataValidation
    lists = {str(rule.sqref): rule.formula1 for rule in rules if rule.type == "list"}

    assert lists == {"F2:F100000": '"per case,per room-day"'}


def test_second_sheet_explains_every_column_and_holds_no_formula(blank):
    sheet = openpyxl.load_workbook(blank).worksheets[-1]
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]

    assert [column.name for column in COLUMNS] == [
        row[0] for row in sheet.iter_rows(min_row=7, max_col=1, values_only=True)
    ]
    assert {cell.data_type for cell in cells} == {"s"}
