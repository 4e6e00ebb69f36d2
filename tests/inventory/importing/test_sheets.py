from datetime import date, time
from decimal import Decimal

import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from inventory.importing.problems import SheetRefused
from inventory.importing.sheets import open_table

from .conftest import COLUMNS

HEADINGS = ["code", "used"]


def read(path, **options):
    table = open_table(path, COLUMNS, **options)
    rows = list(table.rows())
    table.refuse_if_faulty()
    return rows


def refusal(path, **options):
    """The message with which a file is refused, whether on opening or further down."""
    with pytest.raises(SheetRefused) as refused:
        read(path, **options)
    return str(refused.value)


def test_workbook_and_csv_of_the_same_list_give_the_same_values(workbook, csv_file):
    headings = ["Code", "used", "Day", "start", "barcode", "basis", "extras", "Weight kg", "remarks"]
    values = ["007", 3, date(2026, 3, 4), time(8, 30), "02345673", "Per case", "CVC; TEE", 3.25, "secret"]
    as_csv = "\n".join(",".join(map(str, line)) for line in (headings, values))

    for path in (workbook(headings, values), csv_file(as_csv)):
        (row,) = read(path)
        assert [row[column.name] for column in COLUMNS] == [
            "007",
            3,
            date(2026, 3, 4),
            time(8, 30),
            "02345673",
            "per case",
            ("CVC", "TEE"),
            Decimal("3.25"),
        ]
        assert row.number == 2
        assert open_table(path, COLUMNS).unknown_headings == ("“remarks”",)


def test_absent_column_and_blank_cell_are_none_and_can_be_told_apart(csv_file):
    table = open_table(csv_file("code,used,day\nIV01,2,\n"), COLUMNS)
    (row,) = table.rows()

    assert (row["day"], row["start"]) == (None, None)
    assert (table.has("day"), table.has("start")) == (True, False)


def test_every_fault_of_the_file_is_listed_and_sound_rows_are_still_read(workbook):
    path = workbook(["code", "used", "day"], ["IV01", -3, "03/04/2026"], ["IV02", 1, None], [None, "x", None])
    table = open_table(path, COLUMNS)

    assert [row["code"] for row in table.rows()] == ["IV02"]
    assert [str(problem) for problem in table.problems] == [
        "stock.xlsx, sheet “Sheet1”, row 2, column “used”: found “-3”; expected a whole number from 0 to 1000000.",
        "stock.xlsx, sheet “Sheet1”, row 2, column “day”: found “03/04/2026”; "
        "expected a date that can be read one way only: write it year-month-day, such as 2026-03-04, or say "
        'in the column map (--columns) which comes first: date_order = "dmy" or "mdy".',
        "stock.xlsx, sheet “Sheet1”, row 4, column “code”: found nothing; "
        "expected a code of at most 60 characters on one line.",
        "stock.xlsx, sheet “Sheet1”, row 4, column “used”: found “x”; expected a whole number from 0 to 1000000.",
    ]


def test_content_of_a_private_or_unknown_column_is_never_repeated(csv_file):
    message = refusal(csv_file("code,used,weight_kg,patient\nIV01,x,Miller 82 kg,Anna Miller\n"))

    assert "weight_kg" in message
    assert "not shown" in message
    assert "Miller" not in message


def test_row_that_a_stray_comma_has_shifted_shows_none_of_its_cells(csv_file):
    message = refusal(csv_file("patient,code,used\nMiller, Anna,IV01,2\n"))

    assert "row 2" in message
    assert "more cells than there are headings" in message
    assert "Miller" not in message
    assert "Anna" not in message


def test_row_does_not_show_its_values_in_a_traceback(csv_file):
    (row,) = read(csv_file("code,used,weight_kg\nIV01,2,82\n"))

    assert repr(row) == "<Row 2>"


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_csv_delimiter_is_found_from_the_headings(csv_file, delimiter):
    lines = [["remarks, if any", "code", "extras", "used"], ["x; y", "IV01", "CVC; TEE", "2"]]
    content = "\n".join(delimiter.join(f'"{cell}"' for cell in line) for line in lines)

    (row,) = read(csv_file(content))

    assert (row["code"], row["extras"], row["used"]) == ("IV01", ("CVC", "TEE"), 2)


