"""The demo: an invented past that can be drawn again, a ledger that balances, and a plan that sees the long list."""

import os
import sqlite3
import subprocess
import sys
from collections import Counter
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from django.core.management import CommandError, call_command
from openpyxl import load_workbook

from restock.demo.cases import draw_past, draw_tomorrow
from restock.demo.fiction import read_fiction
from restock.demo.stock import Demand, Layout, LotHeld, Shelves, What
from restock.demo.use import draw_room_days, draw_use

ROOT = Path(__file__).resolve().parents[2]
MONDAY = date(2026, 3, 2)
WEDNESDAY = MONDAY + timedelta(days=2)


@pytest.fixture(scope="module")
def fiction():
    return read_fiction()


@pytest.fixture(scope="module")
def quarter(fiction):
    rng = np.random.default_rng(1)
    cases = draw_past(fiction, first=MONDAY, last=MONDAY + timedelta(days=89), rng=rng)
    return cases, draw_use(fiction, cases, rng)


def test_same_seed_draws_the_same_past(fiction):
    def past(seed):
        rng = np.random.default_rng(seed)
        cases = draw_past(fiction, first=MONDAY, last=MONDAY + timedelta(days=6), rng=rng)
        use = draw_use(fiction, cases, rng)
        return cases, use.used.tolist(), use.opened_unused.tolist(), draw_room_days(fiction, cases, rng)

    assert past(1) == past(1) != past(2)


def test_weekday_lists_are_full_and_weekends_bring_emergencies_only(quarter):
    cases, _ = quarter
    per_day = Counter(case.date for case in cases)
    weekend = [case for case in cases if case.date.weekday() >= 5]

    assert min(n for day, n in per_day.items() if day.weekday() < 5) > 50
    assert {case.room for case in weekend} == {"OR-03", "OB-01", "OB-02"}
    assert max(n for day, n in per_day.items() if day.weekday() >= 5) < 30


def test_about_one_case_in_twenty_is_cancelled_and_uses_nothing(quarter):
    # Schuster 2011: 5.0 % of booked cases at smaller hospitals.
    cases, use = quarter

    assert np.mean([case.cancelled for case in cases]) == pytest.approx(0.05, abs=0.01)
    assert not any(cases[n].cancelled for n in np.unique(use.case))


def test_mean_use_follows_the_published_rows_within_what_chance_and_habit_allow(quarter):
    cases, use = quarter
    hysteroscopies = [n for n, case in enumerate(cases) if case.case_type == "CT13" and not case.cancelled]
    of_these = np.isin(use.case, hysteroscopies)

    def per_case(code):
        rows = of_these & (use.code == use.codes.index(code))
        return (use.used + use.opened_unused)[rows].sum() / len(hysteroscopies)

    assert len(hysteroscopies) > 50
    assert per_case("BR01") == 1
    assert per_case("SG06") == pytest.approx(0.66, abs=0.2)
    assert per_case("SY07") == pytest.approx(8, rel=0.3)


def test_tomorrow_lists_eight_hysteroscopies_in_one_room(fiction):
    slots = draw_tomorrow(fiction, WEDNESDAY, np.random.default_rng(1))

    assert [slot.case_type for slot in slots if slot.room == "OR-07"] == ["CT13"] * 8


CART, NEXT_DOOR, STORE, TUBE = 1, 2, 9, 5


def shelves(*, cart=0, next_door=0, store=(), back_ordered=()):
    held = {
        (CART, TUBE): [LotHeld(None, None, cart)],
        (NEXT_DOOR, TUBE): [LotHeld(None, None, next_door)],
        (STORE, TUBE): [LotHeld(lot, expires_on, pieces) for lot, expires_on, pieces in store],
    }
    layout = Layout(
        par={(CART, TUBE): 4, (NEXT_DOOR, TUBE): 0, (STORE, TUBE): 20},
        storerooms={CART: (STORE,), NEXT_DOOR: (STORE,)},
        pieces_per_pack={TUBE: 10},
        shelf_life_days={TUBE: 1000},
        back_ordered=frozenset(back_ordered),
    )
    return Shelves(layout, held)


