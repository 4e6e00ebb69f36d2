"""Whatever suggests pieces to take never means a lot that has expired or is held: every such function, any stock."""

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory import bundles, ledger
from inventory.models import BundlePiece, Consumable, Holding, Place, Room
from restock.advising.dates import short_dated
from restock.advising.tonight import advise_moves
from restock.cases.fetching import nearest, pieces_carried
from restock.cases.turnovers import Step, turnover
from restock.evening.moving import lots_to_take
from restock.evening.rounds import walk
from restock.models import Case, Policy
from restock.plans.planning import draft_plan
from restock.stock_life.bundles import to_make_up
from restock.stock_life.expiry import dated_pieces
from restock.stock_life.expiry_pulling import carry_to
from restock.supervising.shortage_actions import spare_pieces
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    LotFactory,
    PolicyFactory,
    RoomFactory,
    SetupStandardFactory,
    StockingLineFactory,
    StoreroomFactory,
    UserFactory,
)

from ..pick_lists import make_line, make_pick, make_plan

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
TODAY, TOMORROW = NOON.date(), NOON.date() + timedelta(days=1)


@dataclass
class World:
    """A storeroom and two carts with lots of one line, a case today and tomorrow, a bundle of two pieces."""

    room: Room
    store: Place
    cart: Place
    other: Place
    line: Consumable
    bundle: Consumable
    case: Case
    policy: Policy
    by: object

    @property
    def department(self):
        return self.store.department


# For each place: lots by the days from today to their last day (None: no date), pieces, and whether they are held.
LOTS = st.lists(st.tuples(st.none() | st.integers(-3, 4), st.integers(1, 3), st.booleans()), max_size=4)
STOCK = st.tuples(LOTS, LOTS, LOTS)


def world_of(stock) -> World:
    room, store = RoomFactory(), StoreroomFactory()
    cart, other = CartFactory(room=room, restocked_from=store), CartFactory(restocked_from=store)
    line, bundle, by = ConsumableFactory(), ConsumableFactory(), UserFactory()
    policy = PolicyFactory(department=store.department)
    BundlePiece.objects.create(bundle=bundle, piece=line, pieces_per_bundle=2)
    StockingLineFactory(place=store, consumable=bundle, par=3)
    for place in (cart, other):
        StockingLineFactory(place=place, consumable=line, par=6)
    case_type = CaseTypeFactory(department=store.department)
    SetupStandardFactory(case_type=case_type, consumable=line, quantity=3)
    case = CaseFactory(room=room, date=TODAY, case_type=case_type)
    CaseFactory(room=room, date=TOMORROW, case_type=case_type)
    for place, lots in zip((store, cart, other), stock, strict=True):
        for days, pieces, held in lots:
            lot = LotFactory(
                consumable=line,
                expires_on=None if days is None else TODAY + timedelta(days=days),
                quarantined_at=NOON if held else None,
            )
            ledger.receive(place=place, consumable=line, quantity=pieces, lot=lot, by=by, at=NOON, key=f"got {lot.pk}")
    return World(room, store, cart, other, line, bundle, case, policy, by)


def usable(world: World, on: date) -> Counter:
    """Pieces of each (place, lot) that a person may take on that day, by the plain reading of the rule."""
    return Counter(
        {
            (held.place_id, held.lot_id): held.quantity
            for held in Holding.objects.filter(consumable=world.line, quantity__gt=0, lot__isnull=False)
            .exclude(place__role__in=Place.VIRTUAL)
            .select_related("lot")
            if held.lot.quarantined_at is None and (held.lot.expires_on is None or held.lot.expires_on >= on)
        }
    )


def of_places(pieces: dict[int, int]) -> Counter:
    """Suggestions that name a place and no lot."""
    return Counter({(place, "all lots"): number for place, number in pieces.items()})


def taken(movements) -> Counter:
    """Lots that movements took; pieces beyond the record, which have no lot, are a cart's fact and no suggestion."""
    found = Counter()
    for movement in movements:
        if movement.lot_id is not None:
            found[movement.source_id, movement.lot_id] += movement.quantity
    return found


def by_tonights_plan(world):
    draft = draft_plan(world.department, TOMORROW, policy=world.policy)
    found = Counter()
    for pick in draft.picks:
        found[pick.storeroom_id, pick.lot_id] += pick.pieces
    return found, TOMORROW


def by_other_lots_of_a_stop(world):
    line = make_line(make_plan(world.department, by=world.by), world.cart, world.line)
    make_pick(line, world.store)
    [(_store, [stop])] = walk(line.plan, [world.cart.pk])
    return Counter({(world.store.pk, other.lot.pk): other.pieces for other in stop.other_lots}), TOMORROW