def test_csv_with_byte_order_mark_blank_lines_and_line_breaks_in_cells_keeps_row_numbers(csv_file):
    path = csv_file('\r\ncode,used,note\r\n"IV01",1,"two\r\nlines"\r\n,,\r\nIV02,x,\r\n', encoding="utf-8-sig")

    assert "row 5," in refusal(path)


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "an empty file (0 bytes)"),
        (b"\n\n", "no filled cell"),
        ("code,used\nKanüle,1\n".encode("latin-1"), "not UTF-8"),
        ("code,used\nIV01,1\n".encode("utf-16"), "UTF-16"),
        (b"code\0used\n", "no text"),
        (b"%PDF-1.7 code,used", "not a spreadsheet"),
        (b"<html><table>", "not a spreadsheet"),
        (b'code,used\n"IV01,1\nIV02,2\n', "a quotation mark that is left open"),
        (b"code,used\n" + b"x" * 40_000 + b",1\n", "a quotation mark that is left open"),
        (b"code,quantity\nIV01,1\n", "no column used; the first filled row holds “code”, “quantity”"),
        (b"code,used,Used\nIV01,1,1\n", "two headings for used: “used” and “Used”"),
        (b"code,used,note,Note\nIV01,1,a,b\n", "the heading “Note” twice"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "Workbook".encode("utf-16-le"), "old Excel workbook (.xls)"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "EncryptedPackage".encode("utf-16-le"), "password"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"WordDocument", "not a workbook"),
    ],
)
def test_file_that_is_no_sound_csv_is_refused_with_its_cause(csv_file, content, found):
    assert found in refusal(csv_file(content))


def test_first_row_that_holds_data_instead_of_headings_is_not_repeated(csv_file):
    message = refusal(csv_file("Miller,1941-02-03,IV01\nJones,1950-01-01,IV02\n"))

    assert "none of the standard headings" in message
    assert "Miller" not in message


def test_heading_that_looks_like_data_is_named_by_its_place(csv_file):
    table = open_table(csv_file("code,used,Miller 1941-02-03\nIV01,1,x\n"), COLUMNS)

    assert table.unknown_headings == ("column 3 (its heading looks like data and is not shown)",)


def test_missing_file_is_refused(tmp_path):
    assert "No such file" in refusal(tmp_path / "gone.xlsx")


def test_file_named_xlsx_that_is_none_is_refused(csv_file):
    assert "not a spreadsheet, or a damaged one" in refusal(csv_file("code,used\n", name="stock.xlsx"))


def test_first_sheet_whose_headings_fit_is_read_and_named(workbook):
    path = workbook(Cover=[["Our stock"]], Stock=[HEADINGS, ["IV01", 1]], Old=[HEADINGS, ["IV99", 9]])
    table = open_table(path, COLUMNS)

    assert table.sheet == "Stock"
    assert table.note == "Of the sheets “Cover”, “Stock”, “Old”, “Stock” is read."
    assert [row["code"] for row in read(path, sheet="Old")] == ["IV99"]
    assert "found the sheets “Cover”, “Stock”, “Old”; expected a sheet “New”" in refusal(path, sheet="New")


def test_department_headings_are_read_through_a_column_map(csv_file):
    path = csv_file("Artikel;Anzahl\nIV01;2\n")
    (row,) = read(path, column_map={"ARTIKEL": "code", "Anzahl": "used"})

    assert (row["code"], row["used"]) == ("IV01", 2)


def test_column_map_that_does_not_fit_the_file_is_refused(csv_file):
    message = refusal(csv_file("code,Artikel\nIV01,2\n"), column_map={"Artikel": "code", "Menge": "used"})

    assert "two headings for code: “code” and “Artikel”" in message
    assert "no heading “Menge”, which the column map names" in message


def test_day_is_the_same_in_a_workbook_that_counts_from_1904(workbook):
    rows = ["code", "used", "day"], ["IV01", 1, date(2026, 3, 4)]
    since_1900 = read(workbook(*rows))
    since_1904 = read(workbook(*rows, name="mac.xlsx", epoch=CALENDAR_MAC_1904))

    assert since_1900[0]["day"] == since_1904[0]["day"] == date(2026, 3, 4)


def test_day_pasted_from_a_1904_workbook_without_its_date_is_noticed(workbook):
    assert "counts its days from 1904" in refusal(workbook(["code", "used", "day"], ["IV01", 1, date(1904, 1, 1)]))


def test_file_can_be_read_twice_and_reports_its_progress(csv_file):
    path = csv_file("code,used\n" + "IV01,1\n" * 12_000)
    table = open_table(path, COLUMNS)
    steps = []

    assert len(list(table.rows())) == len(list(table.rows(lambda done, total: steps.append((done, total))))) == 12_000
    assert len(steps) == 3
    assert steps[-1] == (path.stat().st_size, path.stat().st_size)


def test_shared_heading_that_a_sheet_lacks_is_told_only_where_nothing_fills_its_column(csv_file):
    path = csv_file("Artikel,Anzahl\nIV01,2\n")
    shared = {"Artikel": "code", "Material": "code", "Anzahl": "used", "Tag": "day"}

    table = open_table(path, COLUMNS, shared_map=shared)

    assert [(row["code"], row["used"]) for row in table.rows()] == [("IV01", 2)]
    assert table.headings.absent == ("Tag",)


def test_dates_are_read_in_the_order_that_the_department_names(csv_file):
    (row,) = read(csv_file("code,used,day\nIV01,2,03/04/2026\n"), date_order="dmy")

    assert row["day"] == date(2026, 4, 3)


def test_sheet_of_optional_columns_without_a_known_heading_is_refused(csv_file):
    with pytest.raises(SheetRefused, match="no known column; the first filled row holds none of the standard headings"):
        open_table(csv_file("a,b\n1,2\n"), COLUMNS[2:])
