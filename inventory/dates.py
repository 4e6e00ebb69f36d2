"""Dates that a person read on the packs, and how long a line that is tracked by its earliest date only may be used.

"In date" on a screen is not proof: a pack may lie where the ledger does not know it. So a DateCheck, the earliest
printed date that somebody saw among the pieces of a line, goes before the lots on record: of lots that would end before
it none can be there, and their pieces are kept as pieces without a lot. From then on the date is carried forward by
what is moved in, as `earliest_date` says.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import F, Q
from django.utils.translation import gettext as _

from . import ledger
from .ledger.balances import lock
from .models import Consumable, DateCheck, Holding, Movement, Place, StockingLine


@dataclass(frozen=True, slots=True)
class Change:
    """Pieces that came since somebody looked (`expires_on` of their lot, None where it has no date) or, below zero,
    that went. counted: they are the difference of a count, where nobody knows which pieces were meant."""

    pieces: int
    expires_on: date | None = None
    counted: bool = False


@dataclass(frozen=True, slots=True)
class Earliest:
    """The earliest date that may be printed on a piece there. None: no piece, or none with a date.

    pieces: at most so many have it. seen: a person read it, rather than that it follows from the lots moved in.
    """

    expires_on: date | None
    pieces: int
    seen: bool


def earliest_date(seen_on_packs: date | None, *, pieces: int, changes: Iterable[Change] = ()) -> Earliest:
    """Carry the earliest date that a person saw forward to now.

    seen_on_packs: that date, None where no pack had one. pieces: how many were on record then, at least one where a
    date was read; all of them are taken to have it, because none has an earlier one. changes: what came and went
    since, in order.

    What expires first is taken to be used first, and pieces without a date last. Pieces that a count missed are taken
    to be those that last longest, so that the date stays to be looked for.
    """
    left: dict[tuple[date, bool], int] = defaultdict(int)  # by last day, and whether a person saw it
    left[seen_on_packs or date.max, True] = max(pieces, 1 if seen_on_packs else 0)
    for change in changes:
        if change.pieces > 0:
            left[change.expires_on or date.max, False] += change.pieces
            continue
        gone = -change.pieces
        for key in sorted(left, key=_last_day, reverse=change.counted):
            here = min(left[key], gone)
            left[key] -= here
            gone -= here
    standing = sorted((key for key, number in left.items() if number), key=_last_day)
    if not standing or standing[0][0] == date.max:
        return Earliest(None, 0, seen=bool(standing) and standing[0][1])
    day, was_seen = standing[0]
    return Earliest(day, sum(number for key, number in left.items() if key[0] == day), seen=was_seen)


def _last_day(key: tuple[date, bool]) -> tuple[date, bool]:
    return key[0], not key[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class DateRead:
    """The earliest printed date that a person saw among the pieces of a line; None where no pack had one."""

    place: Place
    consumable: Consumable
    earliest_expires_on: date | None
    key: str


def check_date(
    *, place: Place, consumable: Consumable, earliest_expires_on: date | None, by, at: datetime, key: str
) -> DateCheck:
    """Record the earliest printed date that a person saw among the pieces of a line at a place; None where no pack had
    one. Pieces recorded there of lots that end earlier, or have a date where no pack has, become pieces without a lot.

    Raises Refused for a virtual place, KeyReused for a known key with other content.
    """
    read = DateRead(place=place, consumable=consumable, earliest_expires_on=earliest_expires_on, key=key)
    return check_dates([read], by=by, at=at)[0]


@transaction.atomic
def check_dates(read: Iterable[DateRead], *, by, at: datetime) -> list[DateCheck]:
    """Record what was read of many lines as `check_date` does, all or none, in their order.

    Each line of a place at most once. The number of queries grows with them only where the database limits what one
    query may hold. Raises as `check_date` does.
    """
    read = list(read)
    for one in read:
        if one.place.is_virtual:
            raise ledger.Refused(_("%(place)s has no packs to read.") % {"place": one.place})
    departments = {one.place.department_id for one in read}
    variances = {pk: ledger.virtual_place(pk, Place.Role.COUNT_VARIANCE) for pk in departments}
    lock((one.consumable.pk, pk) for one in read for pk in (one.place.pk, variances[one.place.department_id].pk))
    known = DateCheck.objects.in_bulk([one.key for one in read], field_name="key")
    new = [one for one in read if not _is_known(one, known.get(one.key))]
    dated = defaultdict(list)
    for held in (
        Holding.objects.filter(
            place__in={one.place.pk for one in new}, consumable__in={one.consumable.pk for one in new}
        )
        .filter(quantity__gt=0, lot__expires_on__isnull=False)
        .select_related("lot")
        .order_by("lot")
    ):
        dated[held.place_id, held.consumable_id].append(held)
    entries = []
    for one in new:
        variance, earliest = variances[one.place.department_id], one.earliest_expires_on
        gone = [
            held for held in dated[one.place.pk, one.consumable.pk] if not earliest or held.lot.expires_on < earliest
        ]
        for number, held in enumerate(gone, start=1):
            told = {"kind": Movement.Kind.ADJUST, "consumable": one.consumable, "quantity": held.quantity, "at": at}
            told["reason"] = "its date was not on the packs"
            name = f"{one.key}:{number}"
            entries += [
                ledger.Entry(source=one.place, destination=variance, lot=held.lot_id, key=f"{name}:lot", **told),
                ledger.Entry(source=variance, destination=one.place, key=f"{name}:none", **told),
            ]
    ledger.record(entries, by=by)
    written = DateCheck.objects.bulk_create(
        DateCheck(
            place=one.place,
            consumable=one.consumable,
            earliest_expires_on=one.earliest_expires_on,
            by=by,
            at=at,
            key=one.key,
        )
        for one in new
    )
    known |= {check.key: check for check in written}
    return [known[one.key] for one in read]


def _is_known(read: DateRead, earlier: DateCheck | None) -> bool:
    if earlier is None:
        return False
    content = (earlier.place_id, earlier.consumable_id, earlier.earliest_expires_on)
    if content != (read.place.pk, read.consumable.pk, read.earliest_expires_on):
        raise ledger.KeyReused(read.key)
    return True


@dataclass(frozen=True, slots=True)
class LineDate:
    """A line that is tracked by its earliest date, with that date now and the newest look at its packs, if any."""

    line: StockingLine
    on_hand: int
    earliest: Earliest
    check: DateCheck | None


def line_dates(lines: Sequence[StockingLine]) -> list[LineDate]:
    """The earliest date of each of these lines, in their order: four queries.

    A line whose packs nobody ever read goes by the lots on record.
    """
    places, consumables = {line.place_id for line in lines}, {line.consumable_id for line in lines}
    here = Q(place__in=places, consumable__in=consumables)
    checks = {
        (check.place_id, check.consumable_id): check
        for check in DateCheck.objects.filter(here).select_related("by").order_by("at", "pk")
    }
    lots = defaultdict(list)
    for held in (
        Holding.objects.filter(here)
        .order_by(F("lot__expires_on").asc(nulls_last=True), "pk")
        .values_list("place_id", "consumable_id", "lot__expires_on", "quantity")
    ):
        lots[held[:2]].append(held[2:])
    changes = _changes_since({key: check.at for key, check in checks.items()})

    found = []
    for line in lines:
        key = line.place_id, line.consumable_id
        on_hand, check, since = sum(pieces for _day, pieces in lots[key]), checks.get(key), changes[key]
        if check is None:
            came = [Change(pieces, day) for day, pieces in lots[key] if pieces > 0]
            earliest = earliest_date(None, pieces=0, changes=came)
        else:
            before = on_hand - sum(change.pieces for change in since)
            earliest = earliest_date(check.earliest_expires_on, pieces=before, changes=since)
        found.append(LineDate(line, on_hand, earliest, check))
    return found


def _changes_since(since: dict[tuple[int, int], datetime]) -> dict[tuple[int, int], list[Change]]:
    """What came to and went from each (place, consumable) of primary keys after its instant, in order: two queries."""
    changes: dict[tuple[int, int], list[tuple[datetime, int, Change]]] = defaultdict(list)
    if since:
        places, consumables = {place for place, _line in since}, {line for _place, line in since}
        moved = Movement.objects.filter(consumable__in=consumables, at__gt=min(since.values()))
        for side, sign in (("destination_id", 1), ("source_id", -1)):
            rows = moved.filter(**{f"{side.removesuffix('_id')}__in": places}).values_list(
                "pk", "at", "kind", side, "consumable_id", "lot__expires_on", "quantity"
            )
            for pk, at, kind, place, consumable, expires_on, quantity in rows:
                key = place, consumable
                if key in since and at > since[key]:
                    counted = kind == Movement.Kind.ADJUST
                    changes[key].append((at, pk, Change(sign * quantity, expires_on, counted)))
    return defaultdict(list, {key: [change for *_when, change in sorted(of)] for key, of in changes.items()})
