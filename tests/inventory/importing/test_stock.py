from datetime import date, timedelta

import pytest

from inventory import ledger
from inventory.importing import stock
from inventory.importing.problems import SheetRefused
from inventory.models import Count, Lot, StockingLine
from inventory.recalls import open_recall
from tests.conftest import NOON
from tests.factories import LotFactory

SHEET = """place,code,bin,par,floor,capacity,on_hand
CART-1,ETT-7.0,drawer 2,5,1,8,4
MAIN,ETT-7.0,aisle 1,60,,,55
"""


@pytest.fixture(autouse=True)
def places(cart, storeroom, tube):
    """The cart, its storeroom and one line of the catalogue."""


def test_sheet_sets_the_par_and_counts_what_is_there(load, cart, tube):
    outcome = load(stock, SHEET)

    line = cart.stocking_lines.get()
    assert (line.par, line.floor, line.capacity, line.bin.code) == (5, 1, 8, "drawer 2")
    assert cart.on_hand(tube) == 4
    assert Count.objects.get(place=cart).counted == 4
    assert outcome.counts["lines counted"] == 2


def test_same_stock_again_counts_nothing_again(load, cart, storeroom, tube, clinician):
    load(stock, SHEET)
    ledger.use(place=cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="used since")

    outcome = load(stock, SHEET, at=NOON + timedelta(days=1))

    assert not outcome.changed
    assert (cart.on_hand(tube), storeroom.on_hand(tube)) == (3, 55)


def test_sheet_without_a_count_leaves_what_is_on_hand(load, stocked_cart, tube):
    load(stock, "place,code,par\nCART-1,ETT-7.0,9\n")

    assert stocked_cart.stocking_lines.get().par == 9
    assert stocked_cart.on_hand(tube) == 5
    assert Count.objects.count() == 1


def test_lots_are_counted_each_for_itself(load, cart, tube, technician):
    gone = LotFactory(consumable=tube, number="OLD")
    ledger.receive(place=cart, consumable=tube, quantity=2, lot=gone, by=technician, at=NOON, key="earlier")

    load(
        stock,
        "place,code,par,on_hand,lot,expires_on\n"
        "CART-1,ETT-7.0,5,3,L1,2027-03-31\nCART-1,ETT-7.0,,2,L2,2028-01-31\nCART-1,ETT-7.0,,1,,\n",
    )

    held = {h.lot and h.lot.number: h.quantity for h in cart.holdings.all()}
    assert held == {"L1": 3, "L2": 2, None: 1, "OLD": 0}
    assert Lot.objects.get(number="L1").expires_on == date(2027, 3, 31)
    count = Count.objects.get(place=cart)
    assert (count.expected, count.counted) == (2, 6)
    assert ledger.differences() == []


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("CART-2,ETT-7.0,5,,,,\n", "found “CART-2”; expected the code of a cart or storeroom; the nearest"),
        ("CART-1,ETT-70,5,,,,\n", "found “ETT-70”; expected a code of the catalogue; the nearest are “ETT-7.0”"),
        ("CART-1,ETT-7.0,5,,,,\nCART-1,ETT-7.0,5,,,,\n", "row 3, column “code”: found “ETT-7.0” of this place again"),
        ("CART-1,ETT-7.0,-5,,,,\n", "column “par”: found “-5”; expected a whole number from 0"),
        ("CART-1,ETT-7.0,2.5,,,,\n", "column “par”: found “2.5”; expected a whole number from 0"),
        ("CART-1,ETT-7.0,,,,,\n", "column “par”: found nothing; expected the pieces that a restock fills to"),
        ("CART-1,ETT-7.0,9,8,,,\n", "column “par”: found “9”; expected at most the capacity of the bin, which is 8"),
        ("CART-1,ETT-7.0,5,,,L1,\n", "column “on_hand”: found nothing; expected the pieces of this lot"),
        ("CART-1,ETT-7.0,5,,2,,2027-01-31\n", "column “lot”: found nothing"),
        ("CART-1,ETT-7.0,5,,2,KNOWN,2027-01-31\n", "expected 2028-06-30, which is recorded for this lot"),
    ],
)  # fmt: skip
def test_fault_in_the_stock_is_named_and_nothing_is_written(load, tube, rows, message):
    LotFactory(consumable=tube, number="KNOWN")

    with pytest.raises(SheetRefused) as refused:
        load(stock, f"place,code,par,capacity,on_hand,lot,expires_on\n{rows}")

    assert message in str(refused.value)
    assert not StockingLine.objects.exists()
    assert not Count.objects.exists()


def test_count_that_takes_back_later_moves_is_warned_of(load, cart, storeroom, tube, clinician):
    load(stock, SHEET)
    ledger.use(place=cart, consumable=tube, quantity=1, by=clinician, at=NOON + timedelta(hours=1), key="used since")
    edited = SHEET.replace("drawer 2,5,", "drawer 2,6,")

    (_, warning) = load(stock, edited, at=NOON + timedelta(days=1)).notes

    assert warning.startswith("CHECK: 1 line of these moved since the last count")
    assert "--only-pars" in warning
    assert cart.on_hand(tube) == 4


def test_count_of_what_did_not_move_is_no_warning(load, cart, tube):
    load(stock, SHEET)

    notes = load(stock, SHEET.replace(",4\n", ",3\n"), at=NOON + timedelta(days=1)).notes

    assert notes == ["At 1 of the 2 lines counted the record said something else; the count stands."]


def test_only_pars_leaves_counts_and_lots_alone(load, cart, tube):
    sheet = "place,code,par,on_hand,lot,expires_on\nCART-1,ETT-7.0,6,9,L1,2027-01-31\n"

    load(stock, sheet, only_pars=True)

    assert cart.stocking_lines.get().par == 6
    assert cart.on_hand(tube) == 0
    assert not Count.objects.exists()
    assert not Lot.objects.exists()


def test_stock_of_a_cart_that_no_case_draws_on_is_warned_of(load, cart):
    cart.room = None
    cart.save()

    assert load(stock, SHEET).notes[-1].startswith("CHECK: no case draws on “CART-1”")


def test_tracking_is_set_where_the_sheet_says_it_and_stays_where_it_does_not(load, cart, tube):
    load(stock, f"place,code,par,tracking\n{cart.code},{tube.code},5,earliest_date\n")
    load(stock, f"place,code,par\n{cart.code},{tube.code},6\n")
    load(stock, f"place,code,par,tracking\n{cart.code},{tube.code},7,\n")

    line = cart.stocking_lines.get()
    assert (line.par, line.tracking) == (7, "earliest_date")


def test_lot_that_a_recall_means_is_counted_and_out_of_reach(load, cart, tube, supervisor):
    open_recall(consumable=tube, notice="FSN 24-7", lot_from="24A0090", lot_to="24A0110", by=supervisor, at=NOON)

    sheet = "place,code,par,on_hand,lot\nCART-1,ETT-7.0,5,2,24A0100\nCART-1,ETT-7.0,,1,L-7\n"
    outcome = load(stock, sheet)

    assert {lot.number for lot in Lot.objects.usable(on=NOON.date())} == {"L-7"}
    assert cart.on_hand(tube) == 3
    assert "Recalled, and out of reach from now on: lots 24A0100." in outcome.notes