def told(events):
    return [(event.what, event.source, event.destination, event.lot, event.pieces) for event in events]


def test_a_drawer_that_runs_empty_is_filled_from_the_storeroom_first_expiring_first():
    later, sooner = WEDNESDAY + timedelta(days=90), WEDNESDAY + timedelta(days=9)
    room = shelves(cart=1, store=[(11, sooner, 1), (12, later, 5)])

    events = room.play_day(WEDNESDAY, [Demand(600, CART, TUBE, 3, 0, row=0)], evening=WEDNESDAY)

    assert told(events) == [
        (What.RESTOCK, STORE, CART, 11, 1),
        (What.RESTOCK, STORE, CART, 12, 1),
        (What.USE, CART, None, 11, 1),
        (What.USE, CART, None, 12, 1),
        (What.USE, CART, None, None, 1),
    ]


def test_an_empty_storeroom_sends_people_next_door_and_then_they_do_without():
    room = shelves(cart=0, next_door=1)

    events = room.play_day(WEDNESDAY, [Demand(600, CART, TUBE, 2, 0, row=0)], evening=WEDNESDAY)

    assert told(events) == [(What.RESTOCK, NEXT_DOOR, CART, None, 1), (What.USE, CART, None, None, 1)]


def test_carts_are_filled_to_par_every_evening_but_the_one_that_is_planned():
    later = WEDNESDAY + timedelta(days=90)

    before = shelves(cart=1, store=[(12, later, 5)]).play_day(WEDNESDAY, [], evening=WEDNESDAY + timedelta(days=1))
    planned = shelves(cart=1, store=[(12, later, 5)]).play_day(WEDNESDAY, [], evening=WEDNESDAY)

    assert told(before) == [(What.RESTOCK, STORE, CART, 12, 3)]
    assert planned == []


def test_nothing_is_delivered_of_a_back_ordered_line_in_the_last_days():
    delivered = shelves().play_day(MONDAY, [], evening=MONDAY)
    owed = shelves(back_ordered=[TUBE]).play_day(MONDAY, [], evening=MONDAY + timedelta(days=5))
    before = shelves(back_ordered=[TUBE]).play_day(MONDAY, [], evening=MONDAY + timedelta(days=6))

    assert (delivered[0].what, delivered[0].pieces) == (What.DELIVERY, 20)
    assert What.DELIVERY not in {event.what for event in owed}
    assert (before[0].what, before[0].pieces) == (What.DELIVERY, 10)


def test_demo_keeps_out_of_a_database_that_the_environment_names(monkeypatch, tmp_path):
    monkeypatch.setenv("DATABASE_URL", "postgres://somewhere/else")

    with pytest.raises(CommandError, match="keeps out of it"):
        call_command("demo", "--no-serve", "--database", str(tmp_path / "demo.sqlite3"))


def test_demo_replaces_no_file_that_is_not_called_a_demo(monkeypatch, tmp_path):
    monkeypatch.delenv("DATABASE_URL", raising=False)
    own = tmp_path / "evenfill.sqlite3"
    own.write_bytes(b"the department's own")

    with pytest.raises(CommandError, match="word demo"):
        call_command("demo", "--no-serve", "--database", str(own))

    assert own.read_bytes() == b"the department's own"


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """A whole run on ten days of past, as a person would start it: (its output, its folder)."""
    folder = tmp_path_factory.mktemp("demo")
    environment = {name: value for name, value in os.environ.items() if name != "DATABASE_URL"}
    environment |= {"DEBUG": "true", "SECRET_KEY": "", "DJANGO_SETTINGS_MODULE": "restock.web.settings"}
    command = [sys.executable, "manage.py", "demo", "--no-serve", "--days", "10"]
    command += ["--database", folder / "demo.sqlite3", "--out", folder]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout, folder


