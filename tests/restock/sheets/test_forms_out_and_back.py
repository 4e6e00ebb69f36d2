"""Any sheet out and back: what is printed, how it is read, and what is refused with its cell."""

from datetime import UTC, date, datetime
from io import BytesIO

import pytest
from openpyxl import load_workbook

from inventory.importing.problems import SheetRefused
from inventory.importing.values import Choice, Code, Date, Whole, YesNo
from inventory.models import Department
from restock.workbook import Paper
from restock.workbook.forms import Asked, Column, Form, Row, StockText, read_form, write_form
from tests.person_codes import RECIPIENT

MADE_AT = datetime(2026, 3, 4, 17, 5, tzinfo=UTC)
DEPARTMENT = Department(code="main", name="Anaesthesia & more", time_zone="UTC")
FORM = Form(
    kind="looked",
    title="Look into the drawers",
    printed=(
        Column("Bin", 10, bold=True),
        Column("Code", 10, identifies=True),
        Column("Name", 30),
        Column("Place", 14, identifies=True),
    ),
    asked=(
        Asked("pieces", "Pieces", Whole(0, 999), hint="All you see.", needed=True),
        Asked("earliest", "Earliest date", Date(), width=12),
        Asked("intact", "Intact", YesNo(), width=8),
        Asked("state", "State", Choice(("kept", "taken out")), width=12),
        Asked("lot", "Lot", Code(), width=14),
        Asked("note", "Note", StockText(), width=20),
    ),
    how_to="Write what you see.",
    cautions=("Read the pack.", "Local policy comes first."),
)
ROWS = (
    Row("11", ("D1", "TUBE", "Tube", "Cart 1"), sheet="Cart 1"),
    Row("12", ("D2", "007", "=1+1", "Cart 1"), sheet="Cart 1"),
    Row("21", ("D1", "MASK", "Mask", "Cart 2"), sheet="Cart 2"),
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "sheet.xlsx"


def written(rows=ROWS, form=FORM, **options):
    told = {"department": DEPARTMENT, "about": "round-7", "lines": ["For Thursday."], "made_at": MADE_AT, **options}
    return load_workbook(BytesIO(write_form(form, rows, **told)))


def heading_row(sheet):
    return next(row[0].row for row in sheet.iter_rows() if any(cell.value == "Reference" for cell in row))


def fill(sheet, line, **values):
    """Type into the line-th row below the headings of a sheet."""
    head = heading_row(sheet)
    columns = {cell.value: cell.column for cell in sheet[head]}
    titles = {asked.name: asked.title for asked in FORM.asked} | {"reference": "Reference", "code": "Code"}
    for name, value in values.items():
        sheet.cell(head + line, columns[titles[name]]).value = value


def read(workbook, path, form=FORM, department=DEPARTMENT, **options):
    workbook.save(path)
    return read_form(form, path, department=department, **options)


def refused(*args, **options):
    with pytest.raises(SheetRefused) as refusal:
        read(*args, **options)
    return str(refusal.value)


def test_what_was_filled_in_comes_back_typed_and_empty_rows_say_nothing(path):
    workbook = written()
    fill(
        workbook["Cart 1"],
        1,
        pieces=4,
        earliest=date(2026, 9, 30),
        intact="Yes",
        state="Taken out",
        lot="007",
        note="x",
    )
    fill(workbook["Cart 2"], 1, pieces=0)

    filled = read(workbook, path, about="round-7")

    assert (filled.about, filled.made_at) == ("round-7", MADE_AT)
    everything = {"pieces": 4, "earliest": date(2026, 9, 30), "intact": True, "state": "taken out", "lot": "007"}
    nothing = {"earliest": None, "intact": None, "state": None, "lot": None, "note": None}
    assert [(answer.key, dict(answer.values)) for answer in filled.answers] == [
        ("11", {**everything, "note": "x"}),
        ("21", {"pieces": 0, **nothing}),
    ]
    assert len({answer.event_key for answer in filled.answers}) == 2
    assert all(len(answer.event_key) <= 80 for answer in filled.answers)


def test_rows_may_be_sorted_whole_and_deleted(path):
    workbook = written()
    sheet = workbook["Cart 1"]
    first, second = heading_row(sheet) + 1, heading_row(sheet) + 2
    fill(sheet, 1, pieces=1)
    fill(sheet, 2, pieces=2)
    for a, b in zip(sheet[first], sheet[second], strict=True):
        a.value, b.value = b.value, a.value
    workbook["Cart 2"].delete_rows(heading_row(workbook["Cart 2"]) + 1)

    assert [(answer.key, answer["pieces"]) for answer in read(workbook, path).answers] == [("12", 2), ("11", 1)]


def test_a_part_of_a_sheet_that_was_sorted_is_refused_with_the_cell(path):
    workbook = written()
    fill(workbook["Cart 1"], 1, pieces=1, code="007")

    said = refused(workbook, path)

    assert "sheet.xlsx, sheet “Cart 1”, row 7, column “B, Code”: found “007”" in said
    assert "part of the sheet was sorted or moved" in said


@pytest.mark.parametrize(
    ("typed", "column", "expected"),
    [
        ({"pieces": -1}, "E, Pieces", "a whole number from 0 to 999"),
        ({"pieces": "a few"}, "E, Pieces", "a whole number from 0 to 999"),
        ({"pieces": 1, "earliest": "3/4/26"}, "F, Earliest date", "write it year-month-day"),
        ({"pieces": 1, "intact": "perhaps"}, "G, Intact", "yes or no, or an empty cell"),
        ({"pieces": 1, "state": "gone"}, "H, State", "one of kept, taken out"),
        ({"lot": "L1"}, "E, Pieces", "because other cells of this row are filled in"),
        ({"pieces": 1, "reference": "11/AAAAAABBBBBB"}, "K, Reference", "it was changed, or the row is of another"),
        ({"pieces": 1, "reference": None}, "K, Reference", "a row added by hand cannot be recorded"),
    ],
)
def test_a_cell_that_does_not_fit_is_named_with_what_was_expected(path, typed, column, expected):
    workbook = written()
    fill(workbook["Cart 1"], 1, **typed)

    said = refused(workbook, path)

    assert f"sheet “Cart 1”, row 7, column “{column}”" in said
    assert expected in said


def test_words_that_may_be_about_a_person_are_refused_and_never_repeated(path):
    workbook = written()
    fill(workbook["Cart 1"], 1, pieces=1, note="born 12/03/1961")

    said = refused(workbook, path)

    assert "column “J, Note”" in said
    assert "1961" not in said


@pytest.mark.parametrize("typed", [f"8018{RECIPIENT}", "MRN 4471203", 4471203, f"(8018){RECIPIENT}(7253)NAME"])
def test_number_that_may_be_somebodys_is_refused_in_a_column_of_figures_and_never_repeated(path, typed):
    workbook = written()
    fill(workbook["Cart 1"], 1, pieces=typed)

    said = refused(workbook, path)

    assert "column “E, Pieces”: found a long number, which is not repeated; expected a whole number" in said
    assert "4471203" not in said
    assert RECIPIENT[:8] not in said


def test_a_row_that_stands_there_twice_is_refused_unless_the_form_lets_it_be_copied(path):
    workbook = written()
    sheet = workbook["Cart 1"]
    for a, b in zip(sheet[heading_row(sheet) + 1], sheet[heading_row(sheet) + 2], strict=True):
        b.value = a.value
    fill(sheet, 1, pieces=1)
    fill(sheet, 2, pieces=2)
    assert "every reference once" in refused(workbook, path)

    copied = Form(
        **{field: getattr(FORM, field) for field in ("kind", "title", "printed", "asked", "how_to")}, repeats=True
    )

    answers = read(workbook, path, form=copied).answers
    assert [(answer.key, answer["pieces"]) for answer in answers] == [("11", 1), ("11", 2)]
    assert answers[0].event_key != answers[1].event_key


def test_a_sheet_of_another_department_form_or_subject_and_a_lost_sheet_are_refused(path):
    other_form = Form(kind="dates", title="Dates", printed=FORM.printed, asked=FORM.asked, how_to="Write.")

    assert "one of department “other”" in refused(written(), path, department=Department(code="other"))
    assert "bring this one back on its own page" in refused(written(), path, form=other_form)
    assert "the one about “round-8”" in refused(written(), path, about="round-8")
    workbook = written()
    del workbook["Cart 2"]
    assert "found 1 of 2 sheets; expected every sheet" in refused(workbook, path)


def test_a_row_of_an_earlier_sheet_pasted_into_this_one_is_refused(path):
    earlier = written(made_at=MADE_AT.replace(hour=9))["Cart 1"]
    workbook = written()
    fill(workbook["Cart 1"], 1, pieces=1, reference=earlier.cell(heading_row(earlier) + 1, 11).value)

    assert "the row is of another sheet" in refused(workbook, path)


def test_a_sheet_says_on_every_page_what_it_is_and_what_to_mind(path):
    sheet = written(paper=Paper.LETTER)["Cart 1"]

    assert sheet["A1"].value == "Look into the drawers: Cart 1"
    assert sheet["A2"].value == "For Thursday."
    assert (sheet["C8"].value, sheet["C8"].data_type) == ("=1+1", "s")
    assert (sheet.page_setup.paperSize, sheet.page_setup.fitToWidth) == (1, 1)
    assert sheet.print_title_rows == "$6:$6"
    assert sheet.oddHeader.left.text == "Anaesthesia && more"
    assert (sheet.oddFooter.left.text, sheet.oddFooter.right.text) == (
        "Read the pack. Local policy comes first.", "page &P of &N",
    )  # fmt: skip