def by_need_it_now(world):
    held = nearest([world.line], room=world.room, at=NOON).get(world.line.pk, [])
    first = Counter({(one.place.pk, one.take_first.pk): 1 for one in held if one.take_first})
    return of_places({one.place.pk: one.pieces for one in held}) + first, TODAY


def by_carrying(world):
    told = {"consumable": world.line, "quantity": 2, "at": NOON, "on": TODAY, "key": "carry", "reason": "fetched"}
    entries = pieces_carried(source=world.other, destination=world.cart, **told)
    return taken(ledger.record(entries, by=world.by)), TODAY


def by_bringing_back_what_lasts(world):
    told = {"consumable": world.line, "quantity": 2, "at": NOON, "on": TODAY, "key": "carry", "reason": "swapped"}
    entries = pieces_carried(source=world.other, destination=world.cart, longest_first=True, **told)
    return taken(ledger.record(entries, by=world.by)), TODAY


def by_use(world):
    ledger.use(place=world.cart, consumable=world.line, quantity=4, by=world.by, at=NOON, key="used")
    return taken(ledger.movements_of("used")), TODAY


def by_making_up(world):
    try:
        made = bundles.make_up(place=world.store, bundle=world.bundle, bundles=1, by=world.by, at=NOON, key="made")
    except bundles.PiecesLacking:
        return Counter(), TODAY
    return taken(made.movements.filter(consumable=world.line)), TODAY


def by_what_to_make_up(world):
    [row] = to_make_up(world.department, on=TODAY)
    lots = Counter({(row.place.pk, one.lot.pk): one.pieces for one in row.take})
    return of_places({row.place.pk: row.possible * 2}) + lots, TODAY


def by_the_turnover_card(world):
    [line] = turnover(world.case, last=None, at=NOON).lines(*Step)
    pieces = {one.place.pk: one.pieces for one in line.nearest} | {world.cart.pk: line.in_reach}
    return of_places(pieces), TODAY


def by_spare_pieces(world):
    line = make_line(make_plan(world.department, by=world.by), world.cart, world.line)
    return of_places({one.place.pk: one.pieces for one in spare_pieces(line)}), TOMORROW


def by_short_dated_swaps(world):
    held = short_dated(world.department, on=TOMORROW, within_days=30)
    return of_places({one.place.pk: sum(n for _, n in one.lots) + one.longer for one in held}), TOMORROW


def by_moves_worth_the_walk(world):
    advice = advise_moves(world.department, TOMORROW)
    found = Counter()
    for walks in (advice.between_carts, advice.back_to_storeroom):
        for way in walks:
            found[way.source.pk, "all lots"] += sum(move.pieces for move in way.moves)
    for line, pieces in zip(advice.draft.forecast.frame.lines, advice.draft.allocated, strict=True):
        found[line.place_id, "all lots"] -= int(pieces)  # what comes onto a cart tonight may go on from there
    return +found, TOMORROW


def by_lots_of_a_move(world):
    pairs = [(place.pk, world.line.pk) for place in (world.store, world.cart, world.other)]
    held = lots_to_take(pairs, on=TOMORROW)
    return Counter({(one.place_id, one.lot_id): one.quantity for of in held.values() for one in of}), TOMORROW


def by_the_pull_list(world):
    found = Counter()
    for row in dated_pieces(world.department, on=TODAY, within_days=30):
        if row.place == world.other:
            continue
        try:
            moved = carry_to(row, destination=world.other, pieces=row.pieces, by=world.by, at=NOON, key=row.key)
        except ledger.Refused:
            continue
        found += taken(moved)
    return found, TODAY


SUGGESTING = [value for name, value in globals().items() if name.startswith("by_")]


@pytest.mark.django_db
@pytest.mark.parametrize("suggest", SUGGESTING, ids=lambda suggest: suggest.__name__)
@settings(max_examples=12, deadline=None)
@given(stock=STOCK)
def test_no_lot_is_suggested_that_has_expired_or_is_held(suggest, stock):
    with transaction.atomic():
        world = world_of(stock)
        before = {day: usable(world, day) for day in (TODAY, TOMORROW)}

        suggested, day = suggest(world)

        may_take = Counter(before[day])
        for (place, _lot), pieces in before[day].items():
            may_take[place, "all lots"] += pieces
        assert suggested <= may_take
        transaction.set_rollback(True)
