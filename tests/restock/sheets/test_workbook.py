"""The pick list as a workbook: what stands in it, what it looks like to a spreadsheet program, how it is read back."""

import csv
import shutil
import subprocess
from datetime import date, datetime, timedelta

import pytest
from openpyxl import Workbook, load_workbook

from inventory import ledger
from inventory.importing.problems import SheetRefused
from inventory.models import StockingLine
from restock.models import Shortage
from restock.workbook import Paper, read_back, write_workbook
from restock.workbook.contents import in_packs
from restock.workbook.layout import sheet_name
from tests.factories import BinFactory, CartFactory, ConsumableFactory, LotFactory, PackagingFactory, StoreroomFactory

from ..pick_lists import EVENING, fill_in, make_line, make_pick, make_plan, make_shortage


def write(plan, path, **options):
    write_workbook(plan, path, **options)
    return load_workbook(path)


def table(sheet):
    """The rows of a sheet's table as dictionaries by heading."""
    first, last = sheet.auto_filter.ref.split(":")
    headings, *rows = sheet[f"{first}:{last}"]
    names = [cell.value for cell in headings]
    return [dict(zip(names, (cell.value for cell in row), strict=True)) for row in rows]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "tonight.xlsx"


@pytest.fixture
def plan(department, technician):
    return make_plan(department, by=technician)


@pytest.mark.parametrize(
    ("pieces", "pack_sizes", "words"),
    [
        (43, {20}, "43 = 2 packs of 20 and 3 loose"),
        (20, {20}, "20 = 1 pack of 20"),
        (3, {20}, "3 loose"),
        (3, {1}, "3 loose"),
        (3, (), "3 loose"),
        (243, {1, 20, 200}, "243 = 1 pack of 200, 2 packs of 20 and 3 loose"),
    ],
)
def test_pieces_are_put_in_full_packs_and_loose_pieces(pieces, pack_sizes, words):
    assert in_packs(pieces, pack_sizes) == words


def test_sheet_names_are_allowed_short_and_unlike_each_other():
    # Limits of the format: at most 31 characters, none of []:*?/\, no apostrophe at either end, capitals ignored.
    names = []
    for wanted in ("Store [A/B]: *?\\", "'Cover'", "cover", "History", "", "C" * 40, "c" * 40, "C" * 40):
        names.append(sheet_name(wanted, names))

    assert names == [
        "Store A B", "Cover", "cover (2)", "History (2)", "Sheet", "C" * 31, "c" * 27 + " (2)", "C" * 27 + " (3)",
    ]  # fmt: skip


def test_the_storeroom_sheet_follows_the_walk_and_says_which_lot_for_which_cart(plan, storeroom, cart, tube, path):
    far, near = (
        BinFactory(place=storeroom, code="A9", walk_order=9),
        BinFactory(place=storeroom, code="B1", walk_order=1),
    )
    PackagingFactory(consumable=tube, pieces_per_pack=5)
    lot = LotFactory(consumable=tube, number="L77", expires_on=date(2026, 9, 30))
    other_cart = CartFactory(name="Cart 2", walk_order=2, room=None)
    mask = ConsumableFactory(code="MASK", name="Face mask")
    make_pick(make_line(plan, other_cart, tube), storeroom, quantity=4, lot=lot, bin=far)
    make_pick(make_line(plan, cart, tube), storeroom, quantity=3, lot=lot, bin=far)
    make_pick(make_line(plan, cart, mask), storeroom, quantity=2, bin=near)

    rows = table(write(plan, path)["Main storeroom"])

    assert [(row["Bin"], row["Code"], row["For cart"], row["Pieces"], row["In all"]) for row in rows] == [
        ("B1", "MASK", "Cart 1", 2, "2 loose"),
        ("A9", "ETT-7.0", "Cart 1", 3, "7 = 1 pack of 5 and 2 loose"),
        ("A9", "ETT-7.0", "Cart 2", 4, None),
    ]
    assert (rows[1]["Name"], rows[1]["Size"]) == ("Tracheal tube, cuffed", "7.0 mm")
    assert (rows[1]["Lot"], rows[1]["Use by"].date()) == ("L77", date(2026, 9, 30))
    assert all(row["Picked"] is None for row in rows)


