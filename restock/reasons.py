"""The plain sentences beside the numbers. Pure: figures in, words out."""

from __future__ import annotations

import math
from collections.abc import Sequence

RARELY = 0.01  # of such days: a line that runs short no more often is short of its par, not of what the day needs
ROUNDING = 1e-9  # keeps 0.93 from becoming 92 of 100


def times_in(share: float) -> str:
    """A share of days in words that a person can picture: 0.95 is "19 of 20", 0.995 is "199 of 200"."""
    for days in (10, 20, 50, 100, 200, 500, 1000):
        if abs(round(share * days) - share * days) < 1e-6:
            return f"{round(share * days)} of {days}"
    return f"{share * 100:.2f} of 100"


def may_run_short(p_short: float) -> bool:
    """Whether a line runs short on more than 1 in 100 such days, rather than being below its par only."""
    return p_short > RARELY


def enough_for(p_short: float) -> str:
    """On how many of such days a line lasts, rounded down: 0.034 is "enough for 96 of 100 such days"."""
    if p_short > RARELY:
        return f"enough for {math.floor((1 - p_short) * 100 + ROUNDING)} of 100 such days"
    if p_short >= 0.001:
        return f"enough for {math.floor((1 - p_short) * 1000 + ROUNDING)} of 1000 such days"
    return "enough for more than 999 of 1000 such days"


def how_many_short(p_shorts: Sequence[float]) -> str:
    """How many of the lines that stay short may run out, and how many are merely below what they should hold."""
    risky = sum(may_run_short(p) for p in p_shorts)
    below = len(p_shorts) - risky
    first = f"{risky or 'No'} line{'' if risky == 1 else 's'} may run short on more than 1 in 100 such days"
    if not below:
        return f"{first}."
    return f"{first}; {below} {'is' if below == 1 else 'are'} only below what should be held."


def pieces(n: float) -> str:
    """An average with as many digits as mean something: "5", "2.4", "0.04", "under 0.01"."""
    if n >= 10 or (abs(n - round(n)) < 0.05 and n >= 1):
        return f"{n:.0f}"
    if n >= 0.1:
        return f"{n:.1f}"
    return f"{n:.2f}" if n >= 0.01 else "under 0.01"


def why(
    *,
    cases: int,
    mean: float,
    q_service: int,
    service_level: float,
    on_hand: int,
    usable: int,
    par: int,
    floor: int,
    capacity: int | None,
    target: int,
    top_up: int,
    allocated: int,
    has_log: bool,
    widened: bool,
) -> str:
    """Why a line of a cart needs `top_up` pieces and gets `allocated`. Figures as in PlanLine."""
    if cases == 0 and q_service < target and target in (par, floor):
        kept = f"Kept at par {par}" if target == par else f"Kept at no less than {floor}"
        asked = _asked(top_up, allocated)
        return f"{kept}; no listed case is likely to use it; {_held(on_hand, usable)}; {asked}."
    likely = f"{_cases(cases)} {pieces(mean)} on average, {q_service} covers {times_in(service_level)} such days"
    if not has_log:
        likely += " (from the set-up standard, no log yet)"
    if widened:
        likely += " (widened: its kind ran short more often than was forecast)"
    limits = _bound(q_service, par, floor, capacity, target)
    return f"{likely}; {_held(on_hand, usable)}{limits}; {_asked(top_up, allocated)}."


def _cases(cases: int) -> str:
    if cases == 0:
        return "No listed case is likely to use it; unbooked cases and the room itself use"
    return f"{cases} {'case' if cases == 1 else 'cases'} tomorrow {'uses' if cases == 1 else 'use'}"


def _held(on_hand: int, usable: int) -> str:
    if on_hand < 0:
        return f"recorded {on_hand}, please count"
    unusable = on_hand - max(usable, 0)
    return f"{on_hand} on hand" + (f", {unusable} of them out of date or set aside" if unusable > 0 else "")


def _bound(q_service: int, par: int, floor: int, capacity: int | None, target: int) -> str:
    """What fixed the target where it is not tomorrow's need itself."""
    if target == q_service and (capacity is None or target < capacity):
        return ""
    if capacity is not None and target == capacity and max(q_service, par, floor) > capacity:
        return f"; the bin holds {capacity}"
    if target == floor and floor > par:
        return f"; never below {floor}"
    return f"; par {par}" if target == par else ""


def _asked(top_up: int, allocated: int) -> str:
    if allocated < top_up:
        return f"{top_up} needed, {allocated or 'none'} to be had"
    return f"{top_up} to add" if top_up else "nothing to add"


def why_short(
    *,
    cause: str,
    short_by: int,
    asked: int,
    in_store: int,
    unusable: int,
    capacity: int | None,
    wanted: int,
    given: int,
) -> str:
    """Why a line stays short.

    `in_store` and `unusable` count pieces of the line in all storerooms, `asked` what all carts need; this cart needs
    `wanted` and gets `given`.
    """
    if cause == "bin_too_small":
        return f"The bin holds {capacity}; the day may need {short_by} more. Keep some beside it or raise the capacity."
    if cause == "pharmacy":
        return f"The pharmacy keeps it: ask for {short_by}."
    if cause == "unusable":
        return f"The storerooms hold {unusable}, all out of date or set aside; {asked} asked for in all."
    if cause == "storeroom_empty":
        return f"The storerooms have none; {asked} asked for in all."
    if wanted == asked:
        return f"The storerooms have {in_store}; this cart gets {given} of {wanted}; no other asks."
    return (
        f"The storerooms have {in_store} and {asked} were asked for in all; this cart gets {given} of {wanted}. "
        "Each piece goes where it prevents most."
    )
