"""From a plan line to the figures of its level bar."""

from __future__ import annotations

from collections.abc import Sequence

from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from restock.models import PlanLine

from .charts import Level, level_bar


def level_of(line: PlanLine, *, on_hand: int, usable: int, when: str = "") -> Level:
    """The line's level with `on_hand` pieces recorded, of which `usable` may be used on the plan's day.

    The bar fills to what may be used, because what is out of date covers nobody; a record below zero stays as it is.
    """
    return Level(
        on_hand=on_hand if on_hand < 0 else usable,
        likely_low=line.q50,
        likely_high=line.q_service,
        high99=max(line.q99, line.q_service),
        par=line.par,
        floor=line.floor,
        capacity=line.capacity,
        short=max(line.q_service - max(usable, 0), 0),
        when=when,
    )


def bar_as_planned(line: PlanLine, when: str = "") -> SafeString:
    """The level bar as it stood when the plan was made."""
    return bar(level_of(line, on_hand=line.on_hand, usable=line.usable, when=when))


def bar_after_restock(line: PlanLine, pieces: int, when: str = "") -> SafeString:
    """The level bar as it will stand with the `pieces` that will be there when all that can come has been carried."""
    return bar(level_of(line, on_hand=pieces, usable=pieces, when=when))


def bar(level: Level) -> SafeString:
    """Draw a level."""
    return level_bar(
        level.on_hand,
        level.likely_low,
        level.likely_high,
        level.high99,
        level.par,
        level.floor,
        level.capacity,
        level.short,
        level.when,
    )


def range_words(line: PlanLine) -> str:
    """What the day is likely to use, median to service level, as short as a table wants it."""
    if line.q50 == line.q_service:
        return str(line.q50)
    return _("%(low)d to %(high)d") % {"low": line.q50, "high": line.q_service}


def share_covered(pmf: Sequence[float], pieces: int) -> float:
    """Probability that the day uses no more than `pieces`."""
    return min(sum(pmf[: max(pieces + 1, 0)]), 1.0)
