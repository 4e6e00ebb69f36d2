"""A delivery written down on its sheet: onto the receiving list, once, and on record by the same press as scans."""

from datetime import date, timedelta
from io import BytesIO

import pytest
from openpyxl import load_workbook

from inventory import arrivals, orders, receiving
from inventory.arrivals import Against, ShortDated
from inventory.importing.problems import SheetRefused
from inventory.models import ArrivedPack, Lot, Movement, Receipt, StockingLine
from inventory.orders import Wanted
from restock.sheets.delivery_sheets import DELIVERY, about, apply_delivery, write_delivery
from restock.workbook import Paper
from restock.workbook.forms import read_form
from tests.conftest import NOON
from tests.factories import ConsumableFactory, LotFactory, StockingLineFactory

TODAY = NOON.date()
LAST = date(2028, 6, 30)
WRISTBAND = "8018412345678901234566"
A1 = {"Packs come": 2, "Lot": "A1", "Use by": LAST}
B2 = {"Packs come": 1, "Lot": "B2", "Use by": LAST}


@pytest.fixture
def mask(department):
    return ConsumableFactory(code="MASK", name="Face mask")


@pytest.fixture
def order(storeroom, tube, mask, supervisor):
    """Three packs of ten tubes, which the storeroom keeps by lot, and two of five masks; placed two days ago."""
    StockingLineFactory(place=storeroom, consumable=tube)
    tube.shelf_life_months = 60
    tube.save()
    wanted = [Wanted(tube, 3, 10), Wanted(mask, 2, 5)]
    made = orders.start_order(storeroom=storeroom, number="R-1", lines=wanted, by=supervisor, at=NOON)
    return orders.place_order(order=made, by=supervisor, at=NOON - timedelta(days=2))


@pytest.fixture
def written(storeroom, order):
    """The sheet of the order as it goes out."""
    return write_delivery(storeroom, order, at=NOON)


@pytest.fixture
def bring(tmp_path, storeroom, order, technician):
    """`bring(sheet, ("ETT-7.0", {...}), ("", {...}))`: rows of the sheet filled in, copied where a code comes again."""

    def back(data, *told, of=order):
        book = load_workbook(BytesIO(data))
        sheet = book.active
        heading = next(row for row in sheet.iter_rows() if row[0].value == "Code")
        columns = {cell.value: cell.column for cell in heading}
        rows = [[cell.value for cell in row] for row in sheet.iter_rows(min_row=heading[0].row + 1)]
        reference = columns["Reference"] - 1
        for code, cells in told:
            row = next(row for row in rows if (row[0] or "") == code and row[reference])
            copy = [*row]
            for title, value in cells.items():
                copy[columns[title] - 1] = value
            sheet.append(copy)
        path = tmp_path / "back.xlsx"
        book.save(path)
        filled = read_form(DELIVERY, path, department=storeroom.department, about=about(storeroom, of))
        return apply_delivery(filled, storeroom=storeroom, order=of, by=technician, at=NOON)

    return back


@pytest.fixture
def press(storeroom, technician):
    def press(order):
        return receiving.receive_all(
            storeroom=storeroom, order=order, by=technician, at=NOON, today=TODAY, short_dated=ShortDated(90)
        )

    return press


def listed(storeroom, order):
    return arrivals.arrivals(storeroom, order, today=TODAY, short_dated=ShortDated(90))


def table(data):
    sheet = load_workbook(BytesIO(data)).active
    rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
    start = next(n for n, row in enumerate(rows) if row[0] == "Code")
    return rows[start + 1 :]


def test_sheet_names_what_is_still_to_come_and_has_rows_for_what_is_not(written, order, bring, press, storeroom):
    rows = table(written)
    assert [row[:6] for row in rows if row[0] in ("ETT-7.0", "MASK")] == [
        ["ETT-7.0", "Tracheal tube, cuffed, 7.0 mm", 10, 3, 30, "lot, use by"],
        ["MASK", "Face mask", 5, 2, 10, None],
    ]
    assert sum(row[1] == "not on this order" for row in rows) == 5

    bring(written, ("ETT-7.0", A1), ("MASK", {"Packs come": 2}))
    press(order)

    assert [row[:5] for row in table(write_delivery(storeroom, order, at=NOON)) if row[2]] == [
        ["ETT-7.0", "Tracheal tube, cuffed, 7.0 mm", 10, 3, 10]
    ]


def test_sheet_moves_nothing_until_the_press_that_scans_need_too(written, bring, press, order, storeroom, tube):
    said = bring(written, ("ETT-7.0", A1), ("ETT-7.0", B2))
    assert said == "2 rows of the sheet stand on the list: look at them, then put them on record."
    assert (storeroom.on_hand(tube), Movement.objects.count()) == (0, 0)

    done = press(order)

    assert (done.pieces, done.left) == (30, ())
    lots = Lot.objects.filter(consumable=tube).values_list("number", "expires_on")
    assert sorted(lots) == [("A1", LAST), ("B2", LAST)]
    assert [one.open for one in orders.standings(order.lines.all())] == [0, 10]


