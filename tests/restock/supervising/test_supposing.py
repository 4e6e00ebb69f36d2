"""What if: the plan again for a day that is only supposed."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from inventory import ledger
from inventory.models import Movement, Room
from restock.advising.storerooms import advise_orders
from restock.learning.forecast import forecast_day, read_frame, read_known, with_list
from restock.models import CaseType, Plan, Policy, SetupStandard
from restock.supervising.cover import covers_of
from restock.supervising.supposing import NotSupposable, read_supposition, running_out, suppose
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    RoomFactory,
    SizeClassFactory,
    StockingLineFactory,
)

TODAY, TOMORROW = date(2026, 3, 4), date(2026, 3, 5)


@pytest.fixture
def listed(department, cart, room, tube, storeroom, technician):
    """Two cases in OR-1 and none in OR-2; each room has a cart with tubes, and the storeroom ten more."""
    SizeClassFactory(is_default=True)
    other = CartFactory(room=RoomFactory(code="OR-2", walk_order=2), restocked_from=storeroom)
    for place in (cart, other):
        StockingLineFactory(place=place, consumable=tube, par=1)
    case_type = CaseTypeFactory(code="HERNIA")
    SetupStandard.objects.create(case_type=case_type, consumable=tube)
    at = datetime(2026, 3, 4, 18, tzinfo=UTC)
    ledger.receive(place=storeroom, consumable=tube, quantity=10, by=technician, at=at, key="delivery")
    for order in (1, 2):
        CaseFactory(room=room, order=order, case_type=case_type)
    return department


@pytest.fixture
def if_so(listed, tmp_path):
    """if_so(toml) answers the supposition, with what each cart needs and gets before and after."""

    def answered(text):
        path = tmp_path / "if.toml"
        path.write_text(text)
        policy, _ = Policy.objects.get_or_create(department=listed)
        answer = suppose(listed, TOMORROW, read_supposition(path, listed, TOMORROW), policy=policy)
        lines = answer.before.forecast.frame.lines
        return {lines[d.line].place.room.code: d for d in answer.differences}

    return answered


def test_added_cases_raise_the_need_of_their_room_only(if_so):
    found = if_so('[[add]]\nroom = "OR-1"\ncase_type = "HERNIA"\ncount = 3')

    assert list(found) == ["OR-1"]
    before, after = found["OR-1"].need
    assert after >= before + 2


def test_only_what_another_list_reaches_is_worked_out_again_and_all_is_as_if_it_were(listed, cart, room):
    shared = CartFactory(restocked_from=cart.restocked_from)
    shared.serves.set(Room.objects.all())
    StockingLineFactory(place=shared, consumable=ConsumableFactory(), par=1)
    SetupStandard.objects.create(
        case_type=CaseType.objects.get(), consumable=shared.stocking_lines.get().consumable, probability=0.5
    )
    frame, known = read_frame(listed), read_known(listed, TOMORROW)
    other = (*known.slots, replace(known.slots[0], room_id=Room.objects.get(code="OR-2").pk))

    found = with_list(forecast_day(frame, known), other)

    afresh = forecast_day(frame, replace(known, slots=other))
    np.testing.assert_allclose(found.pmf, afresh.pmf, atol=1e-12)
    assert (found.drawn, found.open_rooms, found.known) == (afresh.drawn, afresh.open_rooms, afresh.known)
    np.testing.assert_array_equal(found.cases, afresh.cases)


def test_a_cancelled_list_lowers_it(if_so):
    before, after = if_so('[[cancel]]\nroom = "OR-1"')["OR-1"].need

    assert after < before


def test_cancelling_one_place_of_the_list_keeps_the_other(if_so):
    one = if_so('[[cancel]]\nroom = "OR-1"\norders = [2]')["OR-1"].need[1]
    both = if_so('[[cancel]]\nroom = "OR-1"')["OR-1"].need[1]

    assert both < one


def test_swapped_rooms_trade_their_needs(if_so):
    found = if_so('[[swap]]\nrooms = ["OR-1", "OR-2"]')

    assert found["OR-1"].need[0] > found["OR-1"].need[1]
    assert found["OR-2"].need[0] < found["OR-2"].need[1]


def test_a_closed_rooms_list_moves_where_it_is_told(if_so):
    moved = if_so('[[close]]\nroom = "OR-1"\nmoved_to = "OR-2"')
    dropped = if_so('[[close]]\nroom = "OR-1"')

    assert moved["OR-2"].need[1] > moved["OR-2"].need[0]
    assert "OR-2" not in dropped or dropped["OR-2"].need[1] <= dropped["OR-2"].need[0]


def test_a_back_ordered_line_is_carried_nowhere_and_may_run_short(if_so):
    found = if_so('[[back_order]]\ncode = "ETT-7.0"')["OR-1"]

    assert found.allocated[0] > found.allocated[1] == 0
    assert found.p_short[1] > found.p_short[0]


def test_a_late_delivery_names_the_storeroom_lines_that_may_not_last(listed, storeroom, tube, technician):
    """Thirty tubes for two cases a day last about two weeks, which is longer than a delivery usually takes."""
    at = datetime(2026, 3, 4, 18, tzinfo=UTC)
    ledger.receive(place=storeroom, consumable=tube, quantity=20, by=technician, at=at, key="second delivery")
    StockingLineFactory(place=storeroom, consumable=tube, par=10)
    for n in range(1, 29):
        for order in (1, 2):
            CaseFactory(
                date=TOMORROW - timedelta(days=n), room=listed.rooms.first(), order=order,
                case_type=listed.case_types.get(), status="done",
            )  # fmt: skip
    [order] = advise_orders(listed, today=TODAY)
    covers = covers_of([order], at=listed.local_midnight(TODAY))
    margin = order.cover[0] - order.policy.longest_lead_days
    assert margin > 0

    def late(days, *, today=TODAY):
        return [one.cover.consumable for one in running_out(listed, covers, today=today, late_days=days)]

    assert late(margin) == []
    assert late(margin + 1) == [tube]
    assert late(margin, today=TOMORROW) == [tube]  # a day later what was worked out lasts a day less


def test_supposing_writes_nothing(if_so):
    moved = Movement.objects.count()

    if_so('[[add]]\nroom = "OR-1"\ncase_type = "HERNIA"')

    assert (Plan.objects.count(), Movement.objects.count()) == (0, moved)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[delivery]\nlate_day = 3", "[delivery]: late_day is not known here: expected late_days"),
        ("[delivery]\nlate_days = 3\nmore = 1", "[delivery]: more is not known here"),
        ("[delivery]\nlate_days = true", "late_days is True: expected a whole number from 0 to 60"),
        ("delivery = 3", "delivery: expected a table named [delivery]"),
        ("add = [3]", "[[add]] number 1: expected a table with"),
        ('[[cancel]]\nroom = ["OR-1"]', "room is ['OR-1']: expected one of OR-1, OR-2"),
        ('[[cancel]]\nroom = "OR-1"\norders = 2', "orders is 2: expected a list in brackets"),
        ('[[cancel]]\nroom = "OR-1"\norders = [1, 9]', "OR-1 has no such case"),
        ('[[cancel]]\nroom = "OR-1"\norders = [[1]]', "OR-1 has no such case"),
        ('[[swap]]\nrooms = [["OR-1"], "OR-2"]', "room is ['OR-1']"),
        ('[[add]]\nroom = "OR-1"\ncase_type = "HERNIA"\ncount = true', "count is True"),
        ('[[add]]\nroom = "OR-1"\ncase_type = "HERNIA"\nextras = 7', "extras is 7: expected a list in brackets"),
        ("[[back_order]]\ncode = 2026-03-05", "expected one of ETT-7.0"),
    ],
)
def test_what_the_file_cannot_mean_is_refused_in_words(listed, tmp_path, text, said):
    path = tmp_path / "if.toml"
    path.write_text(text)

    with pytest.raises(NotSupposable) as refused:
        read_supposition(path, listed, TOMORROW)

    assert said in str(refused.value)


def test_everything_wrong_in_the_file_is_said_at_once(listed, tmp_path):
    path = tmp_path / "if.toml"
    path.write_text('[[add]]\nroom = "OR-9"\ncase_type = "X"\ncount = 0\n[[cancel]]\nroom = "OR-2"\n[[swop]]\na = 1')

    with pytest.raises(NotSupposable) as refused:
        read_supposition(path, listed, TOMORROW)

    said = str(refused.value)
    for expected in ("OR-9", "'X'", "from 1 to 50", "OR-2 has no such case", "swop", "if.toml, [[add]] number 1"):
        assert expected in said
