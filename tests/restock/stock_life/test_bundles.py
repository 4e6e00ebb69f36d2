"""What to make up tonight, and what a logged bundle counts as."""

from datetime import UTC, datetime, timedelta

import pytest
from openpyxl import load_workbook

from inventory import bundles, ledger
from inventory.importing.problems import SheetRefused
from inventory.models import BundlePiece, Movement
from restock.cases.case_log import Opened, log_case
from restock.models import Plan, PlanLine, UsageRecord
from restock.sheets.bundle_sheets import MAKE_UP, apply_make_up_sheet, write_make_up_sheet
from restock.stock_life.bundles import to_make_up
from restock.workbook.forms import read_form
from tests.factories import CartFactory, CaseFactory, ConsumableFactory, LotFactory, StockingLineFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
TODAY = NOON.date()


@pytest.fixture
def cannula(department):
    return ConsumableFactory(code="VP01", name="IV catheter")


@pytest.fixture
def strip(department):
    return ConsumableFactory(code="SK06", name="Dressing strip")


@pytest.fixture
def bundle(cannula, strip, cart, storeroom):
    """One cannula and two strips; the cart keeps four, the storeroom two."""
    bundle = ConsumableFactory(code="BU01", name="IV start bundle")
    BundlePiece.objects.create(bundle=bundle, piece=cannula)
    BundlePiece.objects.create(bundle=bundle, piece=strip, pieces_per_bundle=2)
    StockingLineFactory(place=cart, consumable=bundle, par=4)
    StockingLineFactory(place=storeroom, consumable=bundle, par=2)
    return bundle


@pytest.fixture
def hold(technician):
    def receive(place, line, pieces, lot=None):
        key = f"{place.pk}:{line.pk}:{lot and lot.pk}"
        ledger.receive(place=place, consumable=line, quantity=pieces, lot=lot, by=technician, at=NOON, key=key)

    return receive


def test_carts_lack_and_storerooms_own_par_make_up_the_number(
    department, storeroom, cart, bundle, cannula, strip, hold
):
    hold(cart, bundle, 1)
    hold(storeroom, bundle, 1)
    hold(storeroom, cannula, 3)
    hold(storeroom, strip, 20)

    [row] = to_make_up(department, on=TODAY)

    assert (row.place, row.bundle) == (storeroom, bundle)
    assert (row.needed_tonight, row.kept, row.usable, row.to_make_up) == (3, 2, 1, 4)
    assert (row.possible, row.at_most) == (3, 3)
    [lack] = row.lacks
    assert (lack.piece, lack.needed, lack.usable, lack.missing) == (cannula, 4, 3, 1)


def test_target_of_the_plan_goes_before_par(department, storeroom, cart, bundle, technician):
    plan = Plan.objects.create(
        department=department,
        for_date=TODAY + timedelta(days=1),
        made_at=NOON,
        by=technician,
        method="test 1",
        inputs={},
    )
    figures = dict.fromkeys(("on_hand", "usable", "floor", "cases", "q50", "q90", "q95", "q99", "q_service"), 0)
    figures |= dict.fromkeys(("mean", "p_short_before", "p_short_after", "shortfall_before", "shortfall_after"), 0.0)
    PlanLine.objects.create(
        plan=plan, place=cart, consumable=bundle, par=4, service_level=0.95, target=9, top_up=9, allocated=0, pmf=[1.0],
        reason="", **figures,
    )  # fmt: skip

    [row] = to_make_up(department, on=TODAY, plan=plan)

    assert (row.needed_tonight, row.to_make_up) == (9, 11)


def test_pieces_and_bundles_out_of_date_or_held_count_for_nothing(department, storeroom, bundle, cannula, strip, hold):
    hold(storeroom, bundle, 5, LotFactory(consumable=bundle, expires_on=TODAY - timedelta(days=1)))
    hold(storeroom, cannula, 5, LotFactory(consumable=cannula, quarantined_at=NOON))
    hold(storeroom, strip, 20)

    [row] = to_make_up(department, on=TODAY)

    assert (row.usable, row.possible) == (0, 0)


def test_lots_to_take_are_those_that_end_first(department, storeroom, bundle, cannula, strip, hold):
    soon, late = (LotFactory(consumable=cannula, expires_on=TODAY + timedelta(days=days)) for days in (5, 50))
    hold(storeroom, cannula, 9, late)
    hold(storeroom, cannula, 2, soon)
    hold(storeroom, strip, 8)

    [row] = to_make_up(department, on=TODAY)

    assert row.at_most == 4
    assert [(one.piece, one.lot, one.pieces) for one in row.take] == [
        (strip, None, 8),
        (cannula, soon, 2),
        (cannula, late, 2),
    ]


def test_cart_that_names_no_storeroom_is_made_up_for_in_the_first(department, storeroom, bundle):
    StockingLineFactory(place=CartFactory(restocked_from=None), consumable=bundle, par=3)

    assert to_make_up(department, on=TODAY)[0].needed_tonight == 7


def test_bundle_that_is_logged_is_used_once_and_its_pieces_not_again(
    department, room, cart, storeroom, bundle, cannula, strip, hold, technician
):
    hold(storeroom, cannula, 5)
    hold(storeroom, strip, 10)
    made = bundles.make_up(place=storeroom, bundle=bundle, bundles=2, by=technician, at=NOON, key="made")
    ledger.move(
        source=storeroom,
        destination=cart,
        consumable=bundle,
        lot=made.lot,
        quantity=2,
        by=technician,
        at=NOON,
        key="up",
    )
    case = CaseFactory(room=room, date=TODAY)

    log_case(case=case, lines=[Opened(bundle, 1)], by=technician, at=NOON, key="logged")

    assert list(UsageRecord.objects.values_list("consumable", "used")) == [(bundle.pk, 1)]
    used = Movement.objects.filter(kind=Movement.Kind.USE)
    assert [(m.consumable, m.lot) for m in used] == [(bundle, made.lot)]
    assert (storeroom.on_hand(cannula), storeroom.on_hand(strip)) == (3, 6)
    assert not ledger.differences()


def test_sheet_of_bundles_that_comes_back_is_recorded_once_or_refused_whole(
    tmp_path, department, storeroom, bundle, cannula, strip, hold, technician
):
    hold(storeroom, cannula, 5)
    hold(storeroom, strip, 10)
    path = tmp_path / "bundles.xlsx"
    path.write_bytes(write_make_up_sheet(department, to_make_up(department, on=TODAY), on=TODAY, at=NOON))
    book = load_workbook(path)
    heading = next(row for row in book.active.iter_rows() if "Made up" in [cell.value for cell in row])
    made = book.active.cell(heading[0].row + 1, [cell.value for cell in heading].index("Made up") + 1)

    def bring_back(bundles_made):
        made.value = bundles_made
        book.save(path)
        filled = read_form(MAKE_UP, path, department=department)
        return apply_make_up_sheet(filled, department=department, by=technician, at=NOON)

    with pytest.raises(SheetRefused) as refusal:
        bring_back(6)
    assert "IV catheter: 6 needed, 5 usable, 1 missing" in str(refusal.value.problems[0])
    assert [bring_back(4), bring_back(4)] == ["4 bundles made up.", "0 bundles made up."]
    assert storeroom.on_hand(bundle) == 4
