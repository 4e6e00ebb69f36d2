"""What can be done about a shortage: each act leaves a trace, is done once, and can be taken back."""

from datetime import timedelta

import pytest
from django.db import IntegrityError
from django.db.utils import DatabaseError
from django.utils import timezone

from inventory import ledger
from inventory.models import Movement
from restock.models import ParChange, Plan, PlanLine, ShortageAction
from restock.plans.stock import usable_pieces
from restock.setting_up.par_changes import ParRefused, change_par
from restock.supervising.shortage_actions import (
    NotDone,
    accept,
    mark_ordered,
    move_in,
    raise_par,
    spare_pieces,
    standing_actions,
    take_back,
)
from tests.factories import CartFactory, LotFactory, StockingLineFactory


@pytest.fixture
def now(department):
    return timezone.now()


@pytest.fixture
def tomorrow(department, now):
    return department.local_date(now) + timedelta(days=1)


@pytest.fixture
def plan(department, tomorrow, now):
    return Plan.objects.create(department=department, for_date=tomorrow, made_at=now, method="test 1")


@pytest.fixture
def add(plan, tube, technician):
    """`add(cart, on_hand=0, likely=4)`: a line of tubes on a cart, in the plan and in the ledger."""

    def add(place, *, on_hand, likely, floor=0):
        stocking = StockingLineFactory(place=place, consumable=tube, par=5, capacity=8)
        if on_hand:
            ledger.receive(
                place=place, consumable=tube, quantity=on_hand, by=technician, at=timezone.now(), key=f"in {place.pk}"
            )
        figures = dict.fromkeys(("q50", "q90", "q95", "q99", "q_service", "target"), likely)
        shares = dict.fromkeys(("p_short_before", "p_short_after", "shortfall_before", "shortfall_after"), 0.5)
        return PlanLine.objects.create(
            plan=plan, place=place, consumable=tube, on_hand=on_hand, usable=on_hand, par=stocking.par, floor=floor,
            cases=1, mean=likely, service_level=0.95, top_up=max(likely - on_hand, 0), allocated=0, reason="", pmf=[1],
            **figures, **shares,
        )  # fmt: skip

    return add


@pytest.fixture
def short(add, cart):
    return add(cart, on_hand=1, likely=4)


@pytest.fixture
def rich(add):
    return add(CartFactory(name="Cart 2", room=None, walk_order=2), on_hand=5, likely=2)


def test_only_what_a_cart_is_not_likely_to_need_itself_is_spare(short, rich, add):
    add(CartFactory(room=None), on_hand=3, likely=3)
    add(CartFactory(room=None), on_hand=6, likely=2, floor=5)

    assert [(one.spare, one.pieces) for one in spare_pieces(short)] == [(3, 5), (1, 6)]


def test_storeroom_offers_what_no_open_pick_takes(short, rich, storeroom, tube, technician, now):
    ledger.receive(place=storeroom, consumable=tube, quantity=3, by=technician, at=now, key="late delivery")
    rich.picks.create(storeroom=storeroom, quantity=1)

    first, second = spare_pieces(short)

    assert (first.place, first.spare) == (storeroom, 2)
    assert second.place == rich.place


def test_quarantined_pieces_are_not_spare(short, add, tube, technician, now):
    other = add(CartFactory(room=None), on_hand=0, likely=0)
    lot = LotFactory(consumable=tube, quarantined_at=now)
    ledger.receive(place=other.place, consumable=tube, quantity=4, by=technician, at=now, key="set aside", lot=lot)

    assert spare_pieces(short) == []


def test_move_takes_the_lot_that_expires_first_and_moves_once(short, rich, tube, supervisor, now, tomorrow):
    soon = LotFactory(consumable=tube, expires_on=tomorrow + timedelta(days=9))
    ledger.receive(place=rich.place, consumable=tube, quantity=1, by=supervisor, at=now, key="soon", lot=soon)
    act = {"line": short, "source": rich.place, "pieces": 2, "by": supervisor, "at": now, "key": "move-it-now"}

    first, again = move_in(**act), move_in(**act)

    assert first == again
    assert short.place.on_hand(tube) == 3
    assert rich.place.on_hand(tube) == 4
    assert short.place.holdings.get(lot=soon).quantity == 1


def test_move_for_tomorrow_leaves_the_lot_that_ends_today(short, rich, tube, supervisor, now, tomorrow):
    today_only = LotFactory(consumable=tube, expires_on=tomorrow - timedelta(days=1))
    ledger.receive(place=rich.place, consumable=tube, quantity=3, by=supervisor, at=now, key="today", lot=today_only)

    move_in(line=short, source=rich.place, pieces=3, by=supervisor, at=now, key="move-it-now")

    assert short.place.holdings.filter(lot=today_only).count() == 0
    assert usable_pieces(short.place_id, tube.pk, on=tomorrow) == 4


