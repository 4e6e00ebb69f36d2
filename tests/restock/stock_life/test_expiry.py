"""What ends soon: which rows, in which order, what is done with them, and what is likely to be wasted."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory import ledger
from inventory.dates import check_date
from inventory.importing.problems import SheetRefused
from inventory.models import Consumable, Place, StockingLine
from restock.advising.dates import Dates, Waste
from restock.advising.moves import Move, Walk
from restock.models import Policy
from restock.sheets.expiry_sheets import PULL, apply_pull_sheet, write_pull_sheet
from restock.stock_life.expiry import dated_pieces, find_dated, lines_by_earliest
from restock.stock_life.expiry_pulling import carry_to, not_there, pulled_since, take_back, throw_away
from restock.supervising.expiry_waste import summed
from restock.workbook.forms import read_form
from tests.factories import BinFactory, CartFactory, ConsumableFactory, LotFactory, StockingLineFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
TODAY = NOON.date()


@pytest.fixture
def hold(technician):
    """`hold(place, line, pieces, days)`: pieces of a new lot that ends so many days from today."""

    def receive(place, line, pieces, days=None, **lot):
        of_lot = None if days is None else LotFactory(consumable=line, expires_on=TODAY + timedelta(days=days), **lot)
        ledger.receive(
            place=place, consumable=line, quantity=pieces, lot=of_lot, by=technician, at=NOON,
            key=f"{place.pk}:{line.pk}:{of_lot and of_lot.number}",
        )  # fmt: skip
        return of_lot

    return receive


@pytest.fixture
def ended(stocked_cart, tube, hold):
    """Three tubes on the cart that ended yesterday."""
    hold(stocked_cart, tube, 3, days=-1, number="OLD")
    return dated_pieces(stocked_cart.department, on=TODAY, within_days=30)[0]


@pytest.fixture
def soon(stocked_cart, tube, hold):
    """Three tubes on the cart that end in nine days."""
    hold(stocked_cart, tube, 3, days=9, number="SOON")
    return dated_pieces(stocked_cart.department, on=TODAY, within_days=30)[0]


def test_rows_stand_in_walking_order_and_leave_out_what_lasts_or_is_held(department, storeroom, cart, tube, hold):
    first, second = BinFactory(place=cart, code="D1", walk_order=1), BinFactory(place=cart, code="D2", walk_order=2)
    mask = ConsumableFactory(code="MASK")
    StockingLineFactory(place=cart, consumable=tube, bin=second)
    StockingLineFactory(place=cart, consumable=mask, bin=first)
    type(storeroom).objects.filter(pk=storeroom.pk).update(walk_order=9)
    hold(storeroom, tube, 4, days=30)
    hold(cart, tube, 2, days=3)
    hold(cart, mask, 5, days=-2)
    hold(cart, tube, 7, days=31)
    hold(cart, tube, 7)
    hold(cart, tube, 7, days=1, quarantined_at=NOON)

    rows = dated_pieces(department, on=TODAY, within_days=30)

    assert [(r.place, r.bin, r.consumable, r.pieces, r.has_ended(TODAY)) for r in rows] == [
        (cart, first, mask, 5, True),
        (cart, second, tube, 2, False),
        (storeroom, None, tube, 4, False),
    ]


def test_piece_may_be_used_through_its_last_day(department, cart, tube, hold):
    """ISO 15223-1, symbol 5.1.4."""
    hold(cart, tube, 1, days=0)

    [row] = dated_pieces(department, on=TODAY, within_days=0)

    assert not row.has_ended(TODAY)
    assert row.has_ended(TODAY + timedelta(days=1))


def test_line_kept_by_its_earliest_date_has_one_row_with_the_date_that_was_read(
    department, cart, tube, hold, technician
):
    StockingLineFactory(place=cart, consumable=tube, tracking=StockingLine.Tracking.EARLIEST_DATE)
    hold(cart, tube, 2, days=-5)
    hold(cart, tube, 2, days=20)
    read = TODAY + timedelta(days=12)
    check_date(place=cart, consumable=tube, earliest_expires_on=read, by=technician, at=NOON, key="read")

    [row] = dated_pieces(department, on=TODAY, within_days=30)

    assert (row.lot, row.expires_on, row.seen, row.pieces) == (None, read, True, 4)
    assert find_dated(department, row.key, on=TODAY) == row
    assert not dated_pieces(department, on=TODAY, within_days=11)
    assert [one.line.consumable for one in lines_by_earliest(department, cart)] == [tube]


def test_sixty_rows_ask_as_often_as_one(department, cart, tube, hold, technician):
    asked = []
    for more in (1, 59):
        for _ in range(more):
            line = StockingLineFactory(place=cart, bin=BinFactory(place=cart)).consumable
            hold(cart, line, 1, days=2)
            of_date = StockingLineFactory(place=cart, tracking="earliest_date").consumable
            check_date(
                place=cart, consumable=of_date, earliest_expires_on=TODAY, by=technician, at=NOON, key=f"{of_date.pk}"
            )
        with CaptureQueriesContext(connection) as captured:
            rows = dated_pieces(department, on=TODAY, within_days=30)
        asked.append(len(captured))

    assert len(rows) == 120
    assert asked[0] == asked[1]


def test_thrown_away_twice_with_one_key_is_thrown_away_once_and_taken_back(ended, tube, technician):
    told = {"by": technician, "at": NOON}
    throw_away(ended, pieces=2, key="one", **told)
    throw_away(ended, pieces=2, key="one", **told)

    assert find_dated(ended.place.department, ended.key, on=TODAY).pieces == 1
    [act] = pulled_since(ended.place.department, NOON)
    assert (act.pieces, act.kind, act.destination) == (2, "discard", None)
    with pytest.raises(ledger.KeyReused):
        throw_away(ended, pieces=1, key="one", **told)

    for _ in range(2):
        take_back(ended.place.department, key=act.key, **told)

    assert ended.place.on_hand(tube) == 8
    assert not pulled_since(ended.place.department, NOON)


def test_what_has_ended_is_not_carried_to_another_place(ended, storeroom, technician):
    with pytest.raises(ledger.Refused, match="thrown away, not carried"):
        carry_to(ended, destination=storeroom, pieces=1, by=technician, at=NOON, key="no")


def test_carried_pieces_keep_their_lot_and_come_back_only_while_they_are_there(soon, tube, technician):
    other, told = CartFactory(), {"by": technician, "at": NOON}
    carry_to(soon, destination=other, pieces=2, key="carry", **told)
    assert other.holdings.get(lot=soon.lot).quantity == 2
    ledger.use(place=other, consumable=tube, quantity=1, key="used", **told)

    with pytest.raises(ledger.Refused, match="Not all of them"):
        take_back(other.department, key="pull:carry", **told)


def test_row_that_was_not_there_leaves_the_record(soon, tube, technician):
    with pytest.raises(ledger.Refused, match="Only 3 are on record"):
        not_there(soon, pieces=4, by=technician, at=NOON, key="four")

    not_there(soon, pieces=3, by=technician, at=NOON, key="three")

    assert soon.place.on_hand(tube) == 5
    assert find_dated(soon.place.department, soon.key, on=TODAY) is None


def test_pieces_of_an_earliest_date_come_from_lots_that_may_have_it(department, cart, tube, hold, technician):
    StockingLineFactory(place=cart, consumable=tube, tracking=StockingLine.Tracking.EARLIEST_DATE)
    lasting = hold(cart, tube, 4, days=300)
    hold(cart, tube, 2)
    check_date(
        place=cart, consumable=tube, earliest_expires_on=TODAY - timedelta(days=1), by=technician, at=NOON, key="read"
    )
    [row] = dated_pieces(department, on=TODAY, within_days=30)

    throw_away(row, pieces=3, by=technician, at=NOON, key="three")

    assert dict(cart.holdings.values_list("lot", "quantity")) == {None: -1, lasting.pk: 4}


def filled_in(tmp_path, department, rows, **cells):
    """The pull list as a workbook, its first row filled in, read back."""
    import openpyxl

    path = tmp_path / "pull.xlsx"
    path.write_bytes(write_pull_sheet(department, rows, on=TODAY, at=NOON))
    book = openpyxl.load_workbook(path)
    titles = next(row for row in book.active.iter_rows() if "Thrown away" in [cell.value for cell in row])
    for cell in titles:
        if cell.value in cells:
            book.active.cell(row=cell.row + 1, column=cell.column, value=cells[cell.value])
    book.save(path)
    return read_form(PULL, path, department=department)


def test_sheet_that_comes_back_is_recorded_once(tmp_path, soon, technician):
    department, other = soon.place.department, CartFactory(code="CART-9")
    filled = filled_in(tmp_path, department, [soon], **{"Thrown away": 1, "Carried": 2, "To": "CART-9"})

    said = [apply_pull_sheet(filled, department=department, by=technician, at=NOON) for _ in range(2)]

    assert said == ["1 row of the sheet recorded.", "0 rows of the sheet recorded."]
    assert other.holdings.get(lot=soon.lot).quantity == 2
    assert find_dated(department, soon.key, on=TODAY) is None


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ({"Carried": 1, "To": "NOWHERE"}, "NOWHERE"),
        ({"Carried": 1}, "the code of the place"),
        ({"Not there": 9}, "Only 3 are on record"),
    ],
)
def test_sheet_that_cannot_be_true_is_refused_whole(tmp_path, soon, tube, technician, cells, said):
    department = soon.place.department
    filled = filled_in(tmp_path, department, [soon], **cells)

    with pytest.raises(SheetRefused) as refusal:
        apply_pull_sheet(filled, department=department, by=technician, at=NOON)

    assert any(said in str(problem) for problem in refusal.value.problems)
    assert soon.place.on_hand(tube) == 8


def test_waste_is_summed_before_and_after_the_exchanges_with_money_where_a_price_is_known():
    priced = Consumable(pk=1, code="A", price_per_piece=Decimal("2.50"))
    unpriced = Consumable(pk=2, code="B")
    slow, fast = Place(pk=1, code="slow", role="cart"), Place(pk=2, code="fast", role="cart")
    day, policy = date(2026, 3, 20), Policy(wasted_piece=0.2, handling_per_piece=0.01)
    wastes = (Waste(slow, priced, day, 4, 3.0, 1.0), Waste(slow, unpriced, day, 2, 1.5, 0.9))
    gain = 2 * 0.2 - 2 * 2 * 0.01  # two pieces saved, two handled each way
    swaps = (Walk(slow, fast, (Move(priced, 2, gain),), gain - 0.1),)

    waste = summed(Dates(wastes, swaps, 2.0), policy, today=TODAY, days=30)

    assert (waste.before.pieces, waste.before.money) == (4.5, Decimal("7.50"))
    assert waste.after.pieces == pytest.approx(2.5)
    assert waste.after.money == Decimal("2.50")
