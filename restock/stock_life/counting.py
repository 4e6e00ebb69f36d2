"""The day's ten minutes of counting: which lines, why, and what becomes of a count.

The record of a line is doubted for what moved since its last count, times the error that counts of the same
consumable found before for each piece moved; for its age; and where nothing ever moves. See
`restock.forecasting.count_order` for the weights.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from statistics import median

import numpy as np
from django.db import transaction
from django.db.models import Max, Q, Sum
from django.utils.translation import gettext as _

from inventory.count_rounds import ByLot, NotCounted, Recount, ToCount, Told, open_round, record_counts
from inventory.models import (
    Count,
    CountRound,
    CountTask,
    Criticality,
    Department,
    Holding,
    Movement,
    Place,
    StockingLine,
    bin_order,
)
from inventory.printed_lots import OtherDate, printed_lot
from inventory.recalls import hold_if_recalled
from inventory.scanning import PersonCode

from ..forecasting.count_order import NEVER_MOVES, CountWeights, Ranked, Ranking, Record, Records, choose, rank
from ..learning.records import NO_MOVE, RATE_DAYS, LineRecord, LineRecords, read_line_records
from ..models import LineDrift, Policy, policy_of
from ..plans.filling import on_trolley
from .found_wrong import found_wrong

LOOK_BACK_DAYS = 365  # a record is no more in doubt for a count that is older
SECONDS_PER_LINE = 30.0  # to find, count and type; an assumption until rounds were counted
SECONDS_PER_PLACE = 60.0  # to walk to another cart; an assumption
LONGEST_GAP = timedelta(minutes=3)  # between two counts of one person: a longer one was a break
FEWEST_GAPS = 20
# Pieces off for each piece moved, before counts say more: an assumption, worth so many pieces moved.
ERROR_PER_PIECE = 0.05
ERROR_WORTH = 20.0
NOTHING_KNOWN = LineRecord()


@dataclass(frozen=True, slots=True)
class Doubtful:
    """A line with what is known of its record and where it stands in the order."""

    line: StockingLine
    record: Record
    ranked: Ranked

    @property
    def asks(self) -> bool:
        """Whether the line asks for a count by itself: below zero, found wrong, or nothing ever moves."""
        return self.record.cannot_wait or NEVER_MOVES in self.ranked.reasons[:1]


@dataclass(frozen=True, slots=True)
class FoundLot:
    """Pieces of a lot that a person came upon while counting, as it is printed on the packs."""

    number: str
    expires_on: date | None
    pieces: int


@dataclass(frozen=True, slots=True)
class DaysCount:
    """The lines to count today, in walking order, and how long one takes: learned or assumed."""

    lines: tuple[Doubtful, ...]
    minutes: int
    seconds_per_line: float
    is_learned: bool


@dataclass(frozen=True)
class Doubts:
    """Every line that may be counted, by its primary key (L,), with its record and its place in the order."""

    line_ids: np.ndarray
    records: Records
    ranking: Ranking

    def asking(self) -> np.ndarray:
        """Indices of the lines that ask for a count by themselves (`Doubtful.asks`), most doubtful first."""
        found = np.flatnonzero(self.records.cannot_wait | self.ranking.is_led_by(NEVER_MOVES))
        return found[np.argsort(-self.ranking.score[found], kind="stable")]

    def oldest_count(self) -> dict[int, float]:
        """For each place that was counted, the days since the line that waits longest was: by primary key."""
        place, days = self.records.place, self.records.days_counted
        return {int(pk): float(np.nanmax(days[place == pk])) for pk in np.unique(place[~np.isnan(days)])}

    def read(self, indices: Iterable[int]) -> list[Doubtful]:
        """Some of the lines, in the order of the indices: four queries."""
        indices = [int(n) for n in indices]
        lines = StockingLine.objects.prefetch_related("place", "bin", "consumable").in_bulk(
            self.line_ids[indices].tolist()
        )
        return [Doubtful(lines[int(self.line_ids[n])], self.records[n], self.ranking[n]) for n in indices]


def doubts(department: Department, *, at: datetime) -> Doubts:
    """Rank all lines of carts and storerooms: a fixed number of queries, whatever their number and that of movements.

    Carts under a seal are left out: opening one to count it would undo their check.
    """
    lines = StockingLine.objects.filter(place__department=department, place__sealed=False).order_by("pk")
    rows = list(lines.values_list("pk", "place", "consumable", "par"))
    holdings = Holding.objects.filter(place__department=department).order_by()
    pieces = holdings.values_list("place", "consumable").annotate(Sum("quantity"))
    held = {(place, consumable): n for place, consumable, n in pieces}
    known, drifts = read_line_records(department, at=at), LineDrift.objects.filter(judgement__department=department)
    drifting = set(drifts.values_list("consumable", flat=True))
    worth = {
        pk: (criticality == Criticality.NEVER_OUT, float(price or 0))
        for pk, criticality, price in department.consumables.values_list("pk", "criticality", "price_per_piece")
    }
    error, wrong = _error_per_piece(known), found_wrong(department)

    line_ids, place, consumable, par = np.array(rows, dtype=int).reshape(len(rows), 4).T
    of_line = [known.lines.get(key, NOTHING_KNOWN) for key in zip(place.tolist(), consumable.tolist(), strict=True)]
    moved, days_moved, days_counted = (
        np.array([(one.moved_per_day, one.days_moved, one.days_counted) for one in of_line], dtype=float)
        .reshape(len(rows), 3)
        .T
    )
    on_record = np.array([held.get((p, c), 0) for _, p, c, _ in rows], dtype=int)
    never_out, price = np.array([worth[pk] for pk in consumable.tolist()], dtype=float).reshape(len(rows), 2).T
    since = np.clip(np.nan_to_num(days_counted, nan=RATE_DAYS), 0.0, LOOK_BACK_DAYS)
    records = Records(
        place=place,
        on_record=on_record,
        par=par,
        likely_off=np.array([error.get(pk, ERROR_PER_PIECE) for pk in consumable.tolist()]) * moved * since,
        days_counted=np.maximum(days_counted, 0.0),
        days_moved=np.maximum(days_moved, 0.0),
        use_drifts=np.array([pk in drifting for pk in consumable.tolist()], dtype=bool),
        never_out=never_out.astype(bool),
        value=price * np.maximum(on_record, 0),
        found_wrong=np.array([(place, consumable) in wrong for _pk, place, consumable, _par in rows], dtype=bool),
    )
    return Doubts(line_ids, records, rank(records))


def days_count(department: Department, *, at: datetime) -> DaysCount:
    """What to count today within the minutes that the policy gives, in walking order."""
    return days_count_of(department, doubts(department, at=at))


def days_count_of(department: Department, found: Doubts) -> DaysCount:
    """The same from lines that were ranked before."""
    policy = policy_of(department)
    learned = seconds_per_line(department)
    per_line = learned or SECONDS_PER_LINE
    chosen = choose(
        found.records,
        found.ranking.score,
        seconds=60.0 * policy.count_minutes,
        per_line=per_line,
        per_place=SECONDS_PER_PLACE,
    )
    lines = sorted(found.read(chosen), key=lambda one: _walk_order(one.line))
    return DaysCount(tuple(lines), policy.count_minutes, per_line, learned is not None)


def seconds_per_line(department: Department) -> float | None:
    """The median time between two first counts of one person in one round, None with too few of them.

    Only a shared measure: whose they are is not looked at further.
    """
    rows = CountTask.objects.filter(round__department=department, first_at__isnull=False).order_by("-first_at")
    times = defaultdict(list)
    for round_id, by_id, first_at in rows.values_list("round", "first_by", "first_at")[:2000]:
        times[round_id, by_id].append(first_at)
    gaps = [
        (later - earlier).total_seconds()
        for of_round in times.values()
        for later, earlier in pairwise(of_round)
        if timedelta(0) < later - earlier <= LONGEST_GAP
    ]
    return median(gaps) if len(gaps) >= FEWEST_GAPS else None


def start_days_count(*, department: Department, by, at: datetime) -> CountRound:
    """Today's round; the one that runs already, if there is one. Raises NotCounted where nothing asks for a count."""
    lines = [
        ToCount(one.line.place_id, one.line.consumable_id, one.ranked.reasons[0])
        for one in days_count(department, at=at).lines
    ]
    return open_round(department=department, lines=lines, for_date=department.local_date(at), by=by, at=at)


