"""The evening's decision: what each cart should hold tomorrow, what it gets, from where, and what stays short."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
from django.db import transaction
from django.db.models import Max, Min

from inventory.fefo import choose_lots
from inventory.models import Count, Department, Owner, Place, StockingLine

from ..forecasting import demand
from ..forecasting.allocation import allocate
from ..forecasting.usage import METHOD
from ..learning.forecast import DayForecast, forecast_day, listed_slots, read_frame, read_known
from ..learning.tallies import bring_forward
from ..learning.widening import planned_levels
from ..models import Case, Learning, Pick, Plan, PlanLine, Policy, Shortage, policy_of
from ..reasons import why, why_short
from ..sentences import Sentence
from .claiming import carry_over
from .out_of_reach import out_of_reach
from .stock import Stock, read_stock

PMF_DIGITS = 6


@dataclass(frozen=True)
class PickDraft:
    """Pieces of one lot of one storeroom for one line (an index into the lines)."""

    line: int
    storeroom_id: int
    lot_id: int | None
    pieces: int


@dataclass(frozen=True)
class ShortageDraft:
    line: int
    cause: str
    short_by: int
    harm: float
    reason: Sentence


@dataclass(frozen=True)
class Draft:
    """A plan before it is stored. Arrays are (L,), in the order of the frame's lines; pieces throughout.

    widened: lines whose kind failed its gate, planned above the service level asked for.
    """

    forecast: DayForecast
    stock: Stock
    service_level: np.ndarray
    widened: np.ndarray
    weight: np.ndarray
    q_service: np.ndarray
    target: np.ndarray
    top_up: np.ndarray
    allocated: np.ndarray
    picks: tuple[PickDraft, ...]
    shortages: tuple[ShortageDraft, ...]


def draft_plan(department: Department, day: date, *, policy: Policy) -> Draft:
    """Decide without writing anything, from the stored tallies and balances."""
    forecast = forecast_day(read_frame(department), read_known(department, day))
    return decide(forecast, read_stock(department, forecast.frame.lines, on=day), policy=policy)


def decide(forecast: DayForecast, stock: Stock, *, policy: Policy) -> Draft:
    """What every line should hold, gets and lacks.

    The target is the larger of par, floor and what covers the service level, within the bin. Scarce pieces go where
    they cut the weighted expected shortfall most.
    """
    lines = forecast.frame.lines
    service_level = np.array([policy.service_level(line.consumable.criticality) for line in lines])
    weight = np.array([policy.weight(line.consumable.criticality) for line in lines])
    planned_level = planned_levels(policy.department, [line.consumable.category for line in lines], service_level)
    q_service = demand.quantile(forecast.pmf, planned_level)
    target = targets(lines, q_service, policy)
    top_up = np.maximum(target - stock.usable, 0)

    consumables = sorted({line.consumable_id for line in lines})
    group = np.searchsorted(consumables, [line.consumable_id for line in lines])
    in_store = np.array([stock.store_pieces(pk) for pk in consumables], dtype=int)
    allocated = allocate(forecast.pmf, stock.usable, top_up, group, in_store, weight).given
    return Draft(
        forecast=forecast,
        stock=stock,
        service_level=service_level,
        widened=planned_level > service_level,
        weight=weight,
        q_service=q_service,
        target=target,
        top_up=top_up,
        allocated=allocated,
        picks=_picks(lines, stock, allocated, forecast.known.day),
        shortages=_shortages(forecast, stock, q_service, top_up, allocated, weight),
    )


def make_plan(*, department: Department, for_date: date, at: datetime, by=None) -> Plan:
    """Learn what is new, decide, and store the plan with what it rests on.

    A plan for the same day that was made before stays as it was; the newest counts, and who took a cart keeps it.
    The forecast takes seconds, in which others can write. What it rests on is held against the records once more before
    the stock is read, shared out and the plan stored, all in one transaction; where it changed, it is made anew.
    """
    policy = policy_of(department)
    while True:
        with transaction.atomic():
            learning = bring_forward(department=department, at=at)
            frame, known = read_frame(department), read_known(department, for_date)
        forecast = forecast_day(frame, known)
        with transaction.atomic():
            Department.objects.select_for_update(no_key=True).get(pk=department.pk)
            if _still_holds(forecast, department):
                stock = read_stock(department, frame.lines, on=for_date)
                return _store(department, decide(forecast, stock, policy=policy), learning, policy=policy, at=at, by=by)


def _still_holds(forecast: DayForecast, department: Department) -> bool:
    """Whether the day's list and the carts' par sheets are still those of the forecast: three queries."""
    fields = ("pk", "par", "floor", "capacity", "place__sealed")
    lines = StockingLine.objects.filter(place__department=department, place__role=Place.Role.CART)
    now = set(lines.order_by().values_list(*fields))
    then = {(line.pk, line.par, line.floor, line.capacity, line.place.sealed) for line in forecast.frame.lines}
    return now == then and listed_slots(department, forecast.known.day) == list(forecast.known.slots)


def _store(department: Department, draft: Draft, learning: Learning, *, policy: Policy, at: datetime, by) -> Plan:
    plan = Plan.objects.create(
        department=department,
        for_date=draft.forecast.known.day,
        made_at=at,
        by=by,
        method=METHOD,
        parameters=_parameters(policy),
        inputs=_inputs(department, draft, learning, at),
    )
    lines = PlanLine.objects.bulk_create(_plan_lines(plan, draft), batch_size=200)
    Pick.objects.bulk_create(
        [
            Pick(
                plan_line=lines[pick.line],
                storeroom_id=pick.storeroom_id,
                bin_id=draft.stock.bins.get((pick.storeroom_id, lines[pick.line].consumable_id)),
                lot_id=pick.lot_id,
                quantity=pick.pieces,
            )
            for pick in draft.picks
        ],
        batch_size=1000,
    )
    Shortage.objects.bulk_create(
        [
            Shortage(plan_line=lines[s.line], cause=s.cause, short_by=s.short_by, harm=s.harm, reason=s.reason)
            for s in draft.shortages
        ],
        batch_size=1000,
    )
    carry_over(plan, at=at)
    return plan


def targets(lines, q_service: np.ndarray, policy: Policy) -> np.ndarray:
    """Pieces that each line should hold, when `q_service` (L,) covers its service level: (L,).

    A cart under a seal is held at its content list: no seal is broken because a list is long.
    """
    par = np.array([line.par for line in lines], dtype=int)
    floor = np.array([line.floor for line in lines], dtype=int)
    most = np.array([np.iinfo(int).max if line.capacity is None else line.capacity for line in lines], dtype=int)
    sealed = np.array([line.place.sealed for line in lines], dtype=bool)
    wanted = {
        Policy.Target.GREATER_OF_BOTH: np.maximum(par, q_service),
        Policy.Target.PAR_ONLY: par,
        Policy.Target.TOMORROW_ONLY: q_service,
    }[Policy.Target(policy.target)]
    return np.minimum(np.maximum(np.where(sealed, par, wanted), floor), most)


def _picks(lines, stock: Stock, allocated: np.ndarray, day: date) -> tuple[PickDraft, ...]:
    """Lots first-expiring-first-out, from the cart's own storeroom first. Never more than is there."""
    left = {key: list(lots) for key, lots in stock.in_store.items()}
    picks = []
    for n in np.flatnonzero(allocated):
        line, missing = lines[n], int(allocated[n])
        own = line.place.restocked_from_id
        for store in sorted(stock.storerooms, key=lambda pk: pk != own):
            lots = left.get((store, line.consumable_id), [])
            choice = choose_lots(lots, needed_pieces=missing, on=day)
            taken = dict(choice.taken)
            left[store, line.consumable_id] = [lot._replace(pieces=lot.pieces - taken.get(lot.key, 0)) for lot in lots]
            picks += [PickDraft(int(n), store, lot_id, pieces) for lot_id, pieces in choice.taken]
            missing = choice.short_pieces
    return tuple(picks)


