"""The seal book of carts that stay closed until they are needed: what people did and saw, never what follows from it.

No cart is ever declared fit for use here. A cart that was opened asks for a full check, every line of its par sheet
counted and its dates read by one named person, before that person closes it under a new number.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from . import ledger
from .dates import DateRead, check_dates
from .models import Consumable, Count, DateCheck, Department, Holding, Owner, Place, SealEvent, StockingLine

Kind = SealEvent.Kind


@dataclass(frozen=True, slots=True)
class Standing:
    """How a cart's seal stands by the seal book.

    is_closed: the last thing that happened to it was a check and a new seal. closing: that event, of the last closing
    even where it was opened since; None for a cart never closed here. since: the event by which it is open or closed.
    seen: the last time somebody looked and found the seal intact, since the closing.
    """

    place: Place
    is_closed: bool
    closing: SealEvent | None = None
    since: SealEvent | None = None
    seen: SealEvent | None = None

    @property
    def number(self) -> str:
        """The number of the seal that is on, empty for an open cart."""
        return self.closing.seal_on if self.is_closed and self.closing else ""

    @property
    def other_seal_off(self) -> str:
        """The number of a seal that came off although another one was put on, empty where nobody read it."""
        off = self.since.seal_off if self.since and not self.is_closed else ""
        return off if self.closing and off != self.closing.seal_on else ""

    def is_out_of_date(self, *, on: date) -> bool:
        """Whether the date on its outside has passed. Usable through the end of that day."""
        earliest = self.closing.earliest_expires_on if self.is_closed and self.closing else None
        return earliest is not None and earliest < on

    def was_seen(self, *, on: date) -> bool:
        """Whether somebody has looked on that day, closing it included."""
        looked = self.seen or (self.closing if self.is_closed else None)
        return looked is not None and self.place.department.local_date(looked.at) == on


@dataclass(frozen=True, slots=True)
class LineCheck:
    """One line of an opened cart, and what somebody checked of it since it was opened, None where nobody has.

    counted: None for a line of the pharmacy's, of which only presence and date are checked. by: who checked it last.
    """

    line: StockingLine
    recorded: int
    counted: int | None
    present: bool | None
    earliest_expires_on: date | None
    at: datetime | None
    by: object | None

    @property
    def is_checked(self) -> bool:
        return self.at is not None

    @property
    def presence_only(self) -> bool:
        return self.line.consumable.owner == Owner.PHARMACY


class Unclear:
    """What does not fit together in the check of a line."""

    NOT_SEEN, DATE_OF_NONE, DATE_AND_UNDATED, NO_DATE = "not_seen", "date_of_none", "date_and_undated", "no_date"


def unclear(*, seen: int | bool | None, earliest: date | None, undated: bool) -> str:
    """What a person has to mend in the check of a line, one of `Unclear`; empty where all fits together.

    seen: the pieces counted, or whether a line of the pharmacy's is there. undated: no piece has a date printed.
    """
    if seen is None:
        return Unclear.NOT_SEEN
    if earliest and not seen:
        return Unclear.DATE_OF_NONE
    if earliest and undated:
        return Unclear.DATE_AND_UNDATED
    if seen and not earliest and not undated:
        return Unclear.NO_DATE
    return ""


@transaction.atomic
def open_cart(*, place: Place, by, at: datetime, key: str, seal_off: str = "", note: str = "") -> SealEvent:
    """Record that somebody broke the seal to take from the cart or to check it. A fact: never refused for its state.

    Raises Refused for a cart that is not kept under a seal, ValidationError, KeyReused.
    """
    return _write(_locked(place), Kind.OPENED, seal_off=seal_off, note=note, by=by, at=at, key=key)


@transaction.atomic
def found_broken(*, place: Place, by, at: datetime, key: str, seal_off: str = "", note: str = "") -> SealEvent:
    """Record that the seal was found broken or missing: the cart asks for a full check. Raises as `open_cart`."""
    return _write(_locked(place), Kind.BROKEN, seal_off=seal_off, note=note, by=by, at=at, key=key)


@transaction.atomic
def seen_intact(*, place: Place, by, at: datetime, key: str) -> SealEvent:
    """Record that a person saw the seal intact and the date on the outside not passed.

    Raises Refused for an open cart, and where the date written outside has passed: then it has to be opened.
    """
    place = _locked(place)
    standing = standing_of(place)
    known = SealEvent.objects.filter(key=key).exists()
    if not known and not standing.is_closed:
        raise ledger.Refused(_("%(cart)s is not under a seal by the seal book: check and close it.") % {"cart": place})
    if not known and standing.is_out_of_date(on=place.department.local_date(at)):
        raise ledger.Refused(
            _("The date on the outside of %(cart)s has passed: open it, change what expired, check it and close it.")
            % {"cart": place}
        )
    return _write(place, Kind.INTACT, by=by, at=at, key=key)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSeen:
    """What a person saw of one line of an opened cart: how many, and the earliest date printed on them.

    counted, present: of a line of the pharmacy's presence only, of any other the number. earliest_expires_on: None
    says that no piece carries a date, or that none was there.
    """

    consumable: Consumable
    key: str
    counted: int | None = None
    present: bool | None = None
    earliest_expires_on: date | None = None


@transaction.atomic
def check_lines(*, place: Place, seen: Iterable[LineSeen], by, at: datetime) -> list[DateCheck]:
    """Record what a person saw of lines of an opened cart, each at most once, all or none.

    A line of the pharmacy's is checked for presence and date only. What is seen is a count and a date check like any
    other: the record follows. The number of queries does not grow with the lines.

    Raises Refused where the cart is closed, and where the number or the presence was not told.
    """
    place, seen = _locked(place), list(seen)
    if standing_of(place).is_closed:
        raise ledger.Refused(_("%(cart)s is closed under a seal: open it first.") % {"cart": place})
    counted = [
        ledger.Counted(place=place, consumable=one.consumable, pieces=pieces, key=one.key)
        for one in seen
        if (pieces := _pieces_seen(one)) is not None
    ]
    ledger.count_all(counted, by=by, at=at)
    return check_dates(
        [
            DateRead(place=place, consumable=one.consumable, earliest_expires_on=one.earliest_expires_on, key=one.key)
            for one in seen
        ],
        by=by,
        at=at,
    )


def _pieces_seen(seen: LineSeen) -> int | None:
    """What was counted; None where the pharmacy's pieces are there, of which nobody asks how many."""
    if seen.consumable.owner == Owner.PHARMACY:
        if seen.present is None:
            raise ledger.Refused(_("Say whether %(line)s is there.") % {"line": seen.consumable.label})
        return None if seen.present else 0
    if seen.counted is None:
        raise ledger.Refused(_("Count %(line)s: 0 where there is none.") % {"line": seen.consumable.label})
    return seen.counted


