"""The past, evening by evening: what was known before each day, and what was then really used.

For judging the forecast on the department's own log (restock.backtesting). A case counts as logged on its own day; the
list of an evening holds every case that was booked, also those cancelled later, and none that was added.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.db.models import F, Max, Q, Sum

from inventory.models import Department

from ..cases.setups import Line, Setups, Slot
from ..models import Case, UsageRecord
from .calls import add_ons, cancellation
from .emptying import emptying_records
from .fits import NOTHING_FITTED, Fitted
from .forecast import Frame, Known
from .log_changes import CaseKind, LineTotal, Sums, case_stratum, room_stratum
from .tallies import Tallies


@dataclass(frozen=True)
class Evening:
    """One day as it was foreseen and as it was. used: (L,) pieces of each cart line, opened-unused included."""

    known: Known
    used: np.ndarray


@dataclass(frozen=True)
class Log:
    """The whole log in memory.

    cases: the logged cases of each day. booked: the list of each evening before. used: pieces of each consumable that
    a case used. loose: (room, consumable, pieces) that were used on a day by no known case. newest: the newest record
    of each consumable of a case. newest_loose: of each (room, consumable) of a day. emptied: records that emptied a
    cart.
    """

    cases: dict[date, dict[int, CaseKind]]
    booked: dict[date, list[Slot]]
    used: dict[int, dict[int, int]]
    loose: dict[date, list[tuple[int, int, int]]]
    newest: dict[int, dict[int, int]]
    newest_loose: dict[date, dict[tuple[int, int], int]]
    emptied: set[int]


def replay(
    department: Department,
    frame: Frame,
    log: Log,
    *,
    first: date,
    last: date,
    half_life_days: float,
    fitted: Fitted = NOTHING_FITTED,
) -> Iterator[Evening]:
    """Yield every day from `first` to `last` with a list, in order, knowing only what lay before it.

    fitted: what was found before `first`, if anything was. Unlogged use is better left uncorrected: it is the log that
    the evening is then judged by.
    """
    days = sorted(log.cases)
    running = _Running(frame.setups, fitted, landmark=days[0] if days else first, half_life_days=half_life_days)
    day = min(days[0], first) if days else first
    while day <= last:
        if day >= first and log.booked[day]:
            slots = tuple(log.booked[day])
            known = Known(
                day=day,
                slots=slots,
                tallies=running.on(day),
                add_ons=add_ons(department, day=day, slots=slots),
                cancellation=cancellation(department, before=day),
            )
            yield Evening(known, used_on(log, frame, day))
        running.add(log, day)
        day += timedelta(days=1)


class _Running:
    """Tallies in memory, brought forward a day at a time."""

    def __init__(self, setups: Setups, fitted: Fitted, *, landmark: date, half_life_days: float) -> None:
        self._setups, self._fitted, self._landmark, self._half_life_days = setups, fitted, landmark, half_life_days
        self._sums = Sums()

    def _weight(self, day: date) -> float:
        return 2.0 ** ((day - self._landmark).days / self._half_life_days)

    def add(self, log: Log, day: date) -> None:
        weight = self._weight(day)
        by_room: dict[tuple[int, int], LineTotal] = defaultdict(LineTotal)
        rooms = {case.room_id for case in log.cases[day].values()} | {room for room, _, _ in log.loose[day]}
        for pk, case in log.cases[day].items():
            stratum = case_stratum(case)
            self._sums.cases[stratum] += weight
            by_line: dict[Line, LineTotal] = defaultdict(LineTotal)
            for consumable, newest in log.newest[pk].items():
                pieces = log.used[pk].get(consumable, 0)
                if self._setups.goes_by_room(case.case_type_id, consumable):
                    by_room[case.room_id, consumable].add(0, pieces, None, newest)
                    continue
                by_line[self._setups.line(consumable)].add(0, pieces, None, newest)
                if consumable in self._setups.runs:
                    self._sums.splits[case.case_type_id, case.size_class_id, consumable] += pieces * weight
            for line, total in by_line.items():
                self._sums.add(stratum, line, total.new, total.last_new in log.emptied, weight)
        for room, consumable, pieces in log.loose[day]:
            if self._setups.goes_by_room(None, consumable):
                by_room[room, consumable].add(0, pieces, None, log.newest_loose[day][room, consumable])
        for room in rooms:
            self._sums.cases[room_stratum(room)] += weight
        for (room, consumable), total in by_room.items():
            cut_off = total.last_new in log.emptied
            self._sums.add(room_stratum(room), ("piece", consumable), total.new, cut_off, weight)

    def on(self, day: date) -> Tallies:
        fade = 1.0 / self._weight(day)
        quantities, cut_off = defaultdict(list), defaultdict(list)
        for (stratum, line, pieces, cut), weight in self._sums.quantities.items():
            (cut_off if cut else quantities)[line].append((stratum, pieces, weight * fade))
        strata = self._sums.cases
        return Tallies(
            slots={
                s: Slot(0, s[0], s[1], s[2], frozenset(int(pk) for pk in s[3].split(",") if pk))
                for s in strata
                if s[4] is None
            },
            rooms={s: s[4] for s in strata if s[4] is not None},
            cases={s: weight * fade for s, weight in strata.items()},
            quantities=dict(quantities),
            splits={key: pieces * fade for key, pieces in self._sums.splits.items()},
            cut_off=dict(cut_off),
            fitted=self._fitted,
        )


def read_log(department: Department, last: date, *, first: date = date.min) -> Log:
    """The cases from `first` to `last` with what they used: four queries over the records of those days."""
    between = (first, last)
    extras = defaultdict(list)
    through = Case.extras.through.objects.filter(case__department=department, case__date__range=between)
    for case_id, extra_id in through.values_list("case", "extra"):
        extras[case_id].append(extra_id)
    cases, booked = defaultdict(dict), defaultdict(list)
    rows = Case.objects.filter(department=department, date__range=between).order_by(
        "date", "room__walk_order", "room", "order"
    )
    fields = ("pk", "date", "room", "case_type", "technique", "size_class", "status", "added_on_the_day", "logged_at")
    for pk, day, room, case_type, technique, size_class, status, added, logged_at in rows.values_list(*fields):
        if not added:
            booked[day].append(Slot(room, case_type, technique, size_class, frozenset(extras[pk])))
        if logged_at and status != Case.Status.CANCELLED:
            names = ",".join(map(str, sorted(extras[pk])))
            cases[day][pk] = CaseKind(day, room, case_type, technique, size_class, names)
    used, loose, newest, newest_loose = defaultdict(dict), defaultdict(list), defaultdict(dict), defaultdict(dict)
    records = UsageRecord.objects.filter(department=department).order_by()
    totals = {"pieces": Sum(F("used") + F("opened_unused")), "newest": Max("pk")}
    by_case = records.filter(case__date__range=between).values_list("case", "consumable").annotate(**totals)
    for case_id, consumable, n, pk in by_case.iterator(chunk_size=20_000):
        newest[case_id][consumable] = pk
        if n > 0:
            used[case_id][consumable] = n
    by_day = records.filter(case__isnull=True, date__range=between).values_list("date", "room", "consumable")
    for day, room, consumable, n, pk in by_day.annotate(**totals):
        loose[day].append((room, consumable, n))
        newest_loose[day][room, consumable] = pk
    of_these_days = records.filter(Q(case__date__range=between) | Q(date__range=between))
    return Log(cases, booked, used, loose, newest, newest_loose, emptying_records(of_these_days))


def used_on(log: Log, frame: Frame, day: date) -> np.ndarray:
    """Pieces that were taken from each cart line that day, by the routes as they are now: (L,)."""
    at = {(line.place_id, line.consumable_id): n for n, line in enumerate(frame.lines)}
    used = np.zeros(len(frame.lines), dtype=int)
    taken = [(log.cases[day][pk].room_id, c, n) for pk in log.cases[day] for c, n in log.used[pk].items()]
    for room, consumable, pieces in [*taken, *log.loose[day]]:
        cart = frame.routes.cart_id(room, consumable)
        if cart is not None:
            used[at[cart, consumable]] += pieces
    return used


def cases_of(log: Log, day: date) -> tuple[tuple[Slot, dict[int, int]], ...]:
    """Each logged case of a day with the pieces of each consumable that it used."""
    return tuple(
        (
            Slot(
                kind.room_id,
                kind.case_type_id,
                kind.technique_id,
                kind.size_class_id,
                frozenset(int(pk) for pk in kind.extras.split(",") if pk),
            ),
            log.used[pk],
        )
        for pk, kind in log.cases[day].items()
    )