def _shortages(
    forecast: DayForecast,
    stock: Stock,
    q_service: np.ndarray,
    top_up: np.ndarray,
    allocated: np.ndarray,
    weight: np.ndarray,
) -> tuple[ShortageDraft, ...]:
    after = demand.expected_shortfall(forecast.pmf, stock.usable + allocated)
    asked = defaultdict(int)
    for n, line in enumerate(forecast.frame.lines):
        asked[line.consumable_id] += int(top_up[n])
    shortages = []
    for n, line in enumerate(forecast.frame.lines):
        short_by = int(top_up[n] - allocated[n])
        beyond_bin = 0 if line.capacity is None else int(q_service[n]) - line.capacity
        if short_by <= 0 and beyond_bin <= 0:
            continue
        in_store = stock.store_pieces(line.consumable_id)
        unusable = stock.store_unusable.get(line.consumable_id, 0)
        if short_by <= 0:
            cause, short_by = Shortage.Cause.BIN_TOO_SMALL, beyond_bin
        elif in_store:
            cause = Shortage.Cause.STOREROOM_LOW
        elif unusable:
            cause = Shortage.Cause.UNUSABLE
        elif line.consumable.owner == Owner.PHARMACY:
            cause = Shortage.Cause.PHARMACY
        else:
            cause = Shortage.Cause.STOREROOM_EMPTY
        reason = why_short(
            cause=cause,
            short_by=short_by,
            asked=asked[line.consumable_id],
            in_store=in_store,
            unusable=unusable,
            capacity=line.capacity,
            wanted=int(top_up[n]),
            given=int(allocated[n]),
        )
        shortages.append(ShortageDraft(n, cause, short_by, float(weight[n] * after[n]), reason))
    return tuple(shortages)


