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

from django.db import transaction
from django.db.models import Max, Q, Sum
from django.utils.translation import gettext as _

from inventory.count_rounds import ByLot, NotCounted, Recount, ToCount, open_round, record_count
from inventory.models import Bin, Count, CountRound, CountTask, Department, Movement, Place, StockingLine, bin_order
from inventory.printed_lots import OtherDate, printed_lot
from inventory.recalls import hold_if_recalled

from ..forecasting.count_order import CountWeights, Ranked, Record, choose, rank
from ..models import LineDrift, Policy, policy_of
from ..plans.filling import on_trolley
from .found_wrong import found_wrong

RATE_DAYS = 30  # what moved in so many last days says how fast a line moves
LOOK_BACK_DAYS = 365  # movements and counts that are older say nothing
SECONDS_PER_LINE = 30.0  # to find, count and type; an assumption until rounds were counted
SECONDS_PER_PLACE = 60.0  # to walk to another cart; an assumption
LONGEST_GAP = timedelta(minutes=3)  # between two counts of one person: a longer one was a break
FEWEST_GAPS = 20
# Pieces off for each piece moved, before counts say more: an assumption, worth so many pieces moved.
ERROR_PER_PIECE = 0.05
ERROR_WORTH = 20.0
_NO_MOVE = (Movement.Kind.ADJUST, Movement.Kind.REVERSE)  # no hand took or brought anything


@dataclass(frozen=True, slots=True)
class Doubtful:
    """A line with what is known of its record and where it stands in the order."""

    line: StockingLine
    record: Record
    ranked: Ranked

    @property
    def asks(self) -> bool:
        """Whether the line asks for a count by itself: below zero, found wrong, or nothing ever moves."""
        return self.record.cannot_wait or "never_moves" in self.ranked.reasons[:1]


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


def doubtful_lines(department: Department, *, at: datetime) -> list[Doubtful]:
    """Every line of carts and storerooms, most doubtful first: a fixed number of queries.

    Carts under a seal are left out: opening one to count it would undo their check.
    """
    lines = _lines(department)
    moved, moved_at = _movements(department, at)
    counted_at, error = _errors(department, moved, at)
    wrong = found_wrong(department)
    drifts = set(LineDrift.objects.filter(judgement__department=department).values_list("consumable", flat=True))
    found = []
    for line in lines:
        key = line.place_id, line.consumable_id
        days_counted = _days(at, counted_at.get(key))
        since = min(RATE_DAYS if days_counted is None else days_counted, LOOK_BACK_DAYS)
        price = line.consumable.price_per_piece or 0
        record = Record(
            place=line.place_id,
            on_record=line.on_hand,
            par=line.par,
            likely_off=error[line.consumable_id] * moved.get(key, 0) / RATE_DAYS * since,
            days_counted=days_counted,
            days_moved=_days(at, moved_at.get(key)),
            use_drifts=line.consumable_id in drifts,
            never_out=line.consumable.criticality == "never_out",
            value=float(price) * max(line.on_hand, 0),
            found_wrong=key in wrong,
        )
        found.append(Doubtful(line, record, rank(record)))
    return sorted(found, key=lambda one: (-one.ranked.score, one.line.pk))


def days_count(department: Department, *, at: datetime) -> DaysCount:
    """What to count today within the minutes that the policy gives, in walking order."""
    return days_count_of(department, doubtful_lines(department, at=at))


def days_count_of(department: Department, found: list[Doubtful]) -> DaysCount:
    """The same from lines that were read before."""
    policy = policy_of(department)
    learned = seconds_per_line(department)
    per_line = learned or SECONDS_PER_LINE
    chosen = choose(
        [one.record for one in found],
        [one.ranked for one in found],
        seconds=60.0 * policy.count_minutes,
        per_line=per_line,
        per_place=SECONDS_PER_PLACE,
    )
    lines = sorted((found[index] for index in chosen), key=lambda one: _walk_order(one.line))
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