def test_same_sheet_twice_is_received_once_and_names_what_it_brought(written, bring, press, order, storeroom, tube):
    bring(written, ("ETT-7.0", A1), ("MASK", {"Packs come": 1}))
    waiting = bring(written, ("ETT-7.0", A1), ("MASK", {"Packs come": 1}))
    press(order)
    recorded = bring(written, ("ETT-7.0", A1), ("MASK", {"Packs come": 1}))
    press(order)

    assert "ETT-7.0 lot A1 (not on record yet), MASK (not on record yet)" in waiting
    assert recorded == (
        "2 rows came with this sheet before and are not received again: ETT-7.0 lot A1 (on record), MASK (on record)."
    )
    assert storeroom.on_hand(tube) == 20
    assert ArrivedPack.objects.count() == 2


def test_another_lot_added_to_a_sheet_that_came_before_is_new_wherever_it_stands(written, bring, press, order):
    bring(written, ("ETT-7.0", A1))
    said = bring(written, ("ETT-7.0", B2), ("ETT-7.0", A1))

    assert said.startswith("1 row of the sheet stands on the list")
    assert "ETT-7.0 lot A1 (not on record yet)" in said
    assert press(order).pieces == 30


@pytest.mark.parametrize(
    ("again", "said"),
    [
        (A1 | {"Packs come": 3}, "found 3, where this sheet said 2 before"),
        (A1 | {"Packs come": 0}, "found 0, where this sheet said 2 before"),
        ({"Packs come": 0}, "without lot “A1”"),
        (A1 | {"Use by": date(2029, 6, 30)}, "found 2029-06-30, where this sheet said 2028-06-30 before"),
        (B2, "without lot “A1”"),
    ],
    ids=["other packs", "none", "none and no lot", "other date", "other lot"],
)
def test_sheet_that_says_otherwise_the_second_time_is_refused(written, bring, press, order, again, said):
    bring(written, ("ETT-7.0", A1))
    press(order)

    with pytest.raises(SheetRefused, match=said):
        bring(written, ("ETT-7.0", again))
    assert ArrivedPack.objects.count() == 1


def test_what_was_taken_off_the_list_may_come_again_put_right(written, bring, press, order, storeroom, tube):
    bring(written, ("ETT-7.0", A1))
    arrivals.take_off(ArrivedPack.objects.all())
    bring(written, ("ETT-7.0", A1 | {"Packs come": 3}))
    press(order)

    assert storeroom.on_hand(tube) == 30


def test_lot_put_right_on_the_page_is_still_the_row_of_the_sheet(written, bring, order):
    bring(written, ("ETT-7.0", A1))
    arrivals.correct(ArrivedPack.objects.all(), lot_number="A7", expires_on=LAST)

    for lot in ("A1", "A7"):
        assert "not received again" in bring(written, ("ETT-7.0", A1 | {"Lot": lot}))
    assert ArrivedPack.objects.count() == 1


def test_real_lot_beside_one_that_was_put_right_to_its_number_is_kept_too(written, bring, press, order):
    bring(written, ("ETT-7.0", A1))
    arrivals.correct(ArrivedPack.objects.all(), lot_number="A7", expires_on=LAST)
    real = A1 | {"Lot": "A7", "Packs come": 1}
    bring(written, ("ETT-7.0", real), ("ETT-7.0", A1))
    bring(written, ("ETT-7.0", A1), ("ETT-7.0", real))

    assert sorted(ArrivedPack.objects.values_list("lot_number", "packs")) == [("A7", 1), ("A7", 2)]
    assert press(order).pieces == 30


def test_date_put_right_on_the_page_is_still_the_row_of_the_sheet(written, bring):
    right = date(2029, 6, 30)
    bring(written, ("ETT-7.0", A1))
    arrivals.correct(ArrivedPack.objects.all(), lot_number="A1", expires_on=right)

    for day in (LAST, right):
        assert "not received again" in bring(written, ("ETT-7.0", A1 | {"Use by": day}))


def test_more_than_ordered_short_dated_and_not_ordered_are_told_as_after_a_scan(
    written, bring, press, order, storeroom
):
    ConsumableFactory(code="GOWN", name="Gown")
    soon = TODAY + timedelta(days=30)
    other = {"Packs come": 1, "Code, if another line": "GOWN", "Pieces a pack, if other": 4}
    bring(written, ("ETT-7.0", A1 | {"Use by": soon}), ("MASK", {"Packs come": 3}), ("", other))

    tubes, masks, gowns = listed(storeroom, order)
    assert (tubes.short_dated, masks.over, gowns.against) == (True, 5, Against.NOT_ORDERED)
    left = press(order).left
    assert [one.consumable.code for one in left] == ["GOWN"]
    assert set(Receipt.objects.values_list("remark", flat=True)) == {"short_dated", "more"}


def test_what_came_in_place_of_a_line_is_not_that_line(written, bring, order, storeroom, mask):
    ConsumableFactory(code="GOWN", name="Gown")
    bring(written, ("MASK", {"Packs come": 2, "Code, if another line": "GOWN"}))

    [waiting] = listed(storeroom, order)
    assert (waiting.consumable.code, waiting.against) == ("GOWN", Against.NOT_ORDERED)