def _plan_lines(plan: Plan, draft: Draft) -> list[PlanLine]:
    pmf, stock = draft.forecast.pmf, draft.stock
    after = stock.usable + draft.allocated
    mean = demand.mean(pmf)
    quantiles = {tau: demand.quantile(pmf, tau) for tau in (0.5, 0.9, 0.95, 0.99)}
    p_short = demand.p_short(pmf, stock.usable), demand.p_short(pmf, after)
    shortfall = demand.expected_shortfall(pmf, stock.usable), demand.expected_shortfall(pmf, after)
    has_log = draft.forecast.usage.has_log
    rows = []
    for n, line in enumerate(draft.forecast.frame.lines):
        figures = {
            "on_hand": int(stock.on_hand[n]),
            "usable": int(stock.usable[n]),
            "par": line.par,
            "floor": line.floor,
            "capacity": line.capacity,
            "cases": int(draft.forecast.cases[n]),
            "mean": float(mean[n]),
            "q_service": int(draft.q_service[n]),
            "service_level": float(draft.service_level[n]),
            "target": int(draft.target[n]),
            "top_up": int(draft.top_up[n]),
            "allocated": int(draft.allocated[n]),
        }
        support = int(np.flatnonzero(pmf[n])[-1]) + 1
        rows.append(
            PlanLine(
                plan=plan,
                place_id=line.place_id,
                consumable_id=line.consumable_id,
                q50=int(quantiles[0.5][n]),
                q90=int(quantiles[0.9][n]),
                q95=int(quantiles[0.95][n]),
                q99=int(quantiles[0.99][n]),
                p_short_before=float(p_short[0][n]),
                p_short_after=float(p_short[1][n]),
                shortfall_before=float(shortfall[0][n]),
                shortfall_after=float(shortfall[1][n]),
                reason=why(**figures, has_log=has_log, widened=bool(draft.widened[n]), sealed=line.place.sealed),
                pmf=[round(float(p), PMF_DIGITS) for p in pmf[n, :support]],
                **figures,
            )
        )
    return rows


def _parameters(policy: Policy) -> dict:
    fields = ("target", "service_never_out", "service_routine", "weight_never_out", "half_life_days")
    return {name: getattr(policy, name) for name in fields}


def _inputs(department: Department, draft: Draft, learning: Learning, at: datetime) -> dict:
    """What was known when the plan was made, in counts and dates, and what no line of the plan can show."""
    counts = Count.objects.filter(place__department=department, place__role="cart").aggregate(
        oldest=Min("at"), newest=Max("at")
    )
    logged = Case.objects.filter(department=department, logged_at__isnull=False)
    return {
        "listed_cases": len(draft.forecast.known.slots),
        "logged_cases": logged.count(),
        "usage_records": learning.records,
        "known_until": at.isoformat(),
        "oldest_count": counts["oldest"] and counts["oldest"].isoformat(),
        "newest_count": counts["newest"] and counts["newest"].isoformat(),
        "out_of_reach": out_of_reach(draft.forecast),
    }