@transaction.atomic
def close_cart(
    *, place: Place, seal_on: str, earliest_expires_on: date | None, by, at: datetime, key: str, note: str = ""
) -> SealEvent:
    """Record that `by` checked the whole cart and closed it under the seal `seal_on`.

    earliest_expires_on: what that person wrote on the outside; None where nothing inside carries a date. Every line of
    the par sheet has to be checked since the cart was opened, by this same person.

    Raises Refused where lines are unchecked, a date inside is earlier than the one told, the cart is closed, or that
    seal was on it before;
    ValidationError, KeyReused.
    """
    place = _locked(place)
    if not SealEvent.objects.filter(key=key).exists():
        if standing_of(place).is_closed:
            raise ledger.Refused(_("%(cart)s is closed already.") % {"cart": place})
        if SealEvent.objects.filter(place=place, kind=Kind.CLOSED, seal_on=seal_on.strip()).exists():
            raise ledger.Refused(
                _("Seal %(number)s was on this cart before, and a seal that came off closes nothing: read the new one.")
                % {"number": seal_on.strip()}
            )
        checks = line_checks(place)
        unchecked = [check for check in checks if not check.is_checked or check.by != by]
        if unchecked:
            raise ledger.Refused(
                ngettext(
                    "%(n)d line is not checked by you since it was opened: %(first)s.",
                    "%(n)d lines are not checked by you since it was opened, first %(first)s.",
                    len(unchecked),
                )
                % {"n": len(unchecked), "first": unchecked[0].line.consumable.label}
            )
        earliest = earliest_inside(checks)
        if earliest is not None and (earliest_expires_on is None or earliest_expires_on > earliest):
            raise ledger.Refused(
                _("You read an earlier date inside than the one for the outside: write the earliest on the cart.")
            )
    return _write(
        place, Kind.CLOSED, seal_on=seal_on, earliest_expires_on=earliest_expires_on, note=note, by=by, at=at, key=key
    )


