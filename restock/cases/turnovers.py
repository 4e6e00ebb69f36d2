"""Between two cases in a room: what to add, what to change over, what to put away, for the next one.

The set-up standard of the next case (its type, size class and booked extras) is held against that of the case before
it and against what the carts in reach hold. A size is the likely one of its run, with the sizes on either side: which
one is right, the clinician decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import Enum

from django.db.models import Min, Sum

from inventory.models import Consumable, Department, Holding, Room, Section

from ..models import Case
from .case_setup import SetupLine, SetupRun, SetupSection, setup_for
from .fetching import Held, nearest
from .routes import routes
from .setups import Setups

PLACES_NAMED = 2  # that hold what is missing; more are a tap away


class Step(Enum):
    """What is to do with a line between the cases."""

    CHANGE = "change"
    ADD = "add"
    FRESH = "fresh"
    PUT_AWAY = "put away"


@dataclass(frozen=True, slots=True)
class Beside:
    """A size next to the likely one, with the usable pieces of it in reach."""

    consumable: Consumable
    in_reach: int


@dataclass(frozen=True, slots=True)
class TurnoverLine:
    """One line of the card. pieces: what the next case is likely to open of it; of a line to put away, what lay there.

    instead_of: the size that the case before it had. in_reach: usable pieces at the place that the room draws on.
    nearest: where the missing pieces are, the nearest first; empty where nothing is missing.
    """

    step: Step
    consumable: Consumable
    pieces: int
    pieces_before: int
    in_reach: int
    instead_of: Consumable | None = None
    beside: tuple[Beside, ...] = ()
    nearest: tuple[Held, ...] = ()

    @property
    def lacks(self) -> int:
        """Pieces that the next case is likely to open and no cart in reach holds."""
        return 0 if self.step == Step.PUT_AWAY else max(self.pieces - self.in_reach, 0)


@dataclass(frozen=True, slots=True)
class TurnoverSection:
    """One part of the work area: lines to act on, lines with fresh ones of the same, and what is seldom opened."""

    name: str
    lines: tuple[TurnoverLine, ...]
    fresh: tuple[TurnoverLine, ...]
    seldom: tuple[Consumable, ...]

    @property
    def to_do(self) -> tuple[TurnoverLine, ...]:
        """Lines that ask for a hand: those that differ, and fresh ones that have to be fetched."""
        return (*self.lines, *(line for line in self.fresh if line.lacks))


@dataclass(frozen=True, slots=True)
class Turnover:
    """The card for one case. last: the case before it in the room, None where nothing lies out."""

    case: Case
    last: Case | None
    sections: tuple[TurnoverSection, ...]

    def lines(self, *steps: Step) -> list[TurnoverLine]:
        """All lines with one of these steps, in set-up order."""
        return [line for section in self.sections for line in (*section.lines, *section.fresh) if line.step in steps]

    @property
    def lacking(self) -> list[TurnoverLine]:
        return [line for line in self.lines(*Step) if line.lacks]


def slots_of(room: Room, day: date) -> list[Case]:
    """The room's cases of a day that are not cancelled, in the order of its list: two queries."""
    cases = Case.objects.filter(room=room, date=day).exclude(status=Case.Status.CANCELLED)
    related = cases.select_related("department", "room", "case_type", "size_class")
    return list(related.prefetch_related("extras").order_by("order", "pk"))


def next_of(slots: Sequence[Case], now: datetime) -> Case | None:
    """The case to turn the room over for: the one after the last logged case, or, where none is logged, after the one
    that by its booked start is in the room. None where the list is over. now: in the department's time."""
    last = max((n for n, case in enumerate(slots) if _is_over(case)), default=None)
    if last is None:
        begun = [n for n, case in enumerate(slots) if case.starts_at is not None and case.starts_at <= now.time()]
        last = max(begun, default=-1)
    return slots[last + 1] if last + 1 < len(slots) else None


def first_of_next_day(department: Department, *, after: date) -> dict[int, Case]:
    """The first case of each room (its primary key) on the next day that has listed cases: three queries."""
    listed = Case.objects.filter(department=department, date__gt=after).exclude(status=Case.Status.CANCELLED)
    day = listed.aggregate(first=Min("date"))["first"]
    related = listed.filter(date=day).select_related("department", "room", "case_type", "size_class")
    first: dict[int, Case] = {}
    for case in related.prefetch_related("extras").order_by("order", "pk"):
        first.setdefault(case.room_id, case)
    return first


def _is_over(case: Case) -> bool:
    return case.logged_at is not None or case.status == Case.Status.DONE


