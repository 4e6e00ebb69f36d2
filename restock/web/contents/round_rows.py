"""Rows of the walk and of a cart as the page shows them: what to press, what stands there, what went wrong."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from django.utils.html import format_html_join
from django.utils.safestring import SafeString

from inventory.models import Place
from restock.evening.rounds import DrawerLine, Stop
from restock.models import Pick

from ..ages import counted_words
from ..hubs import hub_swatch
from ..said_lines import LineTrouble

HIDDEN = (
    '<input type="hidden" name="pick" value="{0}"><input type="hidden" name="seen-{0}" value="{1}">'
    '<input type="hidden" name="all-{0}" value="{2}">'
)


def _new_key() -> str:
    return uuid.uuid4().hex


@dataclass(frozen=True)
class PickField:
    """The number field of one pick. seen: what stood there when the page was made. everything: what a tick says."""

    pick: Pick
    seen: int | str
    value: str
    everything: int

    @property
    def cart(self) -> str:
        """The cart as short as a split over carts wants it: the room that it stands in, or its name."""
        place = self.pick.plan_line.place
        return place.room.code if place.room else place.name

    @property
    def differs(self) -> bool:
        """Whether other pieces were taken than suggested."""
        return self.seen not in ("", self.pick.quantity)


@dataclass(frozen=True)
class StopRow:
    """One stop of the walk. is_expanded: with fields for what differs.

    count_key: makes a count that is sent twice harmless.
    """

    stop: Stop
    fields: tuple[PickField, ...]
    trouble: LineTrouble | None
    is_expanded: bool = False
    count_key: str = field(default_factory=_new_key)

    @property
    def number(self) -> int:
        """The number that the row is known by on its page."""
        return self.stop.pick.pk

    @property
    def is_open(self) -> bool:
        return self.stop.is_open

    @property
    def to_take(self) -> int:
        """Pieces of the picks that are still open."""
        return sum(one.everything for one in self.fields if one.seen == "")

    @property
    def missing(self) -> int:
        """Pieces of a settled stop that were neither taken nor said to be missing."""
        return 0 if self.is_open else sum(_missing(one.pick) for one in self.fields)

    @property
    def settled_by(self):
        """The pick that was settled last, for who and when."""
        settled = [one.pick for one in self.fields if one.pick.confirmed_at]
        return max(settled, key=lambda pick: pick.confirmed_at, default=None)

    @property
    def hidden(self) -> SafeString:
        """What every form of the row sends beside what is pressed or typed."""
        return format_html_join("", HIDDEN, ((one.pick.pk, one.seen, one.everything) for one in self.fields))

    @property
    def swatch(self) -> SafeString | str:
        return hub_swatch(self.stop.consumable)


def stop_rows(
    storerooms: Sequence[tuple[Place, Sequence[Stop]]], troubles: dict[str, LineTrouble], expanded: int
) -> list[tuple[Place, list[StopRow]]]:
    """Rows of each storeroom; `troubles` by the number of the row, `expanded` the number of one that is."""
    return [
        (storeroom, [_stop_row(stop, troubles.get(str(stop.pick.pk)), expanded) for stop in stops])
        for storeroom, stops in storerooms
    ]


def _stop_row(stop: Stop, trouble: LineTrouble | None, expanded: int) -> StopRow:
    typed = trouble.typed if trouble else {}
    fields = tuple(_pick_field(pick, typed) for pick in stop.picks)
    return StopRow(stop, fields, trouble, is_expanded=trouble is not None or stop.pick.pk == expanded)


def _pick_field(pick: Pick, typed: dict[str, str]) -> PickField:
    is_open = pick.confirmed_at is None
    stands = pick.quantity if is_open else pick.picked
    return PickField(pick, "" if is_open else pick.picked, typed.get(str(pick.pk), str(stands)), stands)


def _missing(pick: Pick) -> int:
    return max(pick.quantity - pick.picked - pick.not_found, 0)


@dataclass(frozen=True)
class DrawerRow:
    """One line of a cart. `opens_bin` where the drawer is another than that of the row above."""

    found: DrawerLine
    opens_bin: bool
    counted: str
    trouble: LineTrouble | None
    is_expanded: bool = False
    count_key: str = field(default_factory=_new_key)

    @property
    def number(self) -> int:
        return self.found.line.pk

    @property
    def is_open(self) -> bool:
        return self.found.is_open

    @property
    def is_done(self) -> bool:
        return bool(self.found.picks) and self.found.filling is not None

    @property
    def swatch(self) -> SafeString | str:
        return hub_swatch(self.found.line.consumable)


def drawer_rows(
    found: Sequence[DrawerLine], troubles: dict[str, LineTrouble], expanded: int, now: datetime
) -> list[DrawerRow]:
    """Rows of a cart; `troubles` by the number of the row, `expanded` the number of one that is."""
    rows, before = [], object()
    for one in found:
        bin_id = one.bin.pk if one.bin else None
        trouble = troubles.get(str(one.line.pk))
        rows.append(
            DrawerRow(
                found=one,
                opens_bin=bin_id != before,
                counted=counted_words(one.counted_at, now),
                trouble=trouble,
                is_expanded=trouble is not None or one.line.pk == expanded,
            )
        )
        before = bin_id
    return rows