def keep_sealed(place: Place, *, sealed: bool) -> None:
    """Set up whether a cart is kept under a seal. Its seal book stays. Raises Refused for what is no cart."""
    if place.role != Place.Role.CART:
        raise ledger.Refused(_("Only a cart is kept under a seal."))
    place.sealed = sealed
    place.save(update_fields=["sealed"])


def earliest_inside(checks: Iterable[LineCheck]) -> date | None:
    """The earliest date that was read in the check: a suggestion for the outside, which a person writes."""
    return min((c.earliest_expires_on for c in checks if c.earliest_expires_on is not None), default=None)


def standing_of(place: Place) -> Standing:
    """How one cart's seal stands."""
    return standings([place])[place.pk]


def standings(places: Iterable[Place]) -> dict[int, Standing]:
    """How the seals of some carts stand, by primary key: one query."""
    places = list(places)
    events: dict[int, list[SealEvent]] = defaultdict(list)
    for event in SealEvent.objects.filter(place__in=places).select_related("by").order_by("at", "pk"):
        events[event.place_id].append(event)
    return {place.pk: _standing(place, events[place.pk]) for place in places}


def sealed_carts(department: Department) -> list[Standing]:
    """Every cart that is kept under a seal, in walking order: two queries."""
    places = list(Place.objects.filter(department=department, sealed=True).select_related("department", "room"))
    known = standings(places)
    return [known[place.pk] for place in places]


def line_checks(place: Place) -> list[LineCheck]:
    """Every line of a cart's par sheet in the order of its drawers, with what was checked since it was opened.

    For a cart never closed here every check counts. Five queries, however many lines.
    """
    standing = standing_of(place)
    opened_at = standing.since.at if standing.since and not standing.is_closed else None
    lines = list(place.stocking_lines.in_drawer_order().select_related("consumable", "bin"))
    recorded: dict[int, int] = defaultdict(int)
    for consumable, pieces in Holding.objects.filter(place=place).values_list("consumable_id", "quantity"):
        recorded[consumable] += pieces
    dates = DateCheck.objects.filter(place=place).select_related("by").order_by("at", "pk")
    if opened_at is not None:
        dates = dates.filter(at__gte=opened_at)
    read = {check.consumable_id: check for check in dates}
    # A check of a line writes its date and its count under one key: a count made for another reason is no check.
    counted = dict(
        Count.objects.filter(place=place, key__in=[d.key for d in read.values()]).values_list("key", "counted")
    )
    if standing.is_closed:
        read = {}
    return [_line_check(line, recorded[line.consumable_id], read.get(line.consumable_id), counted) for line in lines]


def _line_check(line: StockingLine, recorded: int, read: DateCheck | None, counted: dict[str, int]) -> LineCheck:
    pharmacy = line.consumable.owner == Owner.PHARMACY
    pieces = counted.get(read.key) if read else None
    done = read is not None and (pharmacy or pieces is not None)
    return LineCheck(
        line=line,
        recorded=recorded,
        counted=pieces if done and not pharmacy else None,
        present=pieces != 0 if done and pharmacy else None,
        earliest_expires_on=read.earliest_expires_on if done else None,
        at=read.at if done else None,
        by=read.by if done else None,
    )


def _standing(place: Place, events: list[SealEvent]) -> Standing:
    closing = since = seen = None
    for event in events:
        if event.kind == Kind.INTACT:
            seen = event
            continue
        since, seen = event, None
        if event.kind == Kind.CLOSED:
            closing = event
    is_closed = since is not None and since.kind == Kind.CLOSED
    return Standing(place, is_closed, closing, since, seen)


def _locked(place: Place) -> Place:
    """The cart as the lock of its seal book: whoever writes another line of it at the same time waits."""
    return Place.objects.select_for_update(of=("self",), no_key=True).select_related("department").get(pk=place.pk)


def _write(place: Place, kind: Kind, *, by, at: datetime, key: str, **told) -> SealEvent:
    if not place.sealed:
        raise ledger.Refused(_("%(cart)s is not kept under a seal: a supervisor sets that up.") % {"cart": place})
    earlier = SealEvent.objects.filter(key=key).first()
    if earlier is not None:
        if (earlier.place_id, earlier.kind, earlier.seal_on) != (place.pk, kind, told.get("seal_on", "").strip()):
            raise ledger.KeyReused(key)
        return earlier
    words = {name: value.strip() if isinstance(value, str) else value for name, value in told.items()}
    event = SealEvent(place=place, kind=kind, by=by, at=at, key=key, **words)
    event.full_clean()
    event.save()
    return event