def test_move_taken_back_leaves_both_in_the_ledger_and_the_trace(short, rich, tube, supervisor, now):
    lot = LotFactory(consumable=tube)
    ledger.receive(place=rich.place, consumable=tube, quantity=1, by=supervisor, at=now, key="lot", lot=lot)
    action = move_in(line=short, source=rich.place, pieces=3, by=supervisor, at=now, key="move-it-now")

    back = take_back(action=action, by=supervisor, at=now, key="take-it-back")

    assert (short.place.on_hand(tube), rich.place.on_hand(tube)) == (1, 6)
    assert Movement.objects.filter(kind="reverse").count() == 2
    assert back.undoes == action
    assert standing_actions(short.plan) == {}
    with pytest.raises(NotDone, match="taken back before"):
        take_back(action=action, by=supervisor, at=now, key="again-and-again")


def test_more_than_the_record_holds_is_not_moved(short, rich, supervisor, now):
    with pytest.raises(NotDone, match="holds 5"):
        move_in(line=short, source=rich.place, pieces=6, by=supervisor, at=now, key="too-many")

    assert not ShortageAction.objects.exists()


def test_raised_par_keeps_who_and_why_and_goes_back(short, supervisor, now):
    action = raise_par(line=short, par=7, reason="two lists a day now", by=supervisor, at=now, key="raise-it")
    [line] = short.place.stocking_lines.all()
    assert line.par == 7
    change = ParChange.objects.get()
    assert (change.par_before, change.par_after, change.by, change.reason, change.origin) == (
        5, 7, supervisor, "two lists a day now", "shortage"
    )  # fmt: skip

    take_back(action=action, by=supervisor, at=now, key="take-it-back")

    line.refresh_from_db()
    assert line.par == 5
    assert ParChange.objects.count() == 2


def test_par_changed_by_somebody_since_is_not_put_back(short, supervisor, now):
    action = raise_par(line=short, par=7, reason="two lists", by=supervisor, at=now, key="raise-it")
    change_par(
        line=short.place.stocking_lines.get(), par=6, origin="by_hand", reason="seven is much", by=supervisor, at=now
    )

    with pytest.raises(NotDone, match="meanwhile"):
        take_back(action=action, by=supervisor, at=now, key="take-it-back")

    assert short.place.stocking_lines.get().par == 6


@pytest.mark.parametrize(("par", "words"), [(9, "bin holds 8"), (5, "more than that")])
def test_par_that_cannot_help_is_refused(short, supervisor, now, par, words):
    with pytest.raises(NotDone, match=words):
        raise_par(line=short, par=par, reason="more", by=supervisor, at=now, key="raise-it")

    assert not ParChange.objects.exists()


def test_par_change_without_a_reason_is_refused(short, supervisor, now):
    with pytest.raises(ParRefused, match="Say why"):
        change_par(line=short.place.stocking_lines.get(), par=6, origin="by_hand", reason="  ", by=supervisor, at=now)


def test_accepting_and_ordering_keep_words_and_days(short, supervisor, now, tomorrow):
    accept(line=short, note="the list is short of staff", by=supervisor, at=now, key="accept-it")
    mark_ordered(line=short, pieces=20, expected_on=tomorrow, by=supervisor, at=now, key="ordered-it")

    kept = standing_actions(short.plan)[short.place_id, short.consumable_id]

    assert {(one.kind, one.note, one.expected_on) for one in kept} == {
        ("accepted", "the list is short of staff", None),
        ("ordered", "", tomorrow),
    }


def test_act_for_a_day_that_has_passed_stands(short, supervisor, now):
    action = accept(line=short, note="known", by=supervisor, at=now, key="accept-it")

    with pytest.raises(NotDone, match="has passed"):
        take_back(action=action, by=supervisor, at=now + timedelta(days=3), key="take-it-back")


@pytest.mark.parametrize(
    ("values", "constraint"),
    [
        ({"kind": "moved", "pieces": 1}, "move_names_source_and_pieces"),
        ({"kind": "ordered", "pieces": 2}, "order_names_pieces_and_day"),
        ({"kind": "par", "note": "why"}, "par_action_names_its_change"),
        ({"kind": "accepted"}, "acceptance_has_a_note"),
    ],
)
def test_an_act_that_says_too_little_is_not_kept(short, supervisor, now, values, constraint):
    with pytest.raises(IntegrityError, match=constraint):
        ShortageAction.objects.create(
            place=short.place, consumable=short.consumable, for_date=short.plan.for_date, by=supervisor, at=now,
            key="key", **values,
        )  # fmt: skip


@pytest.mark.parametrize("trace", [ShortageAction, ParChange])
def test_traces_are_written_once(short, supervisor, now, trace):
    raise_par(line=short, par=7, reason="two lists", by=supervisor, at=now, key="raise-it")

    with pytest.raises(DatabaseError, match="append-only"):
        trace.objects.update(at=now - timedelta(days=1))