def test_the_cart_sheet_follows_the_drawers_and_says_why_and_how_old_the_count_is(plan, cart, tube, technician, path):
    mask = ConsumableFactory(code="MASK", name="Face mask")
    wipe = ConsumableFactory(code="WIPE", name="Wipe")
    for consumable, drawer in ((tube, 2), (mask, 1), (wipe, 3)):
        bin = BinFactory(place=cart, code=f"D{drawer}", walk_order=drawer)
        StockingLine.objects.create(place=cart, consumable=consumable, bin=bin, par=5)
    counted_at = EVENING - timedelta(hours=9)
    ledger.count(place=cart, consumable=tube, counted=3, by=technician, at=counted_at, key="count")
    make_shortage(make_line(plan, cart, tube, on_hand=3, top_up=5, allocated=4, reason="4 cases that day use 5."))
    make_line(plan, cart, mask, on_hand=0, top_up=2, allocated=2)
    make_line(plan, cart, wipe, on_hand=5, top_up=0, allocated=0)

    sheet = write(plan, path)["Cart 1"]

    assert "Bring to room OR-1." in sheet["A2"].value
    rows = [(r["Bin"], r["Code"], r["On hand"], r["Counted ago"], r["Add"], r["Still short"]) for r in table(sheet)]
    assert rows == [("D1", "MASK", 0, "never", 2, None), ("D2", "ETT-7.0", 3, "9 h", 4, 1)]
    assert table(sheet)[1]["Why"] == "4 cases that day use 5."


def test_shortages_stand_worst_first_with_cause_and_reason(plan, cart, tube, path):
    mask = ConsumableFactory(code="MASK", name="Face mask")
    make_shortage(make_line(plan, cart, tube, top_up=4, allocated=3))
    worse = make_shortage(make_line(plan, cart, mask, top_up=4, allocated=0), reason="The storerooms have none.")
    worse.harm = 9
    worse.save()

    rows = table(write(plan, path)["Shortages"])

    assert [(r["Cart"], r["Code"], r["Short by"], r["Cause"], r["Why"]) for r in rows] == [
        ("Cart 1", "MASK", 4, "the storerooms have too few for all", "The storerooms have none."),
        ("Cart 1", "ETT-7.0", 1, "the storerooms have too few for all", "The storerooms have too few."),
    ]


def test_a_line_that_may_run_short_stands_before_one_that_is_only_below_par(plan, cart, tube, path):
    mask = ConsumableFactory(code="MASK", name="Face mask")
    below_par, risky = (make_line(plan, cart, consumable, top_up=4, allocated=3) for consumable in (tube, mask))
    below_par.p_short_after = 0.0004
    below_par.save()
    make_shortage(below_par)
    Shortage.objects.update(harm=50)
    make_shortage(risky)

    sheet = write(plan, path)["Shortages"]

    assert [(r["Code"], r["As it will stand"]) for r in table(sheet)] == [
        ("MASK", "enough for 98 of 100 such days"),
        ("ETT-7.0", "enough for more than 999 of 1000 such days"),
    ]
    assert "1 line may run short on more than 1 in 100 such days; 1 is only below" in sheet["A2"].value


def test_pieces_that_were_not_found_count_in_how_a_line_will_stand(plan, cart, tube, path):
    line = make_line(plan, cart, tube, on_hand=0, top_up=4, allocated=4)
    line.pmf, line.p_short_after = [0.0, 0.0, 0.0, 0.25, 0.75], 0.0
    line.save()
    Shortage.objects.create(plan_line=line, cause="not_found", short_by=1, not_found=1, harm=1, reason="Not found.")

    [row] = table(write(plan, path)["Shortages"])

    assert row["As it will stand"] == "enough for 25 of 100 such days"


