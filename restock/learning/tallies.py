"""Keep the tallies of what was learned up to date. Reads only what was logged since the last time.

The forecast needs, for every kind of case and every line, how often how many pieces were used. That is a small
table however long the log grows, so it is kept (restock.models.learning) and brought forward each night.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import chain

from django.db import transaction
from django.db.models import Max, Min

from inventory.in_parts import in_parts
from inventory.models import Department

from ..cases.setups import Line, Slot
from ..models import Case, Learning, OpenedTally, QuantityTally, SplitTally, Stratum, UsageRecord, policy_of
from .fits import NOTHING_FITTED, Fitted, read_fitted
from .log_changes import Sums, changes_since, weight_of
from .records import bring_records_forward


@transaction.atomic
def bring_forward(*, department: Department, at: datetime, rebuild: bool = False) -> Learning:
    """Add what was logged since the last time, and return how far the tallies have come.

    A case counts for as long as its log stands: one whose log was taken back counts for nothing, not for no use.
    Starts again from nothing when asked, when the half-life was changed, or when a record turned up behind the
    last one that was read (its number of records then differs). A case type corrected after its case was logged is
    only seen by a rebuild.
    """
    policy = policy_of(department)
    Department.objects.select_for_update(no_key=True).get(pk=department.pk)  # a first run has no other row to lock
    learning = Learning.objects.filter(department=department).first()
    if learning and (rebuild or learning.half_life_days != policy.half_life_days or _missed_a_record(learning)):
        Stratum.objects.filter(department=department).delete()
        SplitTally.objects.filter(consumable__department=department).delete()
        OpenedTally.objects.filter(consumable__department=department).delete()
        Case.objects.filter(department=department, tallied=True).update(tallied=False)
        learning.delete()
        learning = None
    if learning is None:
        learning = Learning(
            department=department, half_life_days=policy.half_life_days, landmark=_first_day(department, at)
        )

    through = UsageRecord.objects.filter(department=department).aggregate(n=Max("pk"))["n"] or 0
    changes = changes_since(learning, through, at)
    _apply(department, changes)
    learning.through_record = through
    learning.records = UsageRecord.objects.filter(department=department, pk__lte=through).count()
    learning.updated_at = at
    learning.save()
    bring_records_forward(department=department, at=at, rebuild=rebuild)
    return learning


@dataclass(frozen=True)
class Tallies:
    """The log in sums, as it counts on one day: all weights are faded numbers of cases (or of room-days, or pieces).

    slots: the kind of case of each case stratum. rooms: the room of each room stratum. cases: of each stratum.
    quantities: (stratum, pieces, weight) of each line. cut_off: the same of cases that emptied the cart, which may have
    wanted more. splits: pieces for each (case type, size class, consumable). fitted: what the newest refit found.
    """

    slots: dict[int, Slot]
    rooms: dict[int, int]
    cases: dict[int, float]
    quantities: dict[Line, list[tuple[int, int, float]]]
    splits: dict[tuple[int, int, int], float]
    cut_off: dict[Line, list[tuple[int, int, float]]] = field(default_factory=dict)
    fitted: Fitted = NOTHING_FITTED

    def lines_of(self, strata: Container[int]) -> set[Line]:
        """Lines that were logged in any of the strata."""
        rows = chain(self.quantities.items(), self.cut_off.items())
        return {line for line, tallied in rows if any(stratum in strata for stratum, *_ in tallied)}


def read_tallies(department: Department, day: date) -> Tallies:
    """The stored tallies as they count on `day`: eight queries, and no more rows than there are kinds of case."""
    fade = fade_until(day, department)
    slots, rooms, cases = {}, {}, {}
    for stratum in Stratum.objects.filter(department=department):
        cases[stratum.pk] = stratum.cases * fade
        if stratum.room_id:
            rooms[stratum.pk] = stratum.room_id
        else:
            extras = frozenset(int(pk) for pk in stratum.extras.split(",") if pk)
            slots[stratum.pk] = Slot(0, stratum.case_type_id, stratum.technique_id, stratum.size_class_id, extras)
    quantities, cut_off = defaultdict(list), defaultdict(list)
    rows = QuantityTally.objects.filter(stratum__department=department)
    for stratum, consumable, run, quantity, cut, weight in rows.values_list(
        "stratum", "consumable", "size_run", "quantity", "cut_off", "weight"
    ):
        line = ("run", run) if run else ("piece", consumable)
        (cut_off if cut else quantities)[line].append((stratum, quantity, weight * fade))
    splits = SplitTally.objects.filter(consumable__department=department)
    pieces = splits.values_list("case_type", "size_class", "consumable", "pieces")
    return Tallies(
        slots=slots,
        rooms=rooms,
        cases=cases,
        quantities=dict(quantities),
        splits={tuple(key): n * fade for *key, n in pieces},
        cut_off=dict(cut_off),
        fitted=read_fitted(department),
    )


def fade_until(day: date, department: Department) -> float:
    """What a stored weight is multiplied by, to count as it does on `day`."""
    learning = Learning.objects.filter(department=department).first()
    return 1.0 / weight_of(day, learning) if learning else 1.0


def _missed_a_record(learning: Learning) -> bool:
    read = UsageRecord.objects.filter(department=learning.department, pk__lte=learning.through_record)
    return read.count() != learning.records


def _first_day(department: Department, at: datetime) -> date:
    logged = Case.objects.filter(department=department, logged_at__isnull=False)
    return logged.aggregate(first=Min("date"))["first"] or department.local_date(at)


def _apply(department: Department, changes: Sums) -> None:
    strata = _apply_cases(department, changes)
    _apply_quantities(department, strata, changes)
    _apply_splits(department, changes)
    _apply_opened(department, changes)
    for cases, tallied in ((changes.began, True), (changes.ended, False)):
        for some in in_parts(cases):
            Case.objects.filter(pk__in=some).update(tallied=tallied)


def _apply_cases(department: Department, changes: Sums) -> dict[tuple, Stratum]:
    strata = {
        (s.case_type_id, s.technique_id, s.size_class_id, s.extras, s.room_id): s
        for s in Stratum.objects.filter(department=department)
    }
    new = []
    for key, weight in changes.cases.items():
        stratum = strata.get(key)
        if stratum is None:
            case_type, technique, size_class, extras, room = key
            stratum = strata[key] = Stratum(
                department=department,
                case_type_id=case_type,
                technique_id=technique,
                size_class_id=size_class,
                extras=extras,
                room_id=room,
            )
            new.append(stratum)
        stratum.cases += weight
    Stratum.objects.bulk_create(new)
    Stratum.objects.bulk_update([strata[key] for key in changes.cases], ["cases"], batch_size=200)
    return strata


def _apply_quantities(department: Department, strata: dict[tuple, Stratum], changes: Sums) -> None:
    tallies = {
        (
            t.stratum_id,
            ("run", t.size_run_id) if t.size_run_id else ("piece", t.consumable_id),
            t.quantity,
            t.cut_off,
        ): t
        for t in QuantityTally.objects.filter(stratum__department=department)
    }
    added, changed = [], []
    for (stratum_key, (what, thing_id), quantity, cut_off), weight in changes.quantities.items():
        key = (strata[stratum_key].pk, (what, thing_id), quantity, cut_off)
        tally = tallies.get(key)
        if tally is None:
            thing = {"size_run_id": thing_id} if what == "run" else {"consumable_id": thing_id}
            tally = QuantityTally(stratum=strata[stratum_key], quantity=quantity, cut_off=cut_off, **thing)
            tally.weight = weight
            added.append(tally)
        else:
            tally.weight += weight
            changed.append(tally)
    QuantityTally.objects.bulk_create(added, batch_size=1000)
    QuantityTally.objects.bulk_update(changed, ["weight"], batch_size=200)


def _apply_splits(department: Department, changes: Sums) -> None:
    splits = {
        (s.case_type_id, s.size_class_id, s.consumable_id): s
        for s in SplitTally.objects.filter(consumable__department=department)
    }
    added, changed = [], []
    for key, pieces in changes.splits.items():
        if key in splits:
            splits[key].pieces += pieces
            changed.append(splits[key])
        else:
            case_type, size_class, consumable = key
            added.append(
                SplitTally(case_type_id=case_type, size_class_id=size_class, consumable_id=consumable, pieces=pieces)
            )
    SplitTally.objects.bulk_create(added, batch_size=1000)
    SplitTally.objects.bulk_update(changed, ["pieces"], batch_size=200)


def _apply_opened(department: Department, changes: Sums) -> None:
    opened = OpenedTally.objects.filter(consumable__department=department)
    known, added = {(t.case_type_id, t.consumable_id): t for t in opened}, []
    touched = changes.opened.keys() | changes.opened_by.keys()
    for key in sorted(touched):
        tally = known.get(key)
        if tally is None:
            tally = OpenedTally(case_type_id=key[0], consumable_id=key[1])
            added.append(tally)
        tally.opened += changes.opened.get(key, 0.0)
        tally.unused += changes.unused.get(key, 0.0)
        tally.cases += changes.opened_by.get(key, 0.0)
    OpenedTally.objects.bulk_create(added, batch_size=1000)
    changed = [known[key] for key in touched if key in known]
    OpenedTally.objects.bulk_update(changed, ["opened", "unused", "cases"], batch_size=200)
