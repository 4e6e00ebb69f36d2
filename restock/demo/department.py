"""Build the fictional department in the database at hand: its files, its past, tonight's plan and pick list."""

from __future__ import annotations

import csv
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
from django.contrib.auth import get_user_model
from django.contrib.auth.models import Group
from django.db import transaction

from inventory.models import Department
from restock.importing import KINDS, Sheet, load
from restock.learning.fitting import refit
from restock.learning.tallies import bring_forward
from restock.models import Plan
from restock.plans.planning import make_plan
from restock.setting_up.departments import ROLES, begin_department
from restock.setting_up.people import join
from restock.workbook import write_workbook

from .bundles import invent_bundles
from .cases import DrawnCase, draw_past, draw_tomorrow
from .counts import invent_counts
from .dates import invent_dates
from .fiction import FIXTURES, read_fiction
from .orders import write_orders
from .past import (
    Progress,
    count_some_lines,
    count_what_goes_unlogged,
    lines_of,
    play_last_days,
    still_open,
    write_cases,
    write_old_use,
)
from .recalls import invent_recalls
from .seals import invent_seals, keep_carts_sealed
from .substitutions import invent_substitutions
from .use import draw_room_days, draw_use

CODE = "fictional"
NAME = "Fictional department (all data invented)"
PASSWORD = "invented-data-only"
USERS = ROLES  # one user for each role, called as the role is

LEDGER_DAYS = 14  # so many last days go through the ledger; older use is learned from and moves no stock
STOCK_WRITTEN_FOR = date(2026, 11, 25)  # the evening for which the dates in fixtures/stock.csv were written
OPENING_HOUR = 5

CASE_COLUMNS = ("date", "room", "start", "order", "booking", "case_type", "size_class", "extras", "urgency", "status")

# Makes a progress bar of a stage: its name, and the number of steps where it is known.
Watch = Callable[[str, int | None], AbstractContextManager[Progress]]


@dataclass(frozen=True)
class Built:
    """What the demo made. Numbers are rows."""

    department: Department
    plan: Plan
    workbook: Path
    case_list: Path
    past_cases: int
    use_rows: int