@transaction.atomic
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
    """Record a blind count of a line of a round: what lies in the drawer, without what is on a trolley for it.

    found: lots that lay there besides those that `counted` names. A recalled one is put out of reach. Raises as
    `inventory.count_rounds.record_count`, and NotCounted for a lot that is on record with another last day.
    """
    department = task.round.department
    for one in found:
        try:
            lot = printed_lot(task.consumable, one.number, one.expires_on)
        except OtherDate as problem:
            raise NotCounted(str(problem)) from problem
        hold_if_recalled(lot, place=task.place, at=at)
        counted = {**counted, lot.pk: counted.get(lot.pk, 0) + one.pieces}
    return record_count(
        task_id=task.pk,
        counted=counted,
        seen=seen,
        recount=recount_of(policy_of(department)),
        by=by,
        at=at,
        seen_at=seen_at,
        elsewhere=on_trolley(place=task.place, consumable=task.consumable, day=department.local_date(at)),
    )


def still_lines(place: Place, *, at: datetime) -> set[int]:
    """Consumables that lie at a place and neither moved nor were counted there for long: three queries.

    Either they are not used, or they are used and nobody logs it; a count tells which.
    """
    since = at - timedelta(days=CountWeights().still_days)
    lying = set(
        StockingLine.objects.filter(place=place).with_on_hand().exclude(on_hand=0).values_list("consumable", flat=True)
    )
    counted = Count.objects.filter(place=place, at__gt=since).values_list("consumable", flat=True)
    moved = Movement.objects.filter(Q(source=place) | Q(destination=place), at__gt=since).exclude(kind__in=_NO_MOVE)
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


def _lines(department: Department) -> list[StockingLine]:
    """The lines with place, consumable and bin, each of which is made once: a join would make them for every line."""
    places = Place.objects.filter(department=department, sealed=False).in_bulk()
    consumables = department.consumables.in_bulk()
    bins = Bin.objects.filter(place__in=places).in_bulk()
    lines = list(StockingLine.objects.filter(place__in=places).with_on_hand().order_by("pk"))
    for line in lines:
        line.place, line.consumable = places[line.place_id], consumables[line.consumable_id]
        line.bin = bins.get(line.bin_id)
    return lines


def _movements(department: Department, at: datetime) -> tuple[dict, dict]:
    """Pieces that came or went in the last RATE_DAYS, and when anything last did, by (place, consumable)."""
    since = at - timedelta(days=LOOK_BACK_DAYS)
    real = Movement.objects.filter(at__lte=at, at__gt=since).exclude(kind__in=_NO_MOVE)
    moved: dict[tuple[int, int], int] = defaultdict(int)
    moved_at: dict[tuple[int, int], datetime] = {}
    for side in ("source", "destination"):
        here = real.filter(**{f"{side}__department": department, f"{side}__role__in": ["cart", "storeroom"]}).order_by()
        for place, line, newest in here.values_list(side, "consumable").annotate(Max("at")):
            known = moved_at.get((place, line))
            moved_at[place, line] = newest if known is None else max(known, newest)
        lately = here.filter(at__gt=at - timedelta(days=RATE_DAYS))
        for place, line, pieces in lately.values_list(side, "consumable").annotate(Sum("quantity")):
            moved[place, line] += pieces
    return moved, moved_at


def _errors(department: Department, moved: dict, at: datetime) -> tuple[dict, dict[int, float]]:
    """When each line was last counted, and pieces off for each piece moved, by consumable.

    A first count sets the record up and says nothing about how it errs.
    """
    counts = Count.objects.filter(place__department=department, at__lte=at, at__gt=at - timedelta(days=LOOK_BACK_DAYS))
    counted_at: dict[tuple[int, int], datetime] = {}
    off: dict[int, float] = defaultdict(lambda: ERROR_PER_PIECE * ERROR_WORTH)
    of: dict[int, float] = defaultdict(lambda: ERROR_WORTH)
    rows = counts.order_by("at", "pk").values_list("place", "consumable", "at", "counted", "expected")
    for place, line, when, counted, expected in rows.iterator(chunk_size=10_000):
        before = counted_at.get((place, line))
        if before is not None:
            off[line] += abs(counted - expected)
            of[line] += moved.get((place, line), 0) / RATE_DAYS * ((when - before) / timedelta(days=1))
        counted_at[place, line] = when
    share: dict[int, float] = defaultdict(lambda: ERROR_PER_PIECE)
    share.update({line: off[line] / of[line] for line in off})
    return counted_at, share


def _days(at: datetime, when: datetime | None) -> float | None:
    return None if when is None else max((at - when) / timedelta(days=1), 0.0)


def _walk_order(line: StockingLine) -> tuple:
    place = line.place
    return (place.role, place.walk_order, place.code, *bin_order(line.bin), line.consumable.code)
