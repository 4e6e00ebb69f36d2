"""The sentence beside each par that is advised. Pure: figures in, sentences of no language out."""

from __future__ import annotations

from restock.reasons import times_in
from restock.sentences import Sentence, _, joined


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
) -> Sentence:
    """Why a line should have `advised` pieces as its par.

    least: what is kept whatever the horizon says; floor: what policy keeps of it. needed: pieces that the service
    level alone asks for. p_short_now: chance that par as it is runs short on a day of the horizon.
    """
    cover = {"par": par, "advised": advised, "needed": needed, "days": times_in(service_level)}
    if capacity is not None and needed > capacity:
        bin_holds = _(
            "%(needed)s would cover %(days)s days, but the bin holds %(capacity)s", capacity=capacity, **cover
        )
        return joined(bin_holds, None if par == advised else _("fill it"), by=": ", end=".")
    if least > needed and emergency:
        return _("Kept for emergencies, which no list foretells: par stays %(par)s.", par=par)
    if least > needed and floor == least:
        kept = _("%(needed)s would cover %(days)s days, but policy keeps at least %(floor)s", floor=floor, **cover)
        return joined(kept, _compared(par, advised), by=": ", end=".")
    if least > needed:
        kept = _("%(needed)s would cover %(days)s days, but it must never be out, so one stays", **cover)
        return joined(kept, _compared(par, advised), by=": ", end=".")
    if advised > par:
        return _(
            "Par %(par)s covers only %(covered)s days; %(advised)s cover %(days)s.",
            covered=_("%(part)s of %(days)s", part=_as_exact_as_it_matters(100 * (1 - p_short_now)), days=100),
            **cover,
        )
    if advised < par:
        return _(
            "%(advised)s cover %(days)s days; par %(par)s holds %(more)s more than that.", more=par - advised, **cover
        )
    return _("Par %(par)s is the smallest that covers %(days)s days.", **cover)


def _compared(par: int, advised: int) -> Sentence | None:
    if advised == par:
        return None
    if advised < par:
        return _("%(pieces)s fewer than par", pieces=par - advised)
    return _("%(pieces)s more than par", pieces=advised - par)


def _as_exact_as_it_matters(days: float) -> float:
    """Days of 100 for a sentence: 33.7, but 99.56, where a day in a thousand counts."""
    return round(days, 2 if days > 99 else 1)
