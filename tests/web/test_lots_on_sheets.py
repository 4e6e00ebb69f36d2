"""A wristband scanned where a sheet asks for a lot: the sheet is refused, and nothing of the code is kept or said."""

import csv
from datetime import timedelta
from io import BytesIO

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from inventory import ledger
from inventory.models import Lot
from inventory.printed_lots import printed_lot
from inventory.scanning import PersonCode
from restock.stock_life.counting import start_place_count
from restock.workbook import write_workbook
from tests.factories import LotFactory, StockingLineFactory
from tests.person_codes import PERSON_CODES
from tests.restock.pick_lists import fill_in, make_line, make_pick, make_plan, receive

from .test_pages import words
from .test_scanning import NOT_TOLD_FROM_OTHER_TEXT, found_in, stored_everywhere

REFUSED = "expected the lot number that stands on the pack (this code is about a person and was refused)"
# Without its separators, which no workbook can hold, the last is a long lot like another.
TOLD_APART = sorted(PERSON_CODES.keys() - NOT_TOLD_FROM_OTHER_TEXT - {"behind a lot"})
# As somebody may type what a wristband shows.
TYPED = {"PID": "MSH|^~\\&|PID|4471203", "in brackets": "(7253)NOBODYINPARTICULAR"}


@pytest.fixture(params=[*TOLD_APART, *TYPED])
def code(request):
    whole = PERSON_CODES.get(request.param) or TYPED[request.param]
    return "".join(character for character in whole if character.isprintable())


def nothing_is_left_of_it(code, said, caplog):
    is_formula = code.startswith("=")  # so a spreadsheet takes it, and that is what its cell is refused for
    return (is_formula or REFUSED in said) and found_in(said + stored_everywhere() + caplog.text) == []


def test_a_count_sheet_keeps_no_code_about_a_person(signed_in, storeroom, tube, technician, code, caplog):
    StockingLineFactory(place=storeroom, consumable=tube, par=20)
    lot = LotFactory(consumable=tube, number="A")
    at = timezone.now() - timedelta(days=1)
    ledger.receive(place=storeroom, consumable=tube, lot=lot, quantity=10, by=technician, at=at, key="in")
    round = start_place_count(department=storeroom.department, place=storeroom, by=technician, at=timezone.now())
    book = load_workbook(BytesIO(signed_in.get(reverse("count-sheet", args=[round.pk])).content))
    sheet = book.active
    head = next(row for row in sheet.iter_rows() if any(cell.value == "Counted" for cell in row))
    at_column = {cell.value: cell.column for cell in head}
    for row in range(head[0].row + 1, sheet.max_row + 1):
        of_lot = sheet.cell(row, at_column["Lot"]).value
        if of_lot in ("A", "another lot"):
            sheet.cell(row, at_column["Counted"]).value = 2
        if of_lot == "another lot":
            sheet.cell(row, at_column["Lot found"]).value = code
    book.save(back := BytesIO())
    back.seek(0)
    back.name = "count.xlsx"

    answer = signed_in.post(reverse("count-sheet-back", args=[round.pk]), {"workbook": back}, follow=True)

    assert nothing_is_left_of_it(code, words(answer), caplog)
    assert Lot.objects.get().number == "A"


def test_a_stock_sheet_keeps_no_code_about_a_person(cart, tube, technician, tmp_path, code, caplog):
    path = tmp_path / "stock.csv"
    with path.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["place", "code", "par", "on_hand", "lot"])
        rows.writerow([cart.code, tube.code, 5, 2, code])

    with pytest.raises(CommandError) as refused:
        call_command("load", "stock", str(path), "--by", technician.username)

    assert nothing_is_left_of_it(code, str(refused.value), caplog)
    assert not Lot.objects.exists()


def test_a_pick_list_keeps_no_code_about_a_person(
    department, cart, storeroom, tube, technician, tmp_path, code, caplog
):
    plan, lot = make_plan(cart.department, by=technician), LotFactory(consumable=tube, number="A")
    receive(storeroom, tube, 10, by=technician, lot=lot)
    make_pick(make_line(plan, cart, tube), storeroom, lot=lot)
    write_workbook(plan, path := tmp_path / "tonight.xlsx")
    fill_in(path, [4])
    fill_in(path, [code], column="Lot")

    with pytest.raises(CommandError) as refused:
        call_command("confirm", str(path), "--by", technician.username)

    assert nothing_is_left_of_it(code, str(refused.value), caplog)
    assert Lot.objects.get().number == "A"


def test_no_way_of_making_a_lot_keeps_the_number_of_a_person(tube):
    code = PERSON_CODES["recipient in brackets"]
    ways = (
        lambda: printed_lot(tube, code, None),
        lambda: Lot.objects.create(consumable=tube, number=code),
        lambda: Lot.objects.get_or_create(consumable=tube, number=code),
        lambda: Lot.objects.bulk_create([Lot(consumable=tube, number=code)]),
    )
    for make in ways:
        with pytest.raises(PersonCode):
            make()
    assert not Lot.objects.exists()
