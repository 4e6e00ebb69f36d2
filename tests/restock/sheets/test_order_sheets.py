"""A requisition out to the buyer and back: packs, days and back-orders."""

from datetime import date, timedelta
from io import BytesIO

import pytest
from openpyxl import load_workbook

from inventory import orders
from inventory.importing.problems import SheetRefused
from inventory.models import BackOrder, OrderLine
from inventory.orders import Wanted
from restock.sheets.order_sheets import REQUISITION, apply_requisition, write_requisition
from restock.workbook import Paper
from restock.workbook.forms import read_form
from tests.conftest import NOON
from tests.factories import ConsumableFactory

COMES = date(2026, 3, 20)


@pytest.fixture
def draft(storeroom, tube, supervisor):
    wanted = [Wanted(tube, 3, 10), Wanted(ConsumableFactory(code="MASK"), 2, 5)]
    return orders.start_order(storeroom=storeroom, number="R-1", lines=wanted, by=supervisor, at=NOON)


@pytest.fixture
def placed(draft, supervisor):
    expected = dict.fromkeys(draft.lines.values_list("consumable", flat=True), date(2026, 3, 7))
    return orders.place_order(order=draft, by=supervisor, at=NOON, expected=expected)


@pytest.fixture
def bring(tmp_path, department, supervisor):
    """`bring(order, {"MASK": {"Packs, if other": 4}})`: the sheet with these cells filled in comes back."""

    def back(order, told):
        book = load_workbook(BytesIO(write_requisition(order, at=NOON)))
        sheet = book.active
        heading = next(row for row in sheet.iter_rows() if row[0].value == "Code")
        columns = {cell.value: cell.column for cell in heading}
        for row in sheet.iter_rows(min_row=heading[0].row + 1):
            for title, value in told.get(row[0].value, {}).items():
                sheet.cell(row[0].row, columns[title], value)
        path = tmp_path / "back.xlsx"
        book.save(path)
        filled = read_form(REQUISITION, path, department=department, about=f"order-{order.pk}")
        return apply_requisition(filled, order=order, by=supervisor, at=NOON + timedelta(days=1))

    return back


def line(order, code="MASK"):
    [standing] = orders.standings(OrderLine.objects.filter(order=order, consumable__code=code))
    return standing


def test_packs_of_a_draft_are_changed(draft, bring):
    said = bring(draft, {"MASK": {"Packs, if other": 4}})

    assert said == "1 row of the sheet recorded."
    assert line(draft).line.packs == 4


def test_day_of_a_draft_is_refused_and_nothing_else_is_kept(draft, bring):
    with pytest.raises(SheetRefused, match="until the order is placed"):
        bring(draft, {"MASK": {"Expected": COMES}, "ETT-7.0": {"Packs, if other": 9}})

    assert line(draft, "ETT-7.0").line.packs == 3


def test_buyer_s_packs_are_kept_beside_what_was_asked_for(placed, bring):
    bring(placed, {"MASK": {"Packs, if other": 1}})

    assert (line(placed).line.packs, line(placed).line.packs_asked, line(placed).open) == (1, 2, 5)


def test_no_packs_close_the_line(placed, bring):
    bring(placed, {"MASK": {"Packs, if other": 0}})

    assert line(placed).line.closed_at
    assert line(placed).open == 0


def test_confirmed_day_is_no_back_order(placed, bring):
    bring(placed, {"MASK": {"Expected": COMES}})

    assert line(placed).expected_on == COMES
    assert not BackOrder.objects.exists()


def test_back_order_is_kept_with_its_day_and_note_once(placed, bring):
    told = {"MASK": {"Expected": COMES, "Back-order": "yes", "Note": "The maker is short"}}

    assert bring(placed, told) == "1 row of the sheet recorded."
    assert bring(placed, told) == "0 rows of the sheet recorded."

    notice = BackOrder.objects.get()
    assert (notice.expected_on, notice.note) == (COMES, "The maker is short")
    assert line(placed).expected_on == COMES


def test_day_confirmed_after_a_back_order_is_the_newest_word(placed, bring):
    bring(placed, {"MASK": {"Back-order": "yes"}})
    assert line(placed).expected_on is None

    assert bring(placed, {"MASK": {"Expected": COMES}}) == "1 row of the sheet recorded."

    assert line(placed).expected_on == COMES


