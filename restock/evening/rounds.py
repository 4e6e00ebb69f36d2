"""Tonight as people walk it: the carts, one walk through the storerooms for some of them, then drawer by drawer."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from django.db.models import Count as Number
from django.db.models import F, Max, Q, QuerySet, Sum

from inventory.models import Bin, Consumable, Count, Holding, Lot, Place, StockingLine, bin_order

from ..models import Claim, Filling, Pick, Plan, PlanLine
from ..plans.claiming import claims_of
from ..workbook.contents import storeroom_rows


@dataclass(frozen=True, slots=True)
class CartTonight:
    """One cart of a plan. Lines and pieces that the storerooms give it; `put_in` lines are done.

    lines: with those of other plans for which something is on a trolley. picked: lines of which nothing is open in the
    storerooms. short: lines that stay below target. below_zero: lines whose record cannot be right.
    """

    place: Place
    lines: int
    pieces: int
    picked: int
    put_in: int
    short: int
    below_zero: int
    claim: Claim | None

    @property
    def is_done(self) -> bool:
        return self.lines == self.put_in


def carts_tonight(plan: Plan, *, day: date) -> list[CartTonight]:
    """Every cart of the plan in walking order, as it stands on `day`: five queries."""
    totals = {
        row.pop("place"): row
        for row in plan.lines.order_by()
        .values("place")
        .annotate(
            lines=Number("pk", filter=Q(allocated__gt=0)),
            pieces=Sum("allocated"),
            put_in=Number("filling"),
            short=Number("pk", filter=Q(allocated__lt=F("top_up")) | Q(shortage__not_found__gt=0)),
            below_zero=Number("pk", filter=Q(on_hand__lt=0)),
        )
    }
    still_open = dict(
        PlanLine.objects.filter(plan=plan, picks__isnull=False, picks__confirmed_at__isnull=True)
        .order_by()
        .values_list("place")
        .annotate(Number("pk", distinct=True))
    )
    of_other_plans = Pick.objects.on_trolley(plan.department_id, day=day).exclude(plan_line__plan=plan)
    for place, lines in (
        of_other_plans.order_by().values_list("plan_line__place").annotate(Number("plan_line", distinct=True))
    ):
        if place in totals:
            totals[place]["lines"] += lines
    claims = {claim.place_id: claim for claim in claims_of(plan)}
    places = Place.objects.filter(pk__in=totals).select_related("room").order_by("walk_order", "code")
    return [
        CartTonight(
            place=place,
            claim=claims.get(place.pk),
            picked=totals[place.pk]["lines"] - still_open.get(place.pk, 0),
            **totals[place.pk],
        )
        for place in places
    ]


@dataclass(frozen=True, slots=True)
class LotThere:
    """Another lot of the line in the same place, with the pieces recorded of it.

    usable: whether it may still be used on the planned day.
    """

    lot: Lot
    pieces: int
    usable: bool = True


@dataclass(frozen=True, slots=True)
class Stop:
    """One lot of one line to take from one bin, with the carts that it is for.

    in_all: the pieces in packs and loose. recorded: pieces of the line that the storeroom holds by its record.
    """

    picks: tuple[Pick, ...]
    in_all: str
    recorded: int
    other_lots: tuple[LotThere, ...]

    @property
    def pick(self) -> Pick:
        """Any of the picks: they share storeroom, bin, line and lot."""
        return self.picks[0]

    @property
    def consumable(self) -> Consumable:
        return self.pick.plan_line.consumable

    @property
    def quantity(self) -> int:
        return sum(pick.quantity for pick in self.picks)

    @property
    def is_open(self) -> bool:
        return any(pick.confirmed_at is None for pick in self.picks)

    @property
    def picked(self) -> int:
        return sum(pick.picked or 0 for pick in self.picks)

    @property
    def not_found(self) -> int:
        return sum(pick.not_found for pick in self.picks)


def walk(plan: Plan, place_ids: Iterable[int]) -> list[tuple[Place, tuple[Stop, ...]]]:
    """What to take from each storeroom for these carts, in walking order: four queries."""
    rows = storeroom_rows(plan, list(place_ids))
    held = defaultdict(list)
    holdings = Holding.objects.filter(
        place__in=[storeroom for storeroom, _ in rows],
        consumable__in={row.pick.plan_line.consumable_id for _, of in rows for row in of},
    )
    for holding in holdings.select_related("lot").order_by(F("lot__expires_on").asc(nulls_last=True), "pk"):
        held[holding.place_id, holding.consumable_id].append(holding)

    stops = []
    for storeroom, of_storeroom in rows:
        groups: list[tuple[list[Pick], str]] = []
        for row in of_storeroom:
            if row.opens_group:
                groups.append(([], row.in_all))
            groups[-1][0].append(row.pick)
        stops.append((storeroom, tuple(_stop(plan, picks, in_all, held) for picks, in_all in groups)))
    return stops


def _stop(plan: Plan, picks: list[Pick], in_all: str, held) -> Stop:
    here = held[picks[0].storeroom_id, picks[0].plan_line.consumable_id]
    others = (
        LotThere(holding.lot, holding.quantity)
        for holding in here
        if holding.quantity > 0
        and holding.lot
        and holding.lot_id != picks[0].lot_id
        and holding.lot.is_usable(on=plan.for_date)
    )
    return Stop(tuple(picks), in_all, sum(holding.quantity for holding in here), tuple(others))


@dataclass(frozen=True, slots=True)
class DrawerLine:
    """One line of a cart that gets pieces, stays short or has to be counted.

    picks: with what was picked of them. in_drawer: pieces recorded on the cart, without those on a trolley. on_trolley:
    those, for whichever plan they were picked. counted_at: the newest count of the line there. lots: what is recorded
    there by lot, first to end first, without those on a trolley. of_other_list: the line is of another plan, which this
    one took the place of or goes before, and stands here for what is on a trolley for it.
    """

    line: PlanLine
    bin: Bin | None
    picks: tuple[Pick, ...]
    filling: Filling | None
    in_drawer: int
    on_trolley: int
    counted_at: datetime | None
    lots: tuple[LotThere, ...] = ()
    of_other_list: bool = False

    @property
    def is_open(self) -> bool:
        return bool(self.picks) and self.filling is None

    @property
    def to_put_in(self) -> int:
        """What was picked, or what the plan suggests of picks that nobody has settled."""
        return sum(pick.quantity if pick.confirmed_at is None else pick.picked for pick in self.picks)

    @property
    def not_found(self) -> int:
        return sum(pick.not_found for pick in self.picks)

    @property
    def stays_short(self) -> int:
        return 0 if self.of_other_list else self.line.short_by + self.not_found

    @property
    def still_wanted(self) -> int:
        """Pieces that would fill the drawer because it holds fewer by now than the plan thought."""
        if self.of_other_list:
            return 0
        put_in, brought = (self.filling.pieces, 0) if self.filling else (0, self.to_put_in)
        own = 0 if self.filling else sum(pick.picked for pick in self.picks if pick.confirmed_at)
        of_others = max(self.on_trolley - own, 0)
        fewer = self.line.on_hand - (self.in_drawer - put_in) - of_others
        lacking = self.line.target - max(self.in_drawer, 0) - brought - of_others - self.stays_short
        return max(min(fewer, lacking), 0)


def drawers(plan: Plan, carts: Sequence[Place], *, day: date) -> dict[int, list[DrawerLine]]:
    """The lines of each cart (its primary key) that matter tonight, in the order of the hand: seven queries.

    day: the date on which somebody looks; what is on a trolley for it or later belongs to no drawer yet.
    """
    waiting = _on_trolley(plan.department_id, carts, day=day)
    picked_for = {line for there in waiting.values() for line in there.plan_lines}
    matters = Q(top_up__gt=0) | Q(on_hand__lt=0) | Q(picks__isnull=False)
    lines = PlanLine.objects.filter(Q(plan=plan) & matters | Q(pk__in=picked_for), place__in=carts)
    lines = lines.defer("pmf", "reason").distinct()
    lines = lines.select_related("consumable", "filling__by").prefetch_related("picks__lot", "picks__storeroom")
    stocked = StockingLine.objects.filter(place__in=carts).select_related("bin")
    bins = {(stocking.place_id, stocking.consumable_id): stocking.bin for stocking in stocked}
    held = _by_line(Holding.objects.filter(place__in=carts), Sum("quantity"))
    counted_at = _by_line(Count.objects.filter(place__in=carts), Max("at"))

    by_lot = defaultdict(list)
    with_lot = Holding.objects.filter(
        place__in=carts, lot__isnull=False, quantity__gt=0, consumable__in=lines.values("consumable")
    )
    for holding in with_lot.select_related("lot").order_by(F("lot__expires_on").asc(nulls_last=True), "pk"):
        by_lot[holding.place_id, holding.consumable_id].append(holding)

    found: dict[int, list[DrawerLine]] = {cart.pk: [] for cart in carts}
    for line in lines:
        where = (line.place_id, line.consumable_id)
        is_own = line.plan_id == plan.pk
        picks = tuple(pick for pick in line.picks.all() if is_own or pick.confirmed_at)
        on_trolley = waiting[where]
        found[line.place_id].append(
            DrawerLine(
                line=line,
                bin=bins.get(where),
                picks=picks,
                filling=getattr(line, "filling", None),
                in_drawer=held.get(where, 0) - on_trolley.pieces,
                on_trolley=on_trolley.pieces,
                counted_at=counted_at.get(where),
                lots=_lots_in_drawer(by_lot[where], on_trolley.by_lot, on=plan.for_date),
                of_other_list=not is_own,
            )
        )
    for of_cart in found.values():
        of_cart.sort(key=_drawer_order)
    return found


@dataclass
class _Waiting:
    """What is on a trolley for one drawer, by lot, and the lines of the plans for which it was picked."""

    by_lot: Counter[int | None] = field(default_factory=Counter)
    plan_lines: set[int] = field(default_factory=set)

    @property
    def pieces(self) -> int:
        return self.by_lot.total()


def _on_trolley(department_id: int, carts: Sequence[Place], *, day: date) -> dict[tuple[int, int], _Waiting]:
    """What is on a trolley for each (place, consumable) of these carts."""
    waiting = defaultdict(_Waiting)
    picks = Pick.objects.on_trolley(department_id, day=day).filter(plan_line__place__in=carts)
    fields = ("plan_line__place", "plan_line__consumable", "plan_line", "lot", "picked")
    for place, consumable, line, lot, picked in picks.values_list(*fields):
        there = waiting[place, consumable]
        there.by_lot[lot] += picked
        there.plan_lines.add(line)
    return waiting


def _lots_in_drawer(holdings: Iterable[Holding], brought: Counter[int | None], *, on: date) -> tuple[LotThere, ...]:
    lots = (
        LotThere(holding.lot, holding.quantity - brought[holding.lot_id], holding.lot.is_usable(on=on))
        for holding in holdings
    )
    return tuple(there for there in lots if there.pieces > 0)


def _by_line(rows: QuerySet, figure) -> dict:
    """A figure of each place and consumable."""
    told = rows.order_by().values_list("place", "consumable").annotate(figure)
    return {(place, consumable): value for place, consumable, value in told}


def _drawer_order(found: DrawerLine):
    consumable = found.line.consumable
    return (*bin_order(found.bin), consumable.section, consumable.code)