def test_booked_demand_that_no_cart_can_serve_is_on_the_cover_and_the_shortage_sheet(plan, path):
    plan.inputs["out_of_reach"] = [
        {"room": "OR-3", "code": "BB", "name": "BB Blocker", "cases": 1, "mean": 1.0, "fetch_from": "Main storeroom",
         "pharmacy": False}
    ]  # fmt: skip

    workbook = write(plan, path)

    assert workbook["Shortages"]["A3"].value == (
        "No cart in reach of OR-3 keeps BB Blocker: 1 case likely uses it, 1.0 pieces on average; "
        "fetch from Main storeroom."
    )
    words = [str(cell.value) for row in workbook["Cover"] for cell in row if cell.value]
    assert any(said.startswith("1 line that listed cases likely use and no cart in reach keeps") for said in words)
    assert "Nothing known missing after everything on this list is carried." not in words


def test_a_plan_that_nobody_in_person_asked_for_names_no_one(department, path):
    plan = make_plan(department)
    plan.method = "tilted-dirichlet-2"

    words = [str(cell.value) for row in write(plan, path)["Cover"] for cell in row if cell.value]

    assert "Wednesday 4 March 2026, 17:05" in words
    assert any("where the log is thin (version 2)." in said for said in words)


def test_the_cover_says_for_whom_when_on_what_counts_and_with_which_cautions(plan, cart, tube, storeroom, path):
    make_pick(make_line(plan, cart, tube), storeroom)
    words = "\n".join(str(cell.value) for row in write(plan, path)["Cover"] for cell in row if cell.value)

    for said in (
        "Pick list for Thursday 5 March 2026",
        "Wednesday 4 March 2026, 17:05 by technician",
        "4 pieces in 1 pick, from Main storeroom",
        "has ever been counted",
        "1 listed case for the day and 40 logged cases of the past. Method: test 1.",
        "Cart 1",
        "does not replace the equipment check",
        "Not for controlled drugs",
        "read the pack",
        "Latex: read the label",
        "manage.py confirm",
    ):
        assert said in words
    assert "ready" not in words.casefold()


@pytest.mark.parametrize("paper", Paper)
def test_every_sheet_prints_on_the_departments_paper(plan, cart, tube, storeroom, path, paper):
    make_pick(make_line(plan, cart, tube), storeroom)

    for sheet in write(plan, path, paper=paper):
        assert int(sheet.page_setup.paperSize) == paper.value
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert int(sheet.page_setup.fitToWidth) == 1
        assert sheet.oddFooter.right.text == "page &P of &N"
        assert "Read the pack" in sheet.oddFooter.left.text
        assert sheet.oddHeader.left.text == "Anaesthesia"
        assert "2026-03-05" in sheet.oddHeader.right.text
        if sheet.title != "Cover":
            heading_row = sheet.auto_filter.ref.split(":")[0].removeprefix("A")
            assert sheet.print_title_rows == f"${heading_row}:${heading_row}"
            assert sheet.freeze_panes == f"A{int(heading_row) + 1}"


def test_picked_takes_whole_numbers_only(plan, cart, tube, storeroom, path):
    make_pick(make_line(plan, cart, tube), storeroom)
    sheet = write(plan, path)["Main storeroom"]
    (rule,) = sheet.data_validations.dataValidation

    assert (rule.type, rule.formula1, rule.formula2, rule.allow_blank) == ("whole", "0", "9999", True)
    assert sheet[str(rule.sqref).split(":")[0]].value is None
    assert str(rule.sqref).split(":")[0] == "K4"
    assert sheet["K3"].value == "Picked"


FORMULA = '=HYPERLINK("http://example.org","x")'


@pytest.fixture
def hostile_plan(department, technician):
    """Every text that a department may enter begins as a formula would."""
    storeroom = StoreroomFactory(name="=1+1")
    cart = CartFactory(name="-1+1", room=None)
    line = ConsumableFactory(code="+1+1", name=FORMULA, size="@SUM(A1)")
    plan = make_plan(department, by=technician)
    stocked = make_line(plan, cart, line, allocated=3, reason="=1+1")
    make_pick(
        stocked, storeroom, lot=LotFactory(consumable=line, number="=9*9"), bin=BinFactory(place=storeroom, code="=1")
    )
    make_shortage(stocked, reason="=2+2")
    return plan


