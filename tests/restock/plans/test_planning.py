"""From cases and stock to tonight's list."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from inventory import ledger
from inventory.models import Basis, Criticality, Owner
from restock.forecasting import demand
from restock.learning.forecast import forecast_day, read_frame, read_known
from restock.learning.tallies import bring_forward
from restock.models import Pick, Plan, Policy, SetupStandard, Shortage, UsageRecord
from restock.plans.out_of_reach import sentences
from restock.plans.planning import make_plan
from tests.factories import (
    BinFactory,
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    ExtraFactory,
    LotFactory,
    RoomFactory,
    SizeClassFactory,
    SizeRunFactory,
    StockingLineFactory,
    StoreroomFactory,
)

TOMORROW = date(2026, 3, 5)
TONIGHT = datetime(2026, 3, 4, 18, tzinfo=UTC)


@pytest.fixture
def policy(department):
    return Policy.objects.create(department=department)


@pytest.fixture
def laid_out(policy):
    """laid_out(case_type, consumable, probability, quantity) adds a row to the set-up standard."""

    def row(case_type, consumable, probability=1.0, quantity=1.0, **rest):
        return SetupStandard.objects.create(
            case_type=case_type, consumable=consumable, probability=probability, quantity=quantity, **rest
        )

    return row


def stock(place, consumable, pieces, by, **rest):
    if pieces:
        key = f"receive {place.pk} {consumable.pk} {rest}"
        ledger.receive(place=place, consumable=consumable, quantity=pieces, by=by, at=TONIGHT, key=key, **rest)


def plan_for(department):
    return make_plan(department=department, for_date=TOMORROW, at=TONIGHT)


def forecast_for(department):
    return forecast_day(read_frame(department), read_known(department, TOMORROW))


def log_cases(department, case_type, room, consumable, pieces):
    """Past cases of a type, one a day, that used so many pieces each."""
    for n, used in enumerate(pieces):
        day = TOMORROW - timedelta(days=n + 1)
        case = CaseFactory(date=day, room=room, order=1, case_type=case_type, status="done", logged_at=TONIGHT)
        if used:
            UsageRecord.objects.create(department=department, case=case, consumable=consumable, used=used)


def test_with_no_log_the_set_up_standard_alone_fills_the_cart(
    department, cart, room, tube, storeroom, laid_out, technician
):
    case_type = CaseTypeFactory()
    laid_out(case_type, tube)
    StockingLineFactory(place=cart, consumable=tube, par=2)
    stock(storeroom, tube, 50, technician)
    for order in range(1, 9):
        CaseFactory(room=room, order=order, case_type=case_type)

    line = plan_for(department).lines.get()

    assert line.cases == 8
    assert 7 <= line.q50 <= 8
    assert line.target == line.q_service > line.par
    assert line.allocated == line.top_up == line.target
    assert "no log yet" in str(line.reason)
    assert str(line.reason).endswith(f"{line.top_up} to add.")


def test_eight_logged_cases_ask_for_more_than_a_flat_par(department, cart, room, tube, storeroom, policy, technician):
    case_type = CaseTypeFactory()
    StockingLineFactory(place=cart, consumable=tube, par=3)
    stock(storeroom, tube, 50, technician)
    log_cases(department, case_type, room, tube, [1] * 40)
    for order in range(1, 9):
        CaseFactory(room=room, order=order, case_type=case_type)

    line = plan_for(department).lines.get()

    assert line.mean == pytest.approx(8, rel=0.15)
    assert line.target >= 8
    assert "no log yet" not in str(line.reason)


def test_demand_of_a_day_is_the_exact_sum_over_its_cases(department, cart, room, tube, laid_out):
    """Against enumeration of every outcome of three cases, each with its own chance of being cancelled."""
    StockingLineFactory(place=cart, consumable=tube)
    case_type = CaseTypeFactory()
    laid_out(case_type, tube, probability=0.6, quantity=1.29)
    for order in (1, 2, 3):
        CaseFactory(room=room, order=order, case_type=case_type)
    forecast = forecast_for(department)
    [pmf] = forecast.usage.consumable_pmfs(forecast.known.slots[0], [tube.pk])
    a, b = forecast.known.cancellation.beta(case_type.pk)

    total = np.zeros(80)
    for kept in range(4):  # beta-binomial number of cases that are not cancelled
        from scipy.stats import betabinom

        used = np.array([1.0])
        for _ in range(kept):
            used = np.convolve(used, pmf)
        total[: len(used)] += betabinom.pmf(kept, 3, b, a) * used

    rate_a, rate_b = forecast.known.add_ons.rate[room.pk]
    from scipy.stats import nbinom

    added = np.zeros(80)
    powers = np.array([1.0])
    for n in range(12):
        keep = min(80, len(powers))
        added[:keep] += nbinom.pmf(n, rate_a, rate_b / (rate_b + 1)) * powers[:keep]
        powers = np.convolve(powers, pmf)
    expected = np.convolve(total, added)

    found = forecast.pmf[0]
    assert np.abs(found - expected[: len(found)]).max() < 1e-9


def test_a_shared_cart_sums_over_the_rooms_that_fetch_from_it(department, cart, room, tube, laid_out):
    other = CartFactory().room
    shared = CartFactory(room=None, serves=[room, other])
    kit, case_type = ConsumableFactory(), CaseTypeFactory()
    laid_out(case_type, kit)
    line = StockingLineFactory(place=shared, consumable=kit)
    CaseFactory(room=room, order=1, case_type=case_type)
    CaseFactory(room=other, order=1, case_type=case_type)

    forecast = forecast_for(department)

    assert forecast.frame.lines == (line,)
    assert forecast.cases[0] == 2


def test_a_cart_in_the_room_spares_the_shared_cart(department, cart, room, tube, laid_out):
    shared = CartFactory(room=None, serves=[room])
    case_type = CaseTypeFactory()
    laid_out(case_type, tube)
    for place in (cart, shared):
        StockingLineFactory(place=place, consumable=tube)
    CaseFactory(room=room, order=1, case_type=case_type)

    forecast = forecast_for(department)

    assert {line.place: n for line, n in zip(forecast.frame.lines, forecast.cases, strict=True)} == {cart: 1, shared: 0}


def test_a_booked_extra_brings_what_it_names(department, cart, room, laid_out):
    transducer, extra = ConsumableFactory(), ExtraFactory()
    case_type = CaseTypeFactory()
    laid_out(None, transducer, extra=extra)
    StockingLineFactory(place=cart, consumable=transducer)
    CaseFactory(room=room, order=1, case_type=case_type)
    CaseFactory(room=room, order=2, case_type=case_type, extras=[extra])

    forecast = forecast_for(department)

    without, with_extra = (forecast.usage.consumable_pmfs(slot, [transducer.pk])[0] for slot in forecast.known.slots)
    assert 1 - without[0] < 0.05
    assert 1 - with_extra[0] > 0.8


def test_a_size_run_is_split_by_the_sizing_rule_of_the_size_class(department, cart, room, laid_out):
    run = SizeRunFactory()
    small, large = (ConsumableFactory(size_run=run, size_position=n) for n in (1, 2))
    child, adult = SizeClassFactory(code="child"), SizeClassFactory(code="adult")
    case_type = CaseTypeFactory()
    SetupStandard.objects.create(case_type=case_type, size_run=run)
    SetupStandard.objects.create(size_class=child, consumable=small)
    SetupStandard.objects.create(size_class=adult, consumable=large)
    for consumable in (small, large):
        StockingLineFactory(place=cart, consumable=consumable)
    CaseFactory(room=room, order=1, case_type=case_type, size_class=child)

    forecast = forecast_for(department)

    of = dict(zip((line.consumable for line in forecast.frame.lines), demand.mean(forecast.pmf), strict=True))
    assert of[small] > 5 * of[large]


def test_a_line_of_the_room_is_opened_once_however_many_cases(department, cart, room, laid_out):
    tape = ConsumableFactory(basis=Basis.PER_ROOM_DAY)
    case_type = CaseTypeFactory()
    laid_out(case_type, tape, basis=Basis.PER_ROOM_DAY)
    StockingLineFactory(place=cart, consumable=tape)
    for order in range(1, 7):
        CaseFactory(room=room, order=order, case_type=case_type)

    forecast = forecast_for(department)

    assert demand.mean(forecast.pmf)[0] == pytest.approx(1.0, abs=0.2)


def test_cancelled_cases_ask_for_nothing(department, cart, room, tube, laid_out):
    case_type = CaseTypeFactory()
    laid_out(case_type, tube)
    StockingLineFactory(place=cart, consumable=tube)
    CaseFactory(room=room, order=1, case_type=case_type, status="cancelled")

    assert forecast_for(department).known.slots == ()


def test_the_bin_bounds_the_target_and_says_so(department, cart, room, tube, storeroom, laid_out, technician):
    case_type = CaseTypeFactory()
    laid_out(case_type, tube, quantity=3)
    StockingLineFactory(place=cart, consumable=tube, par=2, capacity=4)
    stock(storeroom, tube, 50, technician)
    for order in range(1, 5):
        CaseFactory(room=room, order=order, case_type=case_type)

    plan = plan_for(department)

    line = plan.lines.get()
    assert line.target == 4
    assert "the bin holds 4" in str(line.reason)
    assert line.shortage.cause == Shortage.Cause.BIN_TOO_SMALL


def test_the_floor_of_an_emergency_line_is_never_optimised_away(department, cart, storeroom, policy, technician):
    Policy.objects.update(target=Policy.Target.TOMORROW_ONLY)
    kit = ConsumableFactory(basis=Basis.EMERGENCY, criticality=Criticality.NEVER_OUT)
    StockingLineFactory(place=cart, consumable=kit, par=0, floor=2)
    stock(storeroom, kit, 5, technician)

    line = plan_for(department).lines.get()

    assert (line.target, line.allocated) == (2, 2)


def test_out_of_date_pieces_on_a_cart_do_not_count(department, cart, tube, storeroom, policy, technician):
    StockingLineFactory(place=cart, consumable=tube, par=3)
    stock(cart, tube, 3, technician, lot=LotFactory(consumable=tube, expires_on=TOMORROW - timedelta(days=1)))
    stock(storeroom, tube, 9, technician)

    line = plan_for(department).lines.get()

    assert (line.on_hand, line.usable, line.top_up) == (3, 0, 3)
    assert "3 of them out of date or set aside" in str(line.reason)


def test_a_balance_below_zero_asks_for_a_count_and_is_filled_from_none(
    department, stocked_cart, tube, policy, clinician
):
    ledger.use(place=stocked_cart, consumable=tube, quantity=7, by=clinician, at=TONIGHT, key="used")

    line = plan_for(department).lines.get()

    assert (line.on_hand, line.usable, line.top_up) == (-2, 0, 5)
    assert "recorded -2, please count" in str(line.reason)


def test_scarce_pieces_go_where_they_cut_the_expected_shortfall_most(
    department, cart, room, tube, storeroom, laid_out, technician
):
    busy, quiet = CaseTypeFactory(), CaseTypeFactory()
    laid_out(busy, tube)
    other = CartFactory(restocked_from=storeroom)
    for place in (cart, other):
        StockingLineFactory(place=place, consumable=tube, par=6)
    stock(storeroom, tube, 6, technician)
    for order in range(1, 7):
        CaseFactory(room=room, order=order, case_type=busy)
    CaseFactory(room=other.room, order=1, case_type=quiet)

    plan = plan_for(department)

    given = {line.place: line.allocated for line in plan.lines.all()}
    assert given[cart] > given[other]
    assert sum(given.values()) == 6
    assert Shortage.objects.get(plan_line__place=other).cause == Shortage.Cause.STOREROOM_LOW


def test_a_never_out_line_outweighs_a_routine_one_only_within_its_own_stock(department, cart, tube, storeroom, policy):
    """Stock of one consumable is never traded for another: weights order shortages by harm."""
    vital = ConsumableFactory(criticality=Criticality.NEVER_OUT)
    for consumable in (tube, vital):
        StockingLineFactory(place=cart, consumable=consumable, par=4)

    worst = Shortage.objects.filter(plan_line__plan=plan_for(department)).order_by("-harm").values_list("short_by")

    assert list(worst) == [(4,), (4,)]


def test_lots_are_picked_first_expiring_first_out_and_never_out_of_date(
    department, cart, tube, storeroom, policy, technician
):
    StockingLineFactory(place=cart, consumable=tube, par=5)
    shelf = BinFactory(place=storeroom)
    StockingLineFactory(place=storeroom, consumable=tube, bin=shelf, par=20)
    expired, soon, later = (
        LotFactory(consumable=tube, expires_on=TOMORROW + timedelta(days=days)) for days in (-1, 3, 300)
    )
    for lot, pieces in ((later, 10), (soon, 2), (expired, 9)):
        stock(storeroom, tube, pieces, technician, lot=lot)

    plan_for(department)

    picks = Pick.objects.order_by("pk")
    assert [(pick.lot, pick.quantity, pick.bin) for pick in picks] == [(soon, 2, shelf), (later, 3, shelf)]


def test_the_carts_own_storeroom_comes_first(department, cart, tube, storeroom, policy, technician):
    near = StoreroomFactory(walk_order=99)
    cart.restocked_from = near
    cart.save()
    StockingLineFactory(place=cart, consumable=tube, par=5)
    stock(storeroom, tube, 10, technician)
    stock(near, tube, 3, technician)

    plan_for(department)

    assert [(pick.storeroom, pick.quantity) for pick in Pick.objects.order_by("pk")] == [(near, 3), (storeroom, 2)]


def test_an_empty_storeroom_is_a_shortage_and_the_pharmacys_lines_are_asked_for(department, cart, tube, policy):
    fluid = ConsumableFactory(owner=Owner.PHARMACY)
    for consumable in (tube, fluid):
        StockingLineFactory(place=cart, consumable=consumable, par=4)

    plan_for(department)

    causes = dict(Shortage.objects.values_list("plan_line__consumable__code", "cause"))
    assert causes == {tube.code: Shortage.Cause.STOREROOM_EMPTY, fluid.code: Shortage.Cause.PHARMACY}


def test_planning_again_keeps_the_earlier_plan(department, stocked_cart, policy):
    first = plan_for(department)
    plan_for(department)

    assert Plan.objects.count() == 2
    assert Plan.objects.get(pk=first.pk).lines.count() == 1


def test_a_plan_remembers_what_it_rests_on(department, stocked_cart, policy):
    plan = plan_for(department)

    assert plan.parameters["service_never_out"] == 0.995
    assert plan.inputs["newest_count"] is not None
    assert plan.method.startswith("tilted-dirichlet")


@pytest.mark.parametrize("n_lines", [1, 60])
def test_a_forecast_costs_the_same_queries_for_one_line_and_for_sixty(
    department, cart, room, laid_out, n_lines, django_assert_num_queries
):
    case_type = CaseTypeFactory()
    for consumable in ConsumableFactory.create_batch(n_lines):
        laid_out(case_type, consumable)
        StockingLineFactory(place=cart, consumable=consumable)
    for order in range(1, 2 + n_lines // 10):
        CaseFactory(room=room, order=order, case_type=case_type)
    bring_forward(department=department, at=TONIGHT)

    with django_assert_num_queries(27):
        forecast_for(department)


def test_what_a_listed_case_uses_and_no_cart_in_reach_keeps_is_named(
    department, cart, room, tube, storeroom, laid_out, technician
):
    kept, missing, rare = (ConsumableFactory(code=code, name=code.title()) for code in ("KEPT", "BLOCKER", "RARE"))
    StockingLineFactory(place=cart, consumable=kept, par=1)
    other_room = RoomFactory(code="OR-9", walk_order=9)
    StockingLineFactory(place=CartFactory(room=other_room), consumable=missing, par=1)
    case_type = CaseTypeFactory()
    for consumable, probability in ((kept, 1.0), (missing, 0.9), (rare, 0.1)):
        laid_out(case_type, consumable, probability)
    for in_room, order in ((room, 1), (room, 2), (other_room, 1)):
        CaseFactory(room=in_room, order=order, case_type=case_type)

    entries = plan_for(department).inputs["out_of_reach"]

    assert {(entry["room"], entry["code"], entry["cases"]) for entry in entries} == {
        (room.code, "BLOCKER", 2),
        ("OR-9", "KEPT", 1),
    }
    [said] = [one for one in sentences(entries) if "BLOCKER" in one]
    assert said.startswith(f"No cart in reach of {room.code} keeps BLOCKER Blocker: 2 cases likely use it, 2.")
    assert said.endswith(f"fetch from {storeroom.name}.")


def test_a_cart_under_a_seal_is_held_at_its_content_list_and_says_that_its_seal_comes_off(
    department, room, tube, storeroom, laid_out, technician
):
    sealed = CartFactory(room=None, serves=[room], sealed=True, restocked_from=storeroom)
    StockingLineFactory(place=sealed, consumable=tube, par=3)
    case_type = CaseTypeFactory()
    laid_out(case_type, tube, quantity=2)
    for order in range(1, 6):
        CaseFactory(date=TOMORROW, room=room, order=order, case_type=case_type)
    stock(storeroom, tube, 50, technician)
    stock(sealed, tube, 2, technician)

    [line] = plan_for(department).lines.all()

    assert (line.target, line.top_up) == (3, 1)
    assert line.q_service > 3
    assert "to add them the seal comes off, and the whole cart is checked before it is closed again" in str(line.reason)


@pytest.mark.django_db(transaction=True)
def test_others_can_write_while_a_plan_is_forecast(department, cart, room, tube, laid_out, leaves_others_free):
    StockingLineFactory(place=cart, consumable=tube)
    laid_out(CaseFactory(room=room).case_type, tube)
    leaves_others_free("restock.plans.planning.forecast_day")

    assert plan_for(department).lines.exists()


def test_what_changes_while_a_plan_is_forecast_is_planned_with(
    department, cart, room, tube, storeroom, laid_out, technician, monkeypatch
):
    """Meanwhile a case is listed, and pieces come to the storeroom."""
    line = StockingLineFactory(place=cart, consumable=tube, par=1)
    case = CaseFactory(room=room, order=1)
    laid_out(case.case_type, tube)
    calls = []

    def slow(*args):
        calls.append(args)
        if len(calls) == 1:
            CaseFactory(room=room, order=2, case_type=case.case_type)
            stock(storeroom, tube, 50, technician)
        if len(calls) == 2:
            type(line).objects.update(par=9)
        return forecast_day(*args)

    monkeypatch.setattr("restock.plans.planning.forecast_day", slow)
    plan = plan_for(department)

    assert len(calls) == 3
    assert plan == Plan.objects.get()
    assert (plan.inputs["listed_cases"], plan.lines.get().allocated) == (2, 9)
