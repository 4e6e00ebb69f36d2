"""Rows of what ends soon as the pages show them: when in words, what to press, how much is likely to be wasted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import groupby
from uuid import uuid4

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from inventory.models import CountTask, Department, Movement, Place, StockingLine
from restock.stock_life.expiry import Dated
from restock.stock_life.expiry_pulling import Pulled
from restock.supervising.expiry_waste import ExpectedWaste


@dataclass(frozen=True)
class PullRow:
    """One row of the pull list. elsewhere: places that keep the line too. opened: all of its fields are shown."""

    dated: Dated
    when: str
    has_ended: bool
    opens_bin: bool
    opened: bool
    is_bundle: bool
    elsewhere: Sequence[Place]
    new_key: str = field(default_factory=lambda: uuid4().hex)


@dataclass(frozen=True)
class PulledRow:
    """An act of today. was_short: a lot of the line is on record below zero there. not_there: pieces of it were looked
    for in vain and nobody has counted since. task: where its count stands on a round that runs.
    """

    act: Pulled
    was_short: bool
    not_there: bool
    task: CountTask | None
    new_key: str = field(default_factory=lambda: uuid4().hex)

    @property
    def said(self) -> str:
        words = {"pieces": self.act.pieces, "place": self.act.destination}
        if self.act.kind == Movement.Kind.MOVE:
            return _("%(pieces)d carried to %(place)s") % words
        if self.act.kind == Movement.Kind.DISCARD:
            return _("%(pieces)d thrown away") % words
        return _("%(pieces)d not there") % words

    @property
    def asks_for_count(self) -> bool:
        """Whether the record was wrong and nobody has counted since."""
        return self.was_short or (self.not_there and self.act.kind == Movement.Kind.ADJUST)


@dataclass(frozen=True)
class WasteRow:
    """One row of the expiry page. expected: pieces likely to be wasted, None where that is not worked out."""

    dated: Dated
    when: str
    has_ended: bool
    expected: float | None
    better: Place | None


def when_words(expires_on: date, on: date) -> str:
    """How far off a last day is."""
    days = (expires_on - on).days
    if days < 0:
        return ngettext("ended %(days)d day ago", "ended %(days)d days ago", -days) % {"days": -days}
    if days == 0:
        return _("ends today")
    return ngettext("ends in %(days)d day", "ends in %(days)d days", days) % {"days": days}


def pull_rows(
    rows: Sequence[Dated],
    elsewhere: Mapping[tuple[int, int], Sequence[Place]],
    bundles: Container[int],
    *,
    on: date,
    opened: str = "",
) -> list[tuple[Place, list[PullRow]]]:
    """The rows by place, in walking order.

    bundles: lines that are bundles, by primary key. opened: the key of the row whose fields are shown.
    """
    by_place = []
    for place, of_place in groupby(rows, key=lambda one: one.place):
        found, last_bin = [], object()
        for one in of_place:
            found.append(
                PullRow(
                    dated=one,
                    when=when_words(one.expires_on, on),
                    has_ended=one.has_ended(on),
                    opens_bin=one.bin != last_bin,
                    opened=one.key == opened,
                    is_bundle=one.consumable.pk in bundles,
                    elsewhere=elsewhere.get((one.place.pk, one.consumable.pk), ()),
                )
            )
            last_bin = one.bin
        by_place.append((place, found))
    return by_place


def destinations(department: Department, rows: Sequence[Dated]) -> dict[tuple[int, int], list[Place]]:
    """For each (place, consumable) of the rows the other places that keep the line, in walking order: one query."""
    lines = StockingLine.objects.filter(
        place__department=department, consumable__in={one.consumable.pk for one in rows}
    ).select_related("place")
    keeping: dict[int, list[Place]] = defaultdict(list)
    for line in lines.order_by("place__walk_order", "place__code"):
        keeping[line.consumable_id].append(line.place)
    return {
        (one.place.pk, one.consumable.pk): [place for place in keeping[one.consumable.pk] if place != one.place]
        for one in rows
    }


def waste_rows(rows: Sequence[Dated], waste: ExpectedWaste | None, *, on: date) -> list[WasteRow]:
    """Most expected waste first; where it was not worked out, what ends first."""
    found = [
        WasteRow(
            dated=one,
            when=when_words(one.expires_on, on),
            has_ended=one.has_ended(on),
            expected=waste.of(one) if waste else None,
            better=waste.better_place(one) if waste and not one.has_ended(on) else None,
        )
        for one in rows
    ]
    return sorted(found, key=lambda row: (-(row.expected or 0.0), row.dated.expires_on, row.dated.place.walk_order))
