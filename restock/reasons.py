"""The plain sentences beside the numbers. Pure: figures in, sentences of no language out."""

from __future__ import annotations

import math
from collections.abc import Sequence

from .sentences import Sentence, _, joined, ngettext

RARELY = 0.01  # of such days: a line that runs short no more often is short of its par, not of what the day needs
ROUNDING = 1e-9  # keeps 0.93 from becoming 92 of 100


def times_in(share: float) -> Sentence:
    """A share of days in words that a person can picture: 0.95 is "19 of 20", 0.995 is "199 of 200"."""
    for days in (10, 20, 50, 100, 200, 500, 1000):
        if abs(round(share * days) - share * days) < 1e-6:
            return _("%(part)s of %(days)s", part=round(share * days), days=days)
    return _("%(part)s of %(days)s", part=round(share * 100, 2), days=100)


def may_run_short(p_short: float) -> bool:
    """Whether a line runs short on more than 1 in 100 such days, rather than being below its par only."""
    return p_short > RARELY


def enough_for(p_short: float) -> Sentence:
    """On how many of such days a line lasts, rounded down: 0.034 is "enough for 96 of 100 such days"."""
    if p_short < 0.001:
        return _("enough for more than 999 of 1000 such days")
    days = 100 if p_short > RARELY else 1000
    return _("enough for %(lasts)s of %(days)s such days", lasts=math.floor((1 - p_short) * days + ROUNDING), days=days)


def how_many_short(p_shorts: Sequence[float]) -> Sentence:
    """How many of the lines that stay short may run out, and how many are merely below what they should hold."""
    risky = sum(may_run_short(p) for p in p_shorts)
    below = len(p_shorts) - risky
    first = ngettext(
        "%(n)s line may run short on more than 1 in 100 such days",
        "%(n)s lines may run short on more than 1 in 100 such days",
        n=risky,
    )
    if not risky:
        first = _("No lines may run short on more than 1 in 100 such days")
    if not below:
        return joined(first, end=".")
    rest = ngettext("%(n)s is only below what should be held", "%(n)s are only below what should be held", n=below)
    return joined(first, rest, by="; ", end=".")


def pieces(n: float) -> int | float | Sentence:
    """An average with as many digits as mean something: 5, 2.4, 0.04, "under 0.01"."""
    if n >= 10 or (abs(n - round(n)) < 0.05 and n >= 1):
        return round(n)
    if n >= 0.1:
        return round(n, 1)
    return round(n, 2) if n >= 0.01 else _("under %(least)s", least=0.01)


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
    sealed: bool = False,
) -> Sentence:
    """Why a line of a cart needs `top_up` pieces and gets `allocated`. Figures as in PlanLine.

    sealed: the cart is kept under a seal and filled to its content list, not to the day's need.
    """
    held, asked = _held(on_hand, usable), _asked(top_up, allocated)
    if sealed:
        kept = _("Kept under a seal as its content list says, %(target)s", target=target)
        opening = _("to add them the seal comes off, and the whole cart is checked before it is closed again")
        return joined(kept, held, asked, opening if top_up else None, by="; ", end=".")
    if cases == 0 and q_service < target and target in (par, floor):
        kept = _("Kept at par %(par)s", par=par) if target == par else _("Kept at no less than %(floor)s", floor=floor)
        return joined(kept, _("no listed case is likely to use it"), held, asked, by="; ", end=".")
    likely = _likely(cases, mean, q_service, service_level)
    if not has_log:
        likely = joined(likely, _("(from the set-up standard, no log yet)"), by=" ")
    if widened:
        likely = joined(likely, _("(widened: its kind ran short more often than was forecast)"), by=" ")
    return joined(likely, held, _bound(q_service, par, floor, capacity, target), asked, by="; ", end=".")


def _likely(cases: int, mean: float, q_service: int, service_level: float) -> Sentence:
    figures = {"mean": pieces(mean), "covers": q_service, "days": times_in(service_level)}
    if cases == 0:
        return _(
            "No listed case is likely to use it; unbooked cases and the room itself use %(mean)s on average, "
            "%(covers)s covers %(days)s such days",
            **figures,
        )
    return ngettext(
        "%(n)s case that day uses %(mean)s on average, %(covers)s covers %(days)s such days",
        "%(n)s cases that day use %(mean)s on average, %(covers)s covers %(days)s such days",
        n=cases,
        **figures,
    )


def _held(on_hand: int, usable: int) -> Sentence:
    if on_hand < 0:
        return _("recorded %(on_hand)s, please count", on_hand=on_hand)
    unusable = on_hand - max(usable, 0)
    if unusable > 0:
        return _(
            "%(on_hand)s on hand, %(unusable)s of them out of date or set aside", on_hand=on_hand, unusable=unusable
        )
    return _("%(on_hand)s on hand", on_hand=on_hand)


def _bound(q_service: int, par: int, floor: int, capacity: int | None, target: int) -> Sentence | None:
    """What fixed the target where it is not tomorrow's need itself."""
    if target == q_service and (capacity is None or target < capacity):
        return None
    if capacity is not None and target == capacity and max(q_service, par, floor) > capacity:
        return _("the bin holds %(capacity)s", capacity=capacity)
    if target == floor and floor > par:
        return _("never below %(floor)s", floor=floor)
    return _("par %(par)s", par=par) if target == par else None


def _asked(top_up: int, allocated: int) -> Sentence:
    if allocated < top_up and not allocated:
        return _("%(top_up)s needed, none to be had", top_up=top_up)
    if allocated < top_up:
        return _("%(top_up)s needed, %(allocated)s to be had", top_up=top_up, allocated=allocated)
    return _("%(top_up)s to add", top_up=top_up) if top_up else _("nothing to add")


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
) -> Sentence:
    """Why a line stays short.

    `in_store` and `unusable` count pieces of the line in all storerooms, `asked` what all carts need; this cart needs
    `wanted` and gets `given`.
    """
    if cause == "bin_too_small":
        return _(
            "The bin holds %(capacity)s; the day may need %(short_by)s more. "
            "Keep some beside it or raise the capacity.",
            capacity=capacity,
            short_by=short_by,
        )
    if cause == "pharmacy":
        return _("The pharmacy keeps it: ask for %(short_by)s.", short_by=short_by)
    if cause == "unusable":
        return _(
            "The storerooms hold %(unusable)s, all out of date or set aside; %(asked)s asked for in all.",
            unusable=unusable,
            asked=asked,
        )
    if cause == "storeroom_empty":
        return _("The storerooms have none; %(asked)s asked for in all.", asked=asked)
    if wanted == asked:
        return _(
            "The storerooms have %(in_store)s; this cart gets %(given)s of %(wanted)s; no other asks.",
            in_store=in_store,
            given=given,
            wanted=wanted,
        )
    return _(
        "The storerooms have %(in_store)s and %(asked)s were asked for in all; this cart gets %(given)s of %(wanted)s. "
        "Each piece goes where it prevents most.",
        in_store=in_store,
        asked=asked,
        given=given,
        wanted=wanted,
    )


def not_found(pieces: int) -> Sentence:
    """What the record promised and nobody could find."""
    return ngettext(
        "%(n)s piece on record could not be found in the storeroom.",
        "%(n)s pieces on record could not be found in the storeroom.",
        n=pieces,
    )