def test_text_that_looks_like_a_formula_stays_text(hostile_plan, path):
    workbook = write(hostile_plan, path)

    cells = [cell for sheet in workbook for row in sheet.iter_rows() for cell in row]
    assert not [cell.coordinate for cell in cells if cell.data_type == "f"]
    signed = [cell for cell in cells if isinstance(cell.value, str) and cell.value[0] in "=+-@"]
    assert len(signed) >= 9
    assert all(cell.quotePrefix for cell in signed)


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_another_spreadsheet_program_shows_such_text_as_it_was_entered(hostile_plan, path, tmp_path):
    write_workbook(hostile_plan, path)

    every_sheet = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1"
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    subprocess.run(
        ["soffice", profile, "--headless", "--convert-to", every_sheet, "--outdir", str(tmp_path), str(path)],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip

    sheets = [file.read_text(encoding="utf-8") for file in tmp_path.glob("*.csv")]
    shown = {cell for sheet in sheets for row in csv.reader(sheet.splitlines()) for cell in row}
    assert {"=1+1", "-1+1", "+1+1", FORMULA, "@SUM(A1)", "=9*9", "=1", "=2+2"} <= shown


def test_what_was_picked_is_read_back_wherever_its_row_went(plan, cart, tube, storeroom, path):
    other = CartFactory(name="Cart 2", walk_order=2, room=None)
    for place in (cart, other):
        make_pick(make_line(plan, place, tube), storeroom)
    workbook = write(plan, path)
    sheet = workbook["Main storeroom"]
    first, second = sheet["L4"].value, sheet["L5"].value
    for column in "BCDEFGHIJL":
        sheet[f"{column}4"].value, sheet[f"{column}5"].value = sheet[f"{column}5"].value, sheet[f"{column}4"].value
    sheet["K4"] = 7
    sheet.title = "Sorted by me"
    workbook.save(path)

    back = read_back(path)

    assert {row.reference: row.picked for row in back.rows} == {second: 7, first: None}
    assert not back.problems


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("two", "“two”"),
        (2.5, "“2.5”"),
        (-1, "“-1”"),
        (10_000, "“10000”"),
        (True, "“True”"),
        (datetime(2026, 3, 4), "2026-03-04"),
        ("=1+1", "a formula that was never calculated"),
    ],
)
def test_a_picked_cell_that_is_no_whole_number_is_named_by_sheet_and_cell(
    plan, cart, tube, storeroom, path, typed, found
):
    make_pick(make_line(plan, cart, tube), storeroom)
    write_workbook(plan, path)
    fill_in(path, [typed])

    (problem,) = read_back(path).problems

    assert "sheet “Main storeroom”, row 4, column “K, Picked”" in str(problem)
    assert found in problem.found


def test_a_row_added_by_hand_is_a_problem_and_a_note_is_not(plan, cart, tube, storeroom, path):
    make_pick(make_line(plan, cart, tube), storeroom)
    workbook = write(plan, path)
    sheet = workbook["Main storeroom"]
    sheet["D9"] = "shelf is a mess"
    sheet["K10"] = 3
    workbook.save(path)

    (problem,) = read_back(path).problems

    assert (problem.row, problem.column, problem.found) == (10, "L, Reference", "nothing")


def test_a_lost_column_is_named_with_its_sheet(plan, cart, tube, storeroom, path):
    make_pick(make_line(plan, cart, tube), storeroom)
    workbook = write(plan, path)
    workbook["Main storeroom"].delete_cols(11)
    workbook.save(path)

    (problem,) = read_back(path).problems

    assert (problem.sheet, problem.found) == ("Main storeroom", "no column “Picked”")


def test_a_file_that_is_no_pick_list_is_refused(tmp_path):
    foreign = tmp_path / "foreign.xlsx"
    Workbook().save(foreign)
    words = tmp_path / "words.xlsx"
    words.write_text("Picked,Reference\n")

    with pytest.raises(SheetRefused, match="Evenfill pick list"):
        read_back(foreign)
    with pytest.raises(SheetRefused, match="locked with a password"):
        read_back(words)
    with pytest.raises(SheetRefused, match="no such file"):
        read_back(tmp_path / "nothing.xlsx")
