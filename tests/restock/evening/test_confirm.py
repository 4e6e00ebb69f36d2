"""The pick list comes back: what moves, what does not, and what is refused as a whole."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connections
from django.utils.translation import override
from openpyxl import load_workbook

from inventory import ledger, recalls
from inventory.departments import open_department
from inventory.models import Lot, Movement
from restock.models import Pick
from restock.workbook import write_workbook
from tests.factories import CartFactory, ConsumableFactory, LotFactory, StoreroomFactory, UserFactory

from ..pick_lists import EVENING, fill_in, make_line, make_pick, make_plan, receive

SOON, LATER = date(2026, 6, 30), date(2027, 6, 30)


def confirm(path, *options, by="technician"):
    out = StringIO()
    call_command("confirm", str(path), "--by", by, *options, stdout=out)
    return out.getvalue()


def moves():
    return [
        (m.quantity, m.lot and m.lot.number, m.destination.code)
        for m in Movement.objects.not_reversed().filter(kind="move").select_related("lot", "destination").order_by("pk")
    ]


@pytest.fixture
def other_cart(department):
    return CartFactory(code="CART-2", name="Cart 2", walk_order=2, room=None)


@pytest.fixture
def plan(department, technician, cart, other_cart, storeroom, tube):
    """Tubes for two carts: four of the lot that expires soon for the first, three of the later lot for the second."""
    plan = make_plan(department, by=technician)
    for place, number, expires_on, quantity in ((cart, "SOON", SOON, 4), (other_cart, "LATER", LATER, 3)):
        lot = LotFactory(consumable=tube, number=number, expires_on=expires_on)
        receive(storeroom, tube, 10, by=technician, lot=lot)
        make_pick(make_line(plan, place, tube, allocated=quantity), storeroom, quantity=quantity, lot=lot)
    return plan


@pytest.fixture
def path(plan, tmp_path):
    path = tmp_path / "tonight.xlsx"
    write_workbook(plan, path)
    return path


def test_picked_pieces_move_from_storeroom_to_cart_with_their_lots(path, cart, other_cart, storeroom, tube):
    fill_in(path, [4, 3])

    said = confirm(path)

    assert moves() == [(4, "SOON", "CART-1"), (3, "LATER", "CART-2")]
    assert (storeroom.on_hand(tube), cart.on_hand(tube), other_cart.on_hand(tube)) == (13, 4, 3)
    assert "7 pieces in 2 picks, for 2 carts" in said
    assert not ledger.differences()


def test_confirming_twice_changes_nothing(path):
    fill_in(path, [4, 3])
    confirm(path)

    said = confirm(path)

    assert len(moves()) == 2
    assert "0 pieces in 0 picks" in said
    assert "Confirmed before and unchanged: 2 picks" in said


def test_less_and_more_than_suggested_move_as_picked_and_are_said(path, cart, other_cart, tube):
    fill_in(path, [1, 9])

    said = confirm(path)

    assert (cart.on_hand(tube), other_cart.on_hand(tube)) == (1, 9)
    assert "Less than suggested:\n  Cart 1: 1 of 4 x ETT-7.0 Tracheal tube, cuffed, 7.0 mm lot SOON, from Main" in said
    assert "More than suggested:\n  Cart 2: 9 of 3" in said


def test_zero_settles_a_pick_and_an_empty_cell_leaves_it_open(path):
    fill_in(path, [0])

    said = confirm(path)

    assert moves() == []
    assert [(pick.picked, pick.confirmed_at is None) for pick in Pick.objects.order_by("pk")] == [
        (0, False),
        (None, True),
    ]
    assert "Could not be found:\n  Cart 1: 0 of 4" in said
    assert "Not filled in yet: 1 pick." in said


def test_rows_filled_in_later_are_confirmed_later(path):
    fill_in(path, [4])
    confirm(path)
    fill_in(path, [None, 2])

    confirm(path)

    assert moves() == [(4, "SOON", "CART-1"), (2, "LATER", "CART-2")]


def test_deleted_rows_are_rows_about_which_nothing_was_said(path):
    fill_in(path, [4, 3])
    workbook = load_workbook(path)
    workbook["Main storeroom"].delete_rows(4)
    workbook.save(path)

    confirm(path)

    assert moves() == [(3, "LATER", "CART-2")]


def test_another_number_for_a_confirmed_pick_is_refused_and_a_correction_replaces_it(path, cart, storeroom, tube):
    fill_in(path, [4])
    confirm(path)
    fill_in(path, [2])

    with pytest.raises(
        CommandError, match=r"row 4, column “K, Picked”: found 2 of lot SOON; expected 4 of lot SOON as confirmed on"
    ):
        confirm(path)
    assert cart.on_hand(tube) == 4

    said = confirm(path, "--correct")
    assert (cart.on_hand(tube), storeroom.on_hand(tube)) == (2, 18)
    assert "Corrected:\n  Cart 1: 2, not 4 of 4" in said
    assert not ledger.differences()


def test_a_pick_can_be_corrected_again_and_down_to_nothing_and_up_from_it(path, cart, tube):
    for picked in (0, 3, 0, 5, 5):
        fill_in(path, [picked])
        confirm(path, "--correct")
        assert cart.on_hand(tube) == picked
    assert not ledger.differences()


def write_lot(path, row, number):
    workbook = load_workbook(path)
    workbook["Main storeroom"][f"F{row}"] = number
    workbook.save(path)


def test_another_lot_written_over_the_printed_one_is_the_lot_that_moves(path, cart):
    fill_in(path, [4])
    write_lot(path, 4, "LATER")

    said = confirm(path)
    again = confirm(path)

    assert moves() == [(4, "LATER", "CART-1")]
    assert "Another lot than suggested:\n  Cart 1: 4 of 4 x ETT-7.0 Tracheal tube, cuffed, 7.0 mm lot LATER" in said
    assert "Confirmed before and unchanged: 1 pick" in again


def test_another_lot_for_a_confirmed_pick_is_a_correction(path):
    fill_in(path, [4])
    confirm(path)
    write_lot(path, 4, "LATER")

    with pytest.raises(CommandError, match="found 4 of lot LATER; expected 4 of lot SOON as confirmed"):
        confirm(path)
    confirm(path, "--correct")

    assert moves() == [(4, "LATER", "CART-1")]
    assert not ledger.differences()


def test_a_recalled_lot_that_a_pick_list_brings_is_put_out_of_reach(path, tube, cart, technician):
    recall = recalls.open_recall(
        consumable=tube, notice="FSN 1", lot_from="NEW-1", lot_to="NEW-5", by=technician, at=EVENING
    )
    fill_in(path, [4, 3])
    write_lot(path, 4, "NEW-3")

    confirm(path)

    assert Lot.objects.get(consumable=tube, number="NEW-3").quarantined_at
    assert recall.places.filter(place=cart).exists()


def test_a_lot_that_nobody_knew_is_recorded_without_a_date_and_said(path, cart, storeroom, tube):
    fill_in(path, [4, 3])
    write_lot(path, 4, "NEW-1")

    said = confirm(path)
    again = confirm(path)

    assert moves() == [(4, "NEW-1", "CART-1"), (3, "LATER", "CART-2")]
    assert Lot.objects.get(consumable=tube, number="NEW-1").expires_on is None
    assert "without a date of expiry" in said
    assert "ETT-7.0 Tracheal tube, cuffed, 7.0 mm: lot NEW-1" in said
    assert "recorded 4 more of lot NEW-1 than the storeroom had on record" in said
    assert "Confirmed before and unchanged: 2 picks" in again
    assert not ledger.differences()


def test_a_lot_number_that_a_spreadsheet_spoiled_is_refused_with_its_cell(path):
    fill_in(path, [4])
    write_lot(path, 4, datetime(2026, 3, 1))

    with pytest.raises(CommandError, match=r"row 4, column “F, Lot”: .*turned what was typed into a date"):
        confirm(path)
    assert not Lot.objects.exclude(number__in=["SOON", "LATER"]).exists()


def test_more_than_the_storeroom_had_on_record_is_recorded_and_said(path, cart, other_cart, storeroom, tube):
    fill_in(path, [12, 3])

    said = confirm(path)

    assert (cart.on_hand(tube), other_cart.on_hand(tube), storeroom.on_hand(tube)) == (12, 3, 7)
    assert (
        "Please count there:\n  Main storeroom: ETT-7.0 Tracheal tube, cuffed, 7.0 mm: recorded 2 more of lot SOON"
        in said
    )
    assert Movement.objects.get(kind="adjust").quantity == 2
    assert not ledger.differences()


def test_a_corrected_slip_takes_back_what_it_had_put_on_record(path, cart, storeroom, tube):
    for picked, left_of_both_lots in ((40, 10), (4, 16), (12, 10), (0, 20)):
        fill_in(path, [picked])
        confirm(path, "--correct")
        assert (cart.on_hand(tube), storeroom.on_hand(tube)) == (picked, left_of_both_lots)
    assert not ledger.differences()


def test_rows_that_together_take_more_than_is_on_record_leave_nothing_there(
    plan, cart, other_cart, storeroom, technician, tmp_path
):
    mask = ConsumableFactory(code="MASK", name="Face mask")
    receive(storeroom, mask, 5, by=technician)
    for place in (cart, other_cart):
        make_pick(make_line(plan, place, mask, allocated=3), storeroom, quantity=3)
    path = tmp_path / "masks.xlsx"
    write_workbook(plan, path)
    fill_in(path, [None, None, 3, 3])

    said = confirm(path)

    assert "recorded 1 more without a lot than the storeroom had on record (6 taken)" in said
    assert [place.on_hand(mask) for place in (storeroom, cart, other_cart)] == [0, 3, 3]


def test_a_record_below_zero_is_brought_up_before_it_gives(path, plan, cart, storeroom, technician, tmp_path):
    mask = ConsumableFactory(code="MASK", name="Face mask")
    ledger.use(place=storeroom, consumable=mask, quantity=3, by=technician, at=EVENING, key="used there")
    make_pick(make_line(plan, cart, mask), storeroom)
    write_workbook(plan, path)
    fill_in(path, [None, None, 2])

    said = confirm(path)

    assert "recorded 5 more" in said
    assert (storeroom.on_hand(mask), cart.on_hand(mask)) == (0, 2)


def swap(path, columns, rows=(4, 5)):
    """Exchange the cells of two rows in these columns, as a sort of only part of a sheet does."""
    workbook = load_workbook(path)
    sheet = workbook["Main storeroom"]
    for column in columns:
        first, second = (sheet[f"{column}{row}"] for row in rows)
        first.value, second.value = second.value, first.value
    workbook.save(path)


def test_a_list_sorted_by_all_columns_but_the_reference_is_refused_with_the_cells(path):
    fill_in(path, [4, 3])
    swap(path, "ABCDEFGHIJK")

    with pytest.raises(CommandError) as refusal:
        confirm(path)

    said = str(refusal.value)
    assert "sheet “Main storeroom”, row 4, column “I, For cart”: found “Cart 2”; expected “Cart 1”" in said
    assert "row 5, column “I, For cart”: found “Cart 1”; expected “Cart 2”" in said
    assert "sort whole rows with every column, or write the list again" in said
    assert moves() == []


def test_a_list_sorted_by_whole_rows_is_recorded_as_before(path):
    fill_in(path, [4, 3])
    swap(path, "ABCDEFGHIJKL")

    confirm(path)

    assert sorted(moves()) == [(3, "LATER", "CART-2"), (4, "SOON", "CART-1")]


def test_another_code_in_a_row_is_refused(path):
    fill_in(path, [4])
    workbook = load_workbook(path)
    workbook["Main storeroom"]["C4"] = "MASK"
    workbook.save(path)

    with pytest.raises(CommandError, match=r"row 4, column “C, Code”: found “MASK”; expected “ETT-7.0”"):
        confirm(path)
    assert moves() == []


def test_a_row_on_the_sheet_of_another_storeroom_is_refused(path):
    fill_in(path, [4])
    workbook = load_workbook(path)
    workbook["Main storeroom"]["A1"] = "Pick from Satellite"
    workbook.save(path)

    with pytest.raises(CommandError, match="found “Satellite”; expected a row of “Main storeroom”"):
        confirm(path)
    assert moves() == []


def test_every_problem_is_listed_and_nothing_is_half_applied(path):
    workbook = load_workbook(path)
    sheet = workbook["Main storeroom"]
    sheet["K4"], sheet["K5"], sheet["L5"] = "four", 3, "P999-AAAAAA"
    workbook.save(path)

    with pytest.raises(CommandError) as refusal:
        confirm(path)

    assert "sheet “Main storeroom”, row 4, column “K, Picked”: found “four”" in str(refusal.value)
    assert "sheet “Main storeroom”, row 5, column “L, Reference”: found “P999-AAAAAA”" in str(refusal.value)
    assert moves() == []


def test_a_reference_with_one_letter_changed_is_refused(path):
    workbook = load_workbook(path)
    cell = workbook["Main storeroom"]["L4"]
    cell.value = cell.value[:-1] + ("A" if cell.value[-1] != "A" else "B")
    workbook.save(path)

    with pytest.raises(CommandError, match="it was changed, or the row is of another pick list"):
        confirm(path)


def test_a_row_that_stands_twice_is_refused(path):
    workbook = load_workbook(path)
    sheet = workbook["Main storeroom"]
    sheet["L5"] = sheet["L4"].value
    workbook.save(path)

    with pytest.raises(
        CommandError, match=r"row 5, column “L, Reference”: .* again, after sheet “Main storeroom”, row 4"
    ):
        confirm(path)


def test_a_row_of_another_plan_is_refused(path, department, cart, storeroom, tube, tmp_path):
    elsewhen = make_plan(department, for_date=date(2026, 3, 6))
    make_pick(make_line(elsewhen, cart, tube), storeroom)
    write_workbook(elsewhen, tmp_path / "other.xlsx")
    stray = load_workbook(tmp_path / "other.xlsx")["Main storeroom"]["L4"].value
    workbook = load_workbook(path)
    workbook["Main storeroom"]["L4"] = stray
    workbook.save(path)

    with pytest.raises(CommandError, match="the row is of another pick list"):
        confirm(path)


def test_a_storeroom_sheet_that_is_gone_is_named(plan, cart, department, technician, tmp_path):
    satellite = StoreroomFactory(code="SAT", name="Satellite", walk_order=2)
    mask = ConsumableFactory(code="MASK", name="Face mask")
    make_pick(make_line(plan, cart, mask), satellite)
    path = tmp_path / "two.xlsx"
    write_workbook(plan, path)
    workbook = load_workbook(path)
    del workbook["Satellite"]
    workbook.save(path)

    with pytest.raises(CommandError, match="no sheet for “Satellite”"):
        confirm(path)


def test_a_workbook_of_another_department_is_refused(path, plan):
    UserFactory(username="nora", membership__department=open_department(code="north", name="North"))

    with pytest.raises(CommandError, match=f"pick list {plan.pk}, department main.*department “north”"):
        confirm(path, "--department", "north", by="nora")


def test_a_workbook_of_another_installation_is_refused(path, settings):
    fill_in(path, [4])
    settings.SECRET_KEY = "the key of another installation"

    with pytest.raises(CommandError, match="this one is of another installation"):
        confirm(path)


def test_a_list_that_a_newer_plan_replaced_is_refused_unless_the_pieces_were_carried(path, plan, department):
    fill_in(path, [4])
    confirm(path)
    make_plan(department, made_at=EVENING + timedelta(hours=2))
    confirm(path)  # nothing new is in it, so nothing can be doubled
    fill_in(path, [4, 3])

    with pytest.raises(CommandError, match="made for the same day on 2026-03-04, 19:05"):
        confirm(path)
    assert len(moves()) == 1

    confirm(path, "--superseded")
    assert len(moves()) == 2


@pytest.mark.django_db(transaction=True)
def test_one_list_confirmed_by_several_people_at_once_moves_once(path, cart, tube, storeroom):
    fill_in(path, [4, 3])
    start = threading.Barrier(6)

    def one_of_them(number):
        try:
            start.wait(timeout=30)
            return confirm(path)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(max_workers=6) as people:
        said = list(people.map(one_of_them, range(6)))

    assert sum("7 pieces in 2 picks" in words for words in said) == 1
    assert sum("Confirmed before and unchanged: 2 picks" in words for words in said) == 5
    assert (cart.on_hand(tube), storeroom.on_hand(tube)) == (4, 13)
    assert not ledger.differences()


def test_confirm_needs_a_user_who_exists(path):
    with pytest.raises(CommandError, match="Nobody who signs in as nobody works in Anaesthesia"):
        confirm(path, by="nobody")


@pytest.mark.parametrize(("written_in", "read_in", "picked"), [("es", "en-gb", "Recogidas"), ("en-gb", "es", "Picked")])
def test_a_list_is_read_whatever_language_it_was_written_in(path, plan, written_in, read_in, picked):
    with override(written_in):
        write_workbook(plan, path)
    fill_in(path, [4, 3], column=picked, mark=picked)

    with override(read_in):
        confirm(path)

    assert moves() == [(4, "SOON", "CART-1"), (3, "LATER", "CART-2")]


def test_a_row_of_no_lot_is_known_in_the_language_of_its_list(path, plan, cart, storeroom, technician):
    mask = ConsumableFactory(code="MASK")
    receive(storeroom, mask, 2, by=technician)
    make_pick(make_line(plan, cart, mask, allocated=2), storeroom, quantity=2)
    with override("es"):
        write_workbook(plan, path)
    fill_in(path, [4, 3, 2], column="Recogidas", mark="Recogidas")

    confirm(path)

    assert (2, None, "CART-1") in moves()
    assert not Lot.objects.filter(consumable=mask).exists()