def start_place_count(*, department: Department, place: Place, by, at: datetime) -> CountRound:
    """A round of all lines of one place, in drawer order. Raises NotCounted for a sealed cart or an empty place."""
    if place.sealed:
        raise NotCounted(
            _("%(place)s is sealed: open and check it as its seal asks, do not count it here.") % {"place": place}
        )
    lines = StockingLine.objects.filter(place=place).select_related("place", "bin", "consumable")
    wanted = [
        ToCount(place.pk, line.consumable_id, CountTask.Why.WHOLE_PLACE) for line in sorted(lines, key=_walk_order)
    ]
    day = department.local_date(at)
    return open_round(department=department, lines=wanted, for_date=day, by=by, at=at, place=place)


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What a person counted of a line of a round, blind: what lies in the drawer, without what is on a trolley for it.

    counted, seen, seen_at: as in `inventory.count_rounds.Told`. found: lots that lay there besides those that `counted`
    names.
    """

    task: CountTask
    counted: int | ByLot
    seen: str
    seen_at: datetime | None = None
    found: Iterable[FoundLot] = ()


def save_count(
    *,
    task: CountTask,
    counted: int | ByLot,
    seen: str,
    by,
    at: datetime,
    seen_at: datetime | None = None,
    found: Iterable[FoundLot] = (),
) -> CountTask:
    """Record a count of a line of a round, as in `Counted`. A recalled lot that was found is put out of reach.

    Raises as `inventory.count_rounds.record_count`, and NotCounted for a lot that is on record with another last day.
    """
    one = Counted(task=task, counted=counted, seen=seen, seen_at=seen_at, found=found)
    [done] = save_counts([one], department=task.round.department, by=by, at=at)
    if isinstance(done, NotCounted):
        raise done
    return done


@transaction.atomic
def save_counts(
    counted: Iterable[Counted], *, department: Department, by, at: datetime
) -> list[CountTask | NotCounted]:
    """Record many lines as `save_count` does, each at most once: in their order the line, or why it was not."""
    waiting = on_trolley(department.pk, day=department.local_date(at))
    all_told: list[Told | NotCounted] = []
    for one in counted:
        try:
            pieces = _with_found(one, at=at)
        except NotCounted as problem:
            all_told.append(problem)
            continue
        elsewhere = waiting.get((one.task.place_id, one.task.consumable_id), 0)
        all_told.append(
            Told(task_id=one.task.pk, counted=pieces, seen=one.seen, seen_at=one.seen_at, elsewhere=elsewhere)
        )
    recorded = iter(
        record_counts(
            [told for told in all_told if isinstance(told, Told)],
            recount=recount_of(policy_of(department)),
            by=by,
            at=at,
        )
    )
    return [next(recorded) if isinstance(told, Told) else told for told in all_told]


def _with_found(one: Counted, *, at: datetime) -> int | ByLot:
    pieces = one.counted
    for found in one.found:
        try:
            lot = printed_lot(one.task.consumable, found.number, found.expires_on)
        except OtherDate as problem:
            raise NotCounted(str(problem)) from problem
        except PersonCode as refused:
            raise NotCounted(_(str(refused))) from None
        hold_if_recalled(lot, place=one.task.place, at=at)
        pieces = {**pieces, lot.pk: pieces.get(lot.pk, 0) + found.pieces}
    return pieces


def still_lines(place: Place, *, at: datetime) -> set[int]:
    """Consumables that lie at a place and neither moved nor were counted there for long: three queries.

    Either they are not used, or they are used and nobody logs it; a count tells which.
    """
    since = at - timedelta(days=CountWeights().still_days)
    lying = set(
        StockingLine.objects.filter(place=place).with_on_hand().exclude(on_hand=0).values_list("consumable", flat=True)
    )
    counted = Count.objects.filter(place=place, at__gt=since).values_list("consumable", flat=True)
    moved = Movement.objects.filter(Q(source=place) | Q(destination=place), at__gt=since).exclude(kind__in=NO_MOVE)
    return lying.difference(counted, moved.values_list("consumable", flat=True))


def recount_of(policy: Policy) -> Recount:
    """When the department wants a second count."""
    return Recount(policy.recount_pieces, policy.recount_share)


def last_counted(department: Department, pairs: set[tuple[int, int]], *, before: datetime) -> dict:
    """When each (place, consumable) was last counted before an instant."""
    counts = Count.objects.filter(
        place__in={place for place, _ in pairs}, consumable__in={line for _, line in pairs}, at__lt=before
    )
    rows = counts.order_by().values_list("place", "consumable").annotate(Max("at"))
    return {(place, line): at for place, line, at in rows if (place, line) in pairs}


def _error_per_piece(known: LineRecords) -> dict[int, float]:
    """Pieces off for each piece moved between two counts, of each consumable that was counted twice somewhere."""
    off: dict[int, float] = defaultdict(lambda: ERROR_PER_PIECE * ERROR_WORTH)
    of: dict[int, float] = defaultdict(lambda: ERROR_WORTH)
    for (_place, consumable), line in known.lines.items():
        if line.off or line.counted_over:
            off[consumable] += line.off
            of[consumable] += line.moved_per_day * line.counted_over
    return {consumable: off[consumable] / of[consumable] for consumable in off}


def _walk_order(line: StockingLine) -> tuple:
    place = line.place
    return (place.role, place.walk_order, place.code, *bin_order(line.bin), line.consumable.code)