def test_day_confirmed_beside_a_part_on_back_order_is_that_of_the_rest(placed, bring):
    bring(placed, {"MASK": {"Back-order": "yes", "Pieces owed": 4}})

    bring(placed, {"MASK": {"Expected": COMES}})

    assert [(part.pieces, part.expected_on) for part in line(placed).parts] == [(6, COMES), (4, None)]


def test_part_of_a_line_on_back_order_leaves_the_rest_as_it_was(placed, bring):
    bring(placed, {"MASK": {"Expected": COMES, "Back-order": "yes", "Pieces owed": 5}})

    assert [(part.pieces, part.expected_on) for part in line(placed).parts] == [(5, date(2026, 3, 7)), (5, COMES)]


def test_back_order_changed_on_the_same_sheet_is_a_newer_notice(placed, bring):
    first = {"MASK": {"Expected": COMES, "Back-order": "yes", "Pieces owed": 4}}
    changed = {"MASK": {"Expected": COMES + timedelta(days=5), "Back-order": "yes", "Pieces owed": 6}}
    bring(placed, first)

    said = [bring(placed, told) for told in (changed, changed, first)]

    assert said == [f"{done} of the sheet recorded." for done in ("1 row", "0 rows", "1 row")]
    assert [notice.pieces for notice in line(placed).line.back_orders.order_by("pk")] == [4, 6, 4]


def test_no_under_back_order_takes_the_notice_back_once(placed, bring):
    bring(placed, {"MASK": {"Back-order": "yes"}})

    said = [bring(placed, {"MASK": {"Back-order": "no"}}) for _time in range(2)]

    assert said == ["1 row of the sheet recorded.", "0 rows of the sheet recorded."]
    assert line(placed).notice is None


@pytest.mark.parametrize(
    ("told", "cell", "expected"),
    [
        ({"Note": "The maker is short"}, "Note", "or yes under Back-order"),
        ({"Back-order": "no", "Note": "The maker is short"}, "Note", "or yes under Back-order"),
        ({"Expected": date(2026, 3, 1)}, "Expected", "This day has passed"),
    ],
)
def test_cell_that_would_do_nothing_is_refused(placed, bring, told, cell, expected):
    with pytest.raises(SheetRefused, match=expected) as refused:
        bring(placed, {"MASK": told})

    [problem] = refused.value.problems
    assert problem.column.endswith(cell)


@pytest.mark.parametrize(("title", "value"), [("Packs, if other", 4), ("Expected", COMES)])
def test_packs_and_days_of_a_closed_line_are_refused_at_their_cell(placed, bring, supervisor, title, value):
    orders.close_lines(lines=[line(placed).line], by=supervisor, at=NOON)

    with pytest.raises(SheetRefused, match="Nothing of this line is open") as refused:
        bring(placed, {"MASK": {title: value}})

    [problem] = refused.value.problems
    assert problem.column.endswith(title)
    assert line(placed).line.packs == 2


@pytest.mark.parametrize(
    ("told", "expected"),
    [({"Back-order": "yes", "Expected": COMES, "Pieces owed": 11}, "Only 10 pieces"), ({"Pieces owed": 5}, "or yes")],
)
def test_pieces_owed_that_cannot_be_are_named_at_their_cell(placed, bring, told, expected):
    with pytest.raises(SheetRefused) as refused:
        bring(placed, {"MASK": told})

    [problem] = refused.value.problems
    assert problem.column.endswith("Pieces owed")
    assert expected in str(problem)
    assert not BackOrder.objects.exists()


def test_note_about_a_person_is_refused_and_not_repeated(placed, bring):
    with pytest.raises(SheetRefused) as refused:
        bring(placed, {"MASK": {"Back-order": "yes", "Note": "for 4471203"}})

    assert "4471203" not in str(refused.value)


def test_printed_page_fits_the_width_of_a4_and_letter(placed):
    for paper in Paper:
        sheet = load_workbook(BytesIO(write_requisition(placed, at=NOON, paper=paper))).active
        assert (sheet.page_setup.fitToWidth, sheet.sheet_properties.pageSetUpPr.fitToPage) == (1, True)