def build(*, days: int, seed: int, now: datetime, out: Path, watch: Watch) -> Built:
    """Open the department, load its files, invent `days` days of past up to today, and plan tomorrow.

    The same seed on the same day gives the same department. Raises SheetRefused where a file cannot be loaded.
    """
    rng = np.random.default_rng(seed)
    fiction = read_fiction()
    department = begin_department(code=CODE, name=NAME)
    user = make_users(department)
    evening = department.local_date(now)
    first_day, tomorrow = evening - timedelta(days=days - 1), evening + timedelta(days=1)
    first_ledger_day = evening - timedelta(days=min(LEDGER_DAYS, (days + 1) // 2) - 1)
    opening = department.local_midnight(first_ledger_day) + timedelta(hours=OPENING_HOUR)
    out.mkdir(parents=True, exist_ok=True)

    with watch("the department's files", None) as done:
        stock = write_dated_stock(out / f"stock-{evening}.csv", evening)
        files = {kind: FIXTURES / f"{kind}.csv" for kind in ("catalogue", "places", "case-types", "setups")}
        sheets = [Sheet(KINDS[kind], file) for kind, file in (files | {"stock": stock}).items()]
        load(sheets, department=department, at=opening, by=user)
        keep_carts_sealed(department)
        done(1)

    with watch("past cases", None) as done:
        drawn = draw_past(fiction, first=first_day, last=evening, rng=rng)
        use = draw_use(fiction, drawn, rng)
        unlogged = still_open(drawn, evening)
        lines = lines_of(department, drawn, use, draw_room_days(fiction, drawn, rng), unlogged=unlogged)
        with transaction.atomic():
            cases = write_cases(department, drawn, unlogged=unlogged)
        done(1)

    with watch("use that is older than the first count", len(lines.case)) as done, transaction.atomic():
        write_old_use(department, lines, cases, before=first_ledger_day, progress=done)

    ledger_days = (evening - first_ledger_day).days + 1
    with watch("the last days through the ledger", ledger_days) as done, transaction.atomic():
        play_last_days(
            department,
            lines,
            drawn,
            cases,
            first=first_ledger_day,
            evening=evening,
            now=now,
            by=user,
            progress=done,
        )
        count_some_lines(department, at=now, by=user, rng=rng)
        # A generator of its own: what is invented here leaves the rest of the demo as it was.
        count_what_goes_unlogged(department, at=now, by=user, rng=np.random.default_rng(seed))

    with watch("tomorrow's case list", None) as done:
        case_list = write_case_list(out / f"cases-{tomorrow}.csv", draw_tomorrow(fiction, tomorrow, rng))
        load([Sheet(KINDS["cases"], case_list)], department=department, at=now, by=user)
        done(1)

    with watch("what counts say of the log", None) as done:
        bring_forward(department=department, at=now)
        refit(department=department, at=now, with_day_effects=False)
        done(1)

    with watch("tonight's plan", None) as done:
        plan = make_plan(department=department, for_date=tomorrow, at=now, by=user)
        done(1)

    with watch("this evening's counts", None) as done, transaction.atomic():
        # A generator of its own: what is invented here leaves the rest of the demo as it was.
        invent_counts(department, at=now, by=user, rng=np.random.default_rng(seed))
        done(1)

    with watch("the pick list", None) as done:
        workbook = out / f"pick-list-{tomorrow}.xlsx"
        write_workbook(plan, workbook)
        done(1)

    with watch("orders and receipts", None) as done, transaction.atomic():
        write_orders(department, evening=evening, now=now, by=user)
        done(1)

    with watch("dates and bundles", None) as done, transaction.atomic():
        invent_dates(department, at=now, by=user)
        invent_bundles(department, at=now, by=user)
        done(1)

    with watch("seals, recalls and stand-ins", None) as done, transaction.atomic():
        invent_seals(department, at=now, by=user)
        invent_recalls(department, at=now, by=user)
        invent_substitutions(department, at=now, by=user)
        done(1)
    return Built(department, plan, workbook, case_list, len(drawn), len(lines.case))


def make_users(department: Department):
    """One invented user for each role, with a password that everybody may know. Returns the supervisor."""
    users = get_user_model().objects
    made = {}
    for role in USERS:
        made[role] = users.create_user(role, password=PASSWORD)
        join(department, made[role])
        made[role].groups.add(Group.objects.get(name=role))
    return made["supervisor"]


def write_dated_stock(target: Path, evening: date) -> Path:
    """Copy the stock sheet with its lots' dates moved from the evening it was written for to this one."""
    shift = evening - STOCK_WRITTEN_FOR
    with (FIXTURES / "stock.csv").open(newline="", encoding="utf-8") as source:
        rows = list(csv.DictReader(source))
    for row in rows:
        if row["expires_on"]:
            row["expires_on"] = str(date.fromisoformat(row["expires_on"]) + shift)
    return _write_csv(target, tuple(rows[0]), rows)


def write_case_list(target: Path, slots: list[DrawnCase]) -> Path:
    """The list as a department would bring it, with invented booking references."""
    return _write_csv(
        target,
        CASE_COLUMNS,
        [
            {
                "date": slot.date,
                "room": slot.room,
                "start": f"{slot.start_minute // 60:02d}:{slot.start_minute % 60:02d}",
                "order": slot.order,
                "booking": f"INVENTED-{slot.date:%Y%m%d}-{number:03d}",
                "case_type": slot.case_type,
                "size_class": slot.size_class,
                "extras": "; ".join(slot.extras),
                "urgency": slot.urgency,
                "status": "scheduled",
            }
            for number, slot in enumerate(slots, start=1)
        ],
    )


def _write_csv(target: Path, columns: tuple[str, ...], rows: list[dict]) -> Path:
    with target.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)
    return target