def turnover(case: Case, *, last: Case | None, at: datetime) -> Turnover:
    """The card for `case`, which follows `last` in its room. The number of queries does not grow with the lines."""
    setups = Setups(case.department)
    ahead = setup_for(case, setups)
    behind = dict(_expected(setup_for(last, setups) if last else ()))
    wanted = dict(_expected(ahead))
    gone = {key: item for key, item in behind.items() if key not in wanted}
    reach = _in_reach(case, [*_sizes(ahead), *(size for item in gone.values() for size in _all_sizes(item))])

    lines = {key: _line(item, behind.get(key), last, reach) for key, item in wanted.items()}
    lines |= {key: _to_put_away(item, reach) for key, item in gone.items()}
    lines = _with_nearest(lines, case, at)
    return Turnover(case, last, tuple(_sections(lines.values(), ahead)))


def _expected(sections: Sequence[SetupSection]) -> Iterator[tuple[tuple[str, int], SetupLine | SetupRun]]:
    """What is likely opened, by run or by consumable."""
    for section in sections:
        for item in section.items:
            yield (("run", item.run.pk) if isinstance(item, SetupRun) else ("piece", item.consumable.pk)), item


def _likely(item: SetupLine | SetupRun) -> Consumable:
    return item.likely.consumable if isinstance(item, SetupRun) else item.consumable


def _all_sizes(item: SetupLine | SetupRun) -> list[Consumable]:
    return [size.consumable for size in item.sizes] if isinstance(item, SetupRun) else [item.consumable]


def _sizes(sections: Sequence[SetupSection]) -> list[Consumable]:
    return [size for section in sections for item in section.items for size in _all_sizes(item)]


def _in_reach(case: Case, consumables: Sequence[Consumable]) -> dict[int, int]:
    """Usable pieces of each consumable at the place that a case in this room takes it from."""
    way = routes(case.department)
    place_of = {consumable.pk: way.place_id(case.room_id, consumable.pk) for consumable in consumables}
    held = (
        Holding.objects.filter(place__in=set(place_of.values()) - {None}, consumable__in=place_of)
        .usable(on=case.date)
        .order_by()
        .values_list("place", "consumable")
        .annotate(pieces=Sum("quantity"))
    )
    pieces = {(place, consumable): max(number, 0) for place, consumable, number in held}
    return {consumable: pieces.get((place, consumable), 0) for consumable, place in place_of.items()}


def _line(
    item: SetupLine | SetupRun, before: SetupLine | SetupRun | None, last: Case | None, reach: dict[int, int]
) -> TurnoverLine:
    consumable = _likely(item)
    was = _likely(before) if before else None
    if before is None:
        step = Step.ADD
    elif was != consumable or before.expected < item.expected:
        step = Step.CHANGE
    else:
        step = Step.FRESH
    return TurnoverLine(
        step=step,
        consumable=consumable,
        pieces=item.expected,
        pieces_before=before.expected if before else 0,
        in_reach=reach[consumable.pk],
        instead_of=was if was != consumable else None,
        beside=_beside(item, reach) if isinstance(item, SetupRun) else (),
    )


def _beside(run: SetupRun, reach: dict[int, int]) -> tuple[Beside, ...]:
    sizes = [size.consumable for size in run.sizes]
    here = sizes.index(run.likely.consumable)
    either_side = [*sizes[max(here - 1, 0) : here], *sizes[here + 1 : here + 2]]
    return tuple(Beside(size, reach[size.pk]) for size in either_side)


def _to_put_away(item: SetupLine | SetupRun, reach: dict[int, int]) -> TurnoverLine:
    consumable = _likely(item)
    return TurnoverLine(Step.PUT_AWAY, consumable, item.expected, item.expected, reach[consumable.pk])


def _with_nearest(lines: dict, case: Case, at: datetime) -> dict:
    lacking = [line for line in lines.values() if line.lacks]
    if not lacking:
        return lines
    places = nearest([line.consumable for line in lacking], room=case.room, at=at)
    return {
        key: replace(line, nearest=_elsewhere(places.get(line.consumable.pk, ()))) if line.lacks else line
        for key, line in lines.items()
    }


def _elsewhere(places: Sequence[Held]) -> tuple[Held, ...]:
    return tuple(held for held in places if not held.is_here)[:PLACES_NAMED]


def _sections(lines: Iterable[TurnoverLine], ahead: Sequence[SetupSection]) -> Iterator[TurnoverSection]:
    lines = list(lines)
    seldom = {section.section: tuple(_likely(item) for item in section.rare) for section in ahead}
    by_section = {section: [line for line in lines if line.consumable.section == section] for section in Section}
    order = list(Step)
    for section, of_section in by_section.items():
        to_do = sorted(
            (line for line in of_section if line.step != Step.FRESH), key=lambda line: order.index(line.step)
        )
        fresh = tuple(line for line in of_section if line.step == Step.FRESH)
        if to_do or fresh or seldom.get(section):
            yield TurnoverSection(section.label, tuple(to_do), fresh, seldom.get(section, ()))