@pytest.fixture
def query(ran):
    database = sqlite3.connect(ran[1] / "demo.sqlite3")
    yield lambda sql: database.execute(sql).fetchall()
    database.close()


def test_demo_says_that_it_is_invented_what_runs_short_and_how_to_sign_in(ran):
    output, _ = ran

    assert "all data invented" in output
    assert "may run short tomorrow. First where running short does most harm" in output
    assert " short: the storerooms have " in output
    assert "Sign in as clinician, technician, supervisor" in output


def test_demo_plans_more_than_par_for_the_eight_hysteroscopies(query):
    raised = query(
        "SELECT consumable.code FROM restock_planline AS line "
        "JOIN inventory_place AS place ON place.id = line.place_id "
        "JOIN inventory_consumable AS consumable ON consumable.id = line.consumable_id "
        "WHERE place.code = 'OR-07 cart' AND line.target > line.par AND line.cases = 8"
    )

    # 8 circuits against a par of 5, and 64 drawing-up needles against 50, by the set-up standard.
    assert {code for (code,) in raised} >= {"BR01", "SY07"}


def test_every_balance_of_the_demo_is_the_sum_of_its_movements(query):
    wrong = query(
        "WITH sums AS (SELECT place, consumable, lot, SUM(pieces) AS pieces FROM ("
        " SELECT destination_id AS place, consumable_id AS consumable, IFNULL(lot_id, 0) AS lot, quantity AS pieces"
        " FROM inventory_movement UNION ALL"
        " SELECT source_id, consumable_id, IFNULL(lot_id, 0), -quantity FROM inventory_movement) GROUP BY 1, 2, 3) "
        "SELECT COUNT(*) FROM sums LEFT JOIN inventory_holding AS held ON held.place_id = sums.place "
        "AND held.consumable_id = sums.consumable AND IFNULL(held.lot_id, 0) = sums.lot "
        "WHERE sums.pieces <> IFNULL(held.quantity, 0)"
    )
    below_zero = query(
        "SELECT COUNT(*) FROM inventory_holding AS held JOIN inventory_place AS place ON place.id = held.place_id "
        "WHERE held.quantity < 0 AND place.role IN ('cart', 'storeroom')"
    )
    ledger = dict(query("SELECT kind, COUNT(*) FROM inventory_movement GROUP BY kind"))

    assert wrong == below_zero == [(0,)]
    assert min(ledger[kind] for kind in ("receive", "move", "use", "adjust")) > 0


def test_use_older_than_the_first_count_moves_no_stock_and_later_use_does(query):
    by_day = query(
        "SELECT kase.date < (SELECT MIN(DATE(at)) FROM inventory_count), used.movement_id IS NULL, COUNT(*) "
        "FROM restock_usagerecord AS used JOIN restock_case AS kase ON kase.id = used.case_id GROUP BY 1, 2"
    )

    assert {(old, without) for old, without, _ in by_day} == {(1, 1), (0, 0)}


def test_demo_counts_find_lines_of_which_some_use_is_not_logged(query):
    incomplete = query("SELECT COUNT(*) FROM restock_capturerate WHERE spans >= 4 AND gone >= 30 AND high < 0.98")

    assert incomplete[0][0] > 0


def test_demo_writes_a_pick_list_with_a_sheet_for_the_long_list(ran):
    _, folder = ran
    (file,) = folder.glob("pick-list-*.xlsx")

    assert "OR-07" in " ".join(load_workbook(file, read_only=True).sheetnames)


def test_demo_leaves_the_last_cases_of_today_to_be_logged(query):
    open_today = query(
        "SELECT room_id, COUNT(*) FROM restock_case WHERE logged_at IS NULL AND status IN ('scheduled', 'added') "
        "AND date = (SELECT MAX(date) FROM restock_case WHERE logged_at IS NOT NULL) GROUP BY room_id"
    )

    assert open_today
    assert {cases for _, cases in open_today} <= {1, 2}
