"""What each storeroom should order: up to a level at every review, or a fixed quantity at a reorder point.

Demand is pooled over the carts that a storeroom fills (restock.advising.pooled): published lists exactly, beyond them
each weekday's usual cases. Only usable stock counts, less what tonight's carts lack of their par; bundles count as the
pieces in them (restock.advising.bundled). Days are calendar days; nothing is ordered by itself.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from inventory.models import Consumable, Department, Packaging, Place, StockingLine
from restock.forecasting import demand, storeroom
from restock.learning.forecast import Frame, read_frame
from restock.learning.lead_times import on_order as pieces_on_order
from restock.learning.lead_times import policies_of
from restock.learning.tallies import read_tallies
from restock.models import OrderPolicy, Policy
from restock.plans.stock import Stock, read_stock

from .ahead import look_ahead
from .bundled import read_bundled, with_bundles
from .past import believe, least_pars, policy_of
from .pooled import cases_ahead, demand_by_days, rooms_served

COVER_CHANCE = 0.9  # stock lasts at least `low` days with this chance, and at most `high` days with the same
COVER_DAYS = 14  # days of cover are counted at least so far; what lasts longer says "or more"


@dataclass(frozen=True)
class OrderProposal:
    """One line of one storeroom. Pieces, days and chances as the names say.

    usable: loose, and in bundles that are made up. owed: what the carts it fills lack of their par tonight, bundles of
    them included. position: usable - owed + on_order. level: S, or s, and never less than what the line keeps anyway.
    reached: the service of that level, in the policy's measure (at least so much where the level was raised).
    order_packs of pieces_per_pack each, none of a bundle, which is made up. cover: days that usable - owed is likely to
    last: low, likely, high; cover_open where high means "or more".
    """

    place: Place
    consumable: Consumable
    policy: OrderPolicy
    service: float
    usable: int
    owed: int
    on_order: int
    mean_per_day: float
    level: int
    reached: float
    pieces_per_pack: int
    order_packs: int
    cover: tuple[int, int, int]
    cover_open: bool
    cover_then: tuple[int, int, int]
    cover_then_open: bool
    least: int

    @property
    def position(self) -> int:
        return self.usable - self.owed + self.on_order

    @property
    def order_pieces(self) -> int:
        return self.order_packs * self.pieces_per_pack


def advise_orders(
    department: Department, *, today: date, on_order: Mapping[tuple[int, int], int] | None = None
) -> list[OrderProposal]:
    """A proposal for every storeroom line, soonest to run out first, from the stored tallies and balances.

    on_order: pieces that are ordered and not yet there, by (storeroom, consumable); what the department's own open
    orders bring in time when left out. Lead times are those that receipts taught, unless a policy fixes them.
    """
    policy = policy_of(department)
    kept = list(
        StockingLine.objects.filter(place__department=department, place__role=Place.Role.STOREROOM)
        .select_related("place", "consumable")
        .in_drawer_order()
    )
    if not kept:
        return []
    order_policies = policies_of(kept, department, today=today)
    coming = pieces_on_order(department, order_policies, today=today) if on_order is None else on_order
    days = max(COVER_DAYS, *(one.review_days + one.longest_lead_days for one in order_policies))
    frame, tallies = read_frame(department), read_tallies(department, today)
    ahead = look_ahead(department, today=today, days=days)
    bundled = read_bundled(department, kept)
    both = [*kept, *bundled.lines]
    # The board lists consumables only: what storerooms keep is asked about like a cart's line.
    beliefs = believe(Frame(tuple(both), frame.routes, frame.setups), tallies, ahead.kinds)
    cases = cases_ahead(ahead, tuple(frame.routes.by_room))
    stock = read_stock(department, list(frame.lines), on=today + timedelta(days=1))
    usable = _usable(kept, stock) + bundled.in_pieces(_usable(bundled.lines, stock))
    owed = _owed(kept, frame, stock) + bundled.in_pieces(_owed(bundled.lines, frame, stock))
    least = least_pars(tuple(kept))
    pack = _pieces_per_pack(department, kept)
    served = rooms_served(frame, cases, both)
    demand_of = demand_by_days(beliefs, ahead, cases, kept, served[: len(kept)])
    if bundled.lines:
        of_bundles = demand_by_days(beliefs, ahead, cases, list(bundled.lines), served[len(kept) :])
        demand_of = with_bundles(demand_of, of_bundles, bundled)
    service = np.array([_service(one, line, policy) for one, line in zip(order_policies, kept, strict=True)])

    proposals = []
    for block, by_days in demand_of:
        level, reached, quantity = _levels(by_days, [order_policies[n] for n in block], service[block], pack[block])
        level = np.maximum(level, least[block])
        net = usable[block] - owed[block]
        waiting = np.array([coming.get((kept[n].place_id, kept[n].consumable_id), 0) for n in block], dtype=int)
        packs = np.array(
            [
                0
                if bundled.made_up[n]
                else _packs(order_policies[n], int(level[i]), int(net[i] + waiting[i]), int(quantity[i]), int(pack[n]))
                for i, n in enumerate(block)
            ],
            dtype=int,
        )
        cover = storeroom.days_of_cover(by_days, net, COVER_CHANCE)
        then = storeroom.days_of_cover(by_days, net + waiting + packs * pack[block], COVER_CHANCE)
        mean = demand.mean(by_days[-1]) / days
        for i, n in enumerate(block):
            line = kept[n]
            proposals.append(
                OrderProposal(
                    place=line.place,
                    consumable=line.consumable,
                    policy=order_policies[n],
                    service=float(service[n]),
                    usable=int(usable[n]),
                    owed=int(owed[n]),
                    on_order=int(waiting[i]),
                    mean_per_day=float(mean[i]),
                    level=int(level[i]),
                    reached=float(reached[i]),
                    pieces_per_pack=int(pack[n]),
                    order_packs=int(packs[i]),
                    cover=(int(cover.low[i]), int(cover.likely[i]), int(cover.high[i])),
                    cover_open=bool(cover.open_ended[i]),
                    cover_then=(int(then.low[i]), int(then.likely[i]), int(then.high[i])),
                    cover_then_open=bool(then.open_ended[i]),
                    least=int(least[n]),
                )
            )
    return sorted(proposals, key=lambda one: (one.cover, one.place.walk_order, one.consumable.code))


def _service(order_policy: OrderPolicy, line: StockingLine, policy: Policy) -> float:
    return order_policy.service or policy.service_level(line.consumable.criticality)


def _usable(kept: Sequence[StockingLine], stock: Stock) -> np.ndarray:
    return np.array(
        [sum(lot.pieces for lot in stock.in_store.get((line.place_id, line.consumable_id), ())) for line in kept],
        dtype=int,
    )


def _owed(kept: Sequence[StockingLine], frame: Frame, stock: Stock) -> np.ndarray:
    """What the carts that each storeroom fills lack of their par: (I,) pieces.

    The lack of a cart that names no storeroom falls on the first one.
    """
    lacking: dict[tuple[int, int], int] = defaultdict(int)
    first = stock.storerooms[0]
    for n, line in enumerate(frame.lines):
        store = line.place.restocked_from_id or first
        lacking[store, line.consumable_id] += max(line.par - int(stock.usable[n]), 0)
    return np.array([lacking[line.place_id, line.consumable_id] for line in kept], dtype=int)


def _pieces_per_pack(department: Department, kept: list[StockingLine]) -> np.ndarray:
    """The smallest pack of each line that holds more than a piece, one where there is none: (I,)."""
    packs = Packaging.objects.filter(department=department, pieces_per_pack__gt=1).order_by("-pieces_per_pack")
    smallest = dict(packs.values_list("consumable", "pieces_per_pack"))
    return np.array([smallest.get(line.consumable_id, 1) for line in kept], dtype=int)


def _levels(
    by_days: np.ndarray, policies: list[OrderPolicy], service: np.ndarray, pack: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Level, the service it reaches, and pieces of a fixed order (0 for order-up-to): (I,) each."""
    level, quantity = np.zeros(len(policies), dtype=int), np.zeros(len(policies), dtype=int)
    reached = np.zeros(len(policies))
    alike: dict[tuple, list[int]] = defaultdict(list)
    for i, one in enumerate(policies):
        alike[one.method, one.measure, one.review_days].append(i)
    for (method, measure, review_days), rows in alike.items():
        longest = max(policies[i].longest_lead_days for i in rows) + 1
        lead = np.array(
            [policies[i].lead_chances() + [0.0] * (longest - len(policies[i].lead_chances())) for i in rows]
        )
        target = {"alpha" if measure == OrderPolicy.Measure.ALPHA else "fill_rate": service[rows]}
        some = by_days[:, rows]
        if method == OrderPolicy.Method.ORDER_UP_TO:
            found = storeroom.order_up_to(some, lead, review_days, pack=pack[rows], **target)
        else:
            usual = np.ceil(demand.mean(some[review_days])).astype(int)
            wanted = np.array([policies[i].order_pieces or max(usual[k], 1) for k, i in enumerate(rows)])
            quantity[rows] = -(-wanted // pack[rows]) * pack[rows]
            found = storeroom.reorder_point(
                storeroom.over_random_days(some, lead), quantity[rows], issue=_issued(some[1]), **target
            )
        level[rows] = found.level
        reached[rows] = found.alpha if "alpha" in target else found.fill_rate
    return level, reached, quantity


def _issued(daily: np.ndarray) -> np.ndarray:
    """What is handed out on a day on which anything is: the storeroom is drawn on once an evening. (I, N)."""
    issue = np.pad(daily, ((0, 0), (0, max(2 - daily.shape[1], 0))))
    issue[:, 0] = 0.0
    issue[issue.sum(axis=1) == 0.0, 1] = 1.0
    return issue / issue.sum(axis=1, keepdims=True)


def _packs(policy: OrderPolicy, level: int, position: int, quantity: int, pack: int) -> int:
    """Whole packs to order now."""
    if policy.method == OrderPolicy.Method.ORDER_UP_TO:
        return int(storeroom.packs_to_order(level, position, pack))
    if position > level:
        return 0
    return -(-(level + 1 - position) // quantity) * (quantity // pack)
