"""One cart as a person stands before it: its lines in the order of the hand, what each gets, who draws on it."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time

from django.db.models import Max, Sum
from django.utils.safestring import SafeString

from inventory.models import Consumable, Count, Department, Holding, Place, Room, Section, StockingLine, bin_order
from restock.cases.routes import rooms_that_reach
from restock.models import Case, Pick, Plan, PlanLine
from restock.stock_life.counting import still_lines

from ..ages import counted_words, counts_words
from ..hubs import hub_swatch
from ..levels import bar, level_of


@dataclass(frozen=True)
class CartLine:
    """One stocking line as it stands now. Its plan line is None where it was added after the plan was made.

    to_add: pieces still to bring tonight. carried: pieces that were confirmed as picked for it, None while nobody said
    anything. stands_still: it neither moved nor was counted for long, and asks for a count.
    """

    stocking: StockingLine
    planned: PlanLine | None
    on_hand: int
    usable: int
    counted: str
    to_add: int
    carried: int | None
    bar: SafeString | str
    stands_still: bool = False

    @property
    def consumable(self) -> Consumable:
        return self.stocking.consumable

    @property
    def swatch(self) -> SafeString | str:
        return hub_swatch(self.consumable)

    @property
    def unusable(self) -> int:
        """Pieces recorded here that are out of date or set aside on the plan's day."""
        return max(self.on_hand - self.usable, 0)

    @property
    def stays_short(self) -> int:
        return self.planned.short_by if self.planned else 0

    @property
    def is_new(self) -> bool:
        """Whether it was put on the cart after the plan was made."""
        return self.planned is None

    @property
    def has_remark(self) -> bool:
        """Whether there is more to say of it than its figures."""
        worth_saying = self.stays_short or self.unusable or self.on_hand < 0
        return bool(worth_saying or self.is_new or self.stands_still or self.carried is not None)

    @property
    def matters_tonight(self) -> bool:
        """Whether somebody has to do or to know something about it."""
        return bool(self.to_add or self.carried or self.stays_short or self.on_hand < 0)


@dataclass(frozen=True)
class CartContents:
    """The cart's lines by set-up section: (name of the section, lines in drawer order)."""

    sections: tuple[tuple[str, tuple[CartLine, ...]], ...]
    counted: str

    @property
    def lines(self) -> list[CartLine]:
        return [line for _, lines in self.sections for line in lines]

    def only_tonight(self) -> CartContents:
        """The same with the lines that matter tonight and nothing else."""
        kept = ((name, tuple(line for line in lines if line.matters_tonight)) for name, lines in self.sections)
        return CartContents(tuple((name, lines) for name, lines in kept if lines), self.counted)


def cart_contents(cart: Place, plan: Plan | None, *, day: date, now: datetime, when: str) -> CartContents:
    """Read the cart for `day`, which the page calls `when`: nine queries, whatever the number of lines."""
    stocked = StockingLine.objects.filter(place=cart).select_related("bin", "consumable")
    held = _pieces(Holding.objects.filter(place=cart))
    usable = _pieces(Holding.objects.filter(place=cart).usable(on=day))
    counts = Count.objects.filter(place=cart).order_by().values("consumable").annotate(latest=Max("at"))
    counted_at = {row["consumable"]: row["latest"] for row in counts}
    still = still_lines(cart, at=now)
    planned = {}
    to_add, carried = {}, {}
    if plan is not None:
        planned = {line.consumable_id: line for line in plan.lines.filter(place=cart).defer("pmf")}
        to_add, carried = _picks(plan, cart)

    by_section = defaultdict(list)
    for line in sorted(stocked, key=_drawer_order):
        pk = line.consumable_id
        on_hand, may_use = held.get(pk, 0), max(usable.get(pk, 0), 0)
        at_plan = planned.get(pk)
        drawn = bar(level_of(at_plan, on_hand=on_hand, usable=may_use, when=when)) if at_plan else ""
        by_section[line.consumable.section].append(
            CartLine(
                stocking=line,
                planned=at_plan,
                on_hand=on_hand,
                usable=may_use,
                counted=counted_words(counted_at.get(pk), now),
                to_add=to_add.get(pk, 0),
                carried=carried.get(pk),
                bar=drawn,
                stands_still=pk in still,
            )
        )
    sections = tuple((Section(s).label, tuple(by_section[s])) for s in sorted(by_section))
    ages = [counted_at.get(line.consumable_id) for line in stocked]
    return CartContents(sections, counts_words(ages, now))


@dataclass(frozen=True)
class RoomDay:
    """A room whose listed cases may draw on the cart: how many, when the first starts, and what they are."""

    room: Room
    cases: int
    first_start: time | None
    case_types: tuple[tuple[str, int], ...]


def rooms_that_draw(department: Department, cart: Place, day: date) -> list[RoomDay]:
    """The rooms that reach to this cart and have a list on `day`, in the order of the round."""
    by_room: dict[Room, list[Case]] = defaultdict(list)
    for case in listed_cases(department, day, rooms_that_reach(cart)):
        by_room[case.room].append(case)
    return [
        RoomDay(
            room=room,
            cases=len(cases),
            first_start=min((case.starts_at for case in cases if case.starts_at), default=None),
            case_types=tuple(Counter(case.case_type.name for case in cases).most_common()),
        )
        for room, cases in by_room.items()
    ]


def listed_cases(department: Department, day: date, room_ids: set[int]) -> list[Case]:
    """The day's cases of these rooms that are not cancelled, in the order of rooms and lists."""
    cases = Case.objects.filter(department=department, date=day, room__in=room_ids)
    return list(
        cases.exclude(status=Case.Status.CANCELLED)
        .select_related("room", "case_type", "size_class")
        .order_by("room__walk_order", "room__code", "order")
    )


def _pieces(holdings) -> dict[int, int]:
    rows = holdings.order_by().values_list("consumable").annotate(pieces=Sum("quantity"))
    return dict(rows)


def _picks(plan: Plan, cart: Place) -> tuple[dict[int, int], dict[int, int]]:
    """Of each consumable the pieces that open picks ask for, and those that were confirmed as picked: one query."""
    still_open, settled = defaultdict(int), defaultdict(int)
    picks = Pick.objects.filter(plan_line__plan=plan, plan_line__place=cart)
    rows = picks.values_list("plan_line__consumable", "quantity", "picked", "confirmed_at")
    for consumable, quantity, picked, confirmed_at in rows:
        if confirmed_at is None:
            still_open[consumable] += quantity
        else:
            settled[consumable] += picked
    return still_open, settled


def _drawer_order(line: StockingLine):
    return (*bin_order(line.bin), line.consumable.code)
