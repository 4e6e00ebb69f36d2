"""The sentence beside each par that is advised. Pure: figures in, words out."""

from __future__ import annotations

from restock.reasons import times_in


def why_par(
    *,
    par: int,
    advised: int,
    needed: int,
    least: int,
    floor: int,
    emergency: bool,
    capacity: int | None,
    service_level: float,
    p_short_now: float,
) -> str:
    """Why a line should have `advised` pieces as its par.

    least: what is kept whatever the horizon says; floor: what policy keeps of it. needed: pieces that the service
    level alone asks for. p_short_now: chance that par as it is runs short on a day of the horizon.
    """
    wanted = times_in(service_level)
    if capacity is not None and needed > capacity:
        return f"{needed} would cover {wanted} days, but the bin holds {capacity}{_full(par, advised)}."
    if least > needed and emergency:
        return f"Kept for emergencies, which no list foretells: par stays {par}."
    if least > needed:
        kept = f"policy keeps at least {floor}" if floor == least else "it must never be out, so one stays"
        return f"{needed} would cover {wanted} days, but {kept}{_compared(par, advised)}."
    if advised > par:
        return f"Par {par} covers only {_covered(p_short_now)} days; {advised} cover {wanted}."
    if advised < par:
        return f"{advised} cover {wanted} days; par {par} holds {par - advised} more than that."
    return f"Par {par} is the smallest that covers {wanted} days."


def _full(par: int, advised: int) -> str:
    return "" if par == advised else ": fill it"


def _compared(par: int, advised: int) -> str:
    if advised == par:
        return ""
    return f": {par - advised} fewer than par" if advised < par else f": {advised - par} more than par"


def _covered(p_short: float) -> str:
    return f"{100 * (1 - p_short):.4g} of 100"