@pytest.mark.parametrize(
    ("row", "column", "expected"),
    [
        (("ETT-7.0", {"Packs come": "some"}), "Packs come", "a whole number from 0 to 999"),
        (("ETT-7.0", {"Lot": "A1"}), "Packs come", "because other cells of this row are filled in"),
        (("ETT-7.0", {"Packs come": 1}), "Lot", "the lot printed on the pack"),
        (("ETT-7.0", {"Packs come": 1, "Lot": "A1"}), "Use by", "the last day printed on the pack"),
        (("ETT-7.0", A1 | {"Use by": "6/2028"}), "Use by", "a date cell"),
        (("ETT-7.0", A1 | {"Pieces a pack, if other": 0}), "Pieces a pack, if other", "from 1 to 9999"),
        (("", {"Packs come": 1}), "Code, if another line", "the catalogue's code of what came"),
        (("", {"Packs come": 1, "Code, if another line": "MASQ"}), "Code, if another line", "the nearest are “MASK”"),
    ],
)
def test_bad_cell_is_named_and_nothing_of_the_sheet_is_kept(written, bring, row, column, expected):
    with pytest.raises(SheetRefused) as refused:
        bring(written, ("MASK", {"Packs come": 1}), row)

    [problem] = refused.value.problems
    assert problem.sheet == "Delivery"
    assert problem.row
    assert problem.column.endswith(f", {column}")
    assert expected in str(problem)
    assert not ArrivedPack.objects.exists()


def test_every_bad_cell_is_named_at_once(written, bring):
    with pytest.raises(SheetRefused) as refused:
        bring(
            written, ("ETT-7.0", {"Packs come": 1}), ("", {"Packs come": 1}), ("MASK", {"Packs come": 1, "Lot": "]C1"})
        )

    assert len(refused.value.problems) == 3


def test_same_lot_in_two_rows_is_refused_because_a_copy_forgotten_would_count_twice(written, bring):
    with pytest.raises(SheetRefused, match="each lot of a line in one row"):
        bring(written, ("ETT-7.0", A1), ("ETT-7.0", A1))


@pytest.mark.parametrize("column", ["Packs come", "Lot", "Use by", "Pieces a pack, if other", "Code, if another line"])
@pytest.mark.parametrize("code", [WRISTBAND, "]C1" + WRISTBAND, "MSH|^~\\&|PID|4471203"])
def test_code_about_a_person_is_refused_whole_and_never_repeated(written, bring, column, code, caplog):
    with pytest.raises(SheetRefused) as refused:
        bring(written, ("MASK", {"Packs come": 1}), ("ETT-7.0", A1 | {column: code}))

    assert "4123456" not in str(refused.value) + caplog.text
    assert "4471203" not in str(refused.value) + caplog.text
    assert not ArrivedPack.objects.exists()


def test_number_that_may_be_somebodys_is_not_repeated_where_a_code_was_expected(written, bring):
    with pytest.raises(SheetRefused) as refused:
        bring(written, ("", {"Packs come": 1, "Code, if another line": "4471203"}))

    assert "4471203" not in str(refused.value)


def test_lot_that_is_known_with_its_date_needs_no_date(written, bring, press, order, tube):
    LotFactory(consumable=tube, number="A1", expires_on=LAST)
    bring(written, ("ETT-7.0", {"Packs come": 1, "Lot": "A1"}))

    assert press(order).pieces == 10


def test_pack_without_a_lot_says_so_with_a_hyphen(written, bring, press, order, storeroom, tube):
    bring(written, ("ETT-7.0", {"Packs come": 1, "Lot": "-"}))
    press(order)

    assert storeroom.holdings.get(consumable=tube).lot is None


def test_line_kept_by_its_earliest_date_is_not_asked_for_lots(written, order, bring, press, tube, storeroom):
    StockingLine.objects.update(tracking=StockingLine.Tracking.EARLIEST_DATE)
    assert next(row for row in table(write_delivery(storeroom, order, at=NOON)) if row[0] == "ETT-7.0")[5] is None

    bring(written, ("ETT-7.0", {"Packs come": 1}))

    assert press(order).pieces == 10


def test_storeroom_without_an_order_has_its_own_lines_to_fill_in(storeroom, order, bring, press, tube):
    sheet = write_delivery(storeroom, None, at=NOON)
    assert [row[0] for row in table(sheet) if row[2]] == ["ETT-7.0"]

    bring(sheet, ("ETT-7.0", A1 | {"Pieces a pack, if other": 12}), of=None)
    press(None)

    assert storeroom.on_hand(tube) == 24


def test_sheet_of_another_order_is_refused(written, bring):
    with pytest.raises(SheetRefused, match="a sheet about"):
        bring(written, ("MASK", {"Packs come": 1}), of=None)


def test_printed_page_fits_the_width_of_a4_and_letter(storeroom, order):
    for paper in Paper:
        sheet = load_workbook(BytesIO(write_delivery(storeroom, order, at=NOON, paper=paper))).active
        assert (sheet.page_setup.fitToWidth, sheet.sheet_properties.pageSetUpPr.fitToPage) == (1, True)
