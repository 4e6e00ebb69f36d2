"""Orders from a supplier: put together, placed, partly come, late, complete, closed.

What has come is found from receipts whose movements still stand; nothing here counts by itself. Quantities are packs
where the name says so, and pieces elsewhere.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet, Sum
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from .ledger import KeyReused
from .models import BackOrder, Consumable, Department, Order, OrderLine, Packaging, Place, Receipt

MOST_PACKS = 9999


class OrderRefused(ValueError):
    """Nothing was written; the message says to a person why. about: the field that is wrong, where it is one."""

    def __init__(self, message: str, *, about: str = "") -> None:
        super().__init__(message)
        self.about = about


class State:
    """Where an order stands. The words are ours; they are worked out, never stored."""

    DRAFT, PLACED, PARTLY, LATE, COMPLETE, CLOSED = "draft", "placed", "partly", "late", "complete", "closed"
    WORDS: Mapping[str, str] = {
        DRAFT: gettext_lazy("being put together"),
        PLACED: gettext_lazy("placed"),
        PARTLY: gettext_lazy("partly come"),
        LATE: gettext_lazy("late"),
        COMPLETE: gettext_lazy("complete"),
        CLOSED: gettext_lazy("closed"),
    }


@dataclass(frozen=True)
class Wanted:
    """So many packs of a line, and why."""

    consumable: Consumable
    packs: int
    pieces_per_pack: int
    reason: str = ""


@dataclass(frozen=True)
class OpenPart:
    """Pieces of a line that are expected together: on the day of the order, or by what the supplier said since."""

    pieces: int
    expected_on: date | None
    back_ordered: bool

    def is_late(self, today: date) -> bool:
        """Whether their day has passed, or the supplier owes them without naming one."""
        return self.expected_on is None or self.expected_on < today


@dataclass(frozen=True)
class LineStanding:
    """One order line as it stands. Pieces.

    received: by receipts that still stand. notice: the newest back-order that was not withdrawn, while any is open.
    """

    line: OrderLine
    received: int
    notice: BackOrder | None

    @property
    def open(self) -> int:
        """Pieces still to come."""
        if self.line.closed_at or not self.line.order.placed_at:
            return 0
        return max(self.line.pieces - self.received, 0)

    @property
    def over(self) -> int:
        """Pieces that came beyond what was ordered."""
        return max(self.received - self.line.pieces, 0)

    @property
    def owed(self) -> int:
        """Pieces on back-order. What comes is taken for the rest first, which nobody said would be late."""
        if self.notice is None:
            return 0
        return self.open if self.notice.pieces is None else min(self.notice.pieces, self.open)

    @property
    def parts(self) -> tuple[OpenPart, ...]:
        """The pieces still to come: those of the order as it was sent, then those on back-order."""
        parts = [OpenPart(self.open - self.owed, self.line.expected_on, back_ordered=False)]
        if self.notice:
            parts.append(OpenPart(self.owed, self.notice.expected_on, back_ordered=True))
        return tuple(part for part in parts if part.pieces)

    @property
    def expected_on(self) -> date | None:
        """When the first open pieces are expected: worked out when the order was placed, or by the notice."""
        if self.notice and self.owed == self.open:
            return self.notice.expected_on
        return self.line.expected_on

    def is_late(self, today: date) -> bool:
        """Whether any open piece is."""
        return any(part.is_late(today) for part in self.parts)


@dataclass(frozen=True)
class Coming:
    """Open pieces of an order line that are expected together, with their day, if anybody knows one."""

    storeroom_id: int
    consumable_id: int
    pieces: int
    expected_on: date | None
    late: bool
    back_ordered: bool
    order: Order


def standings(lines: QuerySet[OrderLine]) -> list[LineStanding]:
    """The lines, in their own order, with what came of them: six queries.

    Prefetched, not joined: an order of a hundred lines is made once.
    """
    return standings_of(list(lines.prefetch_related("order__storeroom", "consumable")))


def standings_of(found: Sequence[OrderLine]) -> list[LineStanding]:
    """The same of lines that were read before, with their orders: two queries."""
    ids = [line.pk for line in found]
    received = dict(
        Receipt.objects.filter(order_line__in=ids, movement__reversal__isnull=True)
        .order_by()
        .values_list("order_line")
        .annotate(pieces=Sum("movement__quantity"))
    )
    newest = {
        notice.order_line_id: notice for notice in BackOrder.objects.filter(order_line__in=ids).order_by("at", "pk")
    }
    return [
        LineStanding(
            line,
            received.get(line.pk, 0),
            notice if (notice := newest.get(line.pk)) and not notice.withdrawn else None,
        )
        for line in found
    ]


def state_of(order: Order, lines: Iterable[LineStanding], *, today: date) -> str:
    """Where an order stands, from all its lines: one of `State`."""
    lines = list(lines)
    if order.placed_at is None:
        return State.DRAFT
    if any(one.is_late(today) for one in lines):
        return State.LATE
    if any(one.open for one in lines):
        return State.PARTLY if any(one.received for one in lines) else State.PLACED
    return State.COMPLETE if all(one.received >= one.line.pieces for one in lines) else State.CLOSED


def orders_with_lines(orders: Iterable[Order]) -> dict[int, list[LineStanding]]:
    """The lines of each order by its key: six queries, however many orders there are."""
    by_order: dict[int, list[LineStanding]] = defaultdict(list)
    for one in standings(OrderLine.objects.filter(order__in=[order.pk for order in orders])):
        by_order[one.line.order_id].append(one)
    return by_order


def coming(department: Department, *, today: date) -> list[Coming]:
    """What placed orders still owe to the department's storerooms, soonest first; without a day last."""
    lines = OrderLine.objects.filter(
        order__storeroom__department=department, order__placed_at__isnull=False, closed_at__isnull=True
    )
    found = [
        Coming(
            storeroom_id=one.line.order.storeroom_id,
            consumable_id=one.line.consumable_id,
            pieces=part.pieces,
            expected_on=part.expected_on,
            late=part.is_late(today),
            back_ordered=part.back_ordered,
            order=one.line.order,
        )
        for one in standings_of(list(lines.prefetch_related("order__storeroom")))
        for part in one.parts
    ]
    return sorted(found, key=lambda one: one.expected_on or date.max)


def usual_packs(consumables: Iterable[int]) -> dict[int, int]:
    """Pieces in a pack of each consumable, by its key: the smallest pack of more than a piece, one where none is known.

    One query.
    """
    keys = list(consumables)
    packs = Packaging.objects.filter(consumable__in=keys, pieces_per_pack__gt=1).order_by("-pieces_per_pack")
    return dict.fromkeys(keys, 1) | dict(packs.values_list("consumable", "pieces_per_pack"))


def next_number(storeroom: Place) -> str:
    """A number that no order of the storeroom has yet; the department may choose another."""
    taken = set(Order.objects.filter(storeroom=storeroom).values_list("number", flat=True))
    number = len(taken) + 1
    while (name := f"{storeroom.code}-{number:03d}") in taken:
        number += 1
    return name


@transaction.atomic
def start_order(*, storeroom: Place, number: str, lines: Iterable[Wanted], by, at: datetime, note: str = "") -> Order:
    """Begin an order, which nobody has placed yet. Raises OrderRefused for a number that is taken or a wrong note."""
    order = Order(storeroom=storeroom, number=number.strip(), made_by=by, made_at=at, note=note)
    _check(order)
    order.save()
    OrderLine.objects.bulk_create(
        OrderLine(
            order=order,
            consumable=one.consumable,
            packs=one.packs,
            pieces_per_pack=one.pieces_per_pack,
            reason=one.reason,
        )
        for one in lines
        if one.packs
    )
    return order


@transaction.atomic
def set_packs(*, order: Order, packs: Mapping[int, int]) -> int:
    """Change the packs of an order's lines, by the lines' keys; none takes a line off. Returns how many changed."""
    order = _draft(order)
    changed = 0
    for line in order.lines.filter(pk__in=packs):
        asked = packs[line.pk]
        if asked == line.packs:
            continue
        if not 0 <= asked <= MOST_PACKS:
            raise OrderRefused(_("Packs are a number from 0 to %(most)d.") % {"most": MOST_PACKS})
        if asked:
            line.packs = asked
            line.save(update_fields=["packs"])
        else:
            line.delete()
        changed += 1
    return changed


@transaction.atomic
def add_line(*, order: Order, consumable: Consumable, packs: int, pieces_per_pack: int, reason: str = "") -> OrderLine:
    """Put another line on an order that was not placed yet. Raises OrderRefused for one that is on it already."""
    order = _draft(order)
    line = OrderLine(order=order, consumable=consumable, packs=packs, pieces_per_pack=pieces_per_pack, reason=reason)
    _check(line)
    line.save()
    return line


@transaction.atomic
def place_order(
    *, order: Order, by, at: datetime, number: str = "", expected: Mapping[int, date] | None = None
) -> Order:
    """Say that the order was sent to the supplier. `expected`: a day for each line, by its consumable's key.

    An order that was placed already stays as it is. Raises OrderRefused for one without lines.
    """
    order = _locked(order)
    if order.placed_at is not None:
        return order
    lines = list(order.lines.all())
    if not lines:
        raise OrderRefused(_("There is nothing on this order yet: add a line first."))
    order.number = number.strip() or order.number
    order.placed_by, order.placed_at = by, at
    _check(order)
    order.save()
    for line in lines:
        line.expected_on = (expected or {}).get(line.consumable_id)
    OrderLine.objects.bulk_update(lines, ["expected_on"])
    return order


@transaction.atomic
def drop_order(*, order: Order) -> None:
    """Throw away an order that was never placed."""
    _draft(order).delete()


@transaction.atomic
def close_lines(*, lines: Iterable[OrderLine], by, at: datetime) -> int:
    """Say that nothing more is expected of these lines. Returns how many were open."""
    ids = [line.pk for line in lines]
    still = OrderLine.objects.filter(pk__in=ids, closed_at__isnull=True, order__placed_at__isnull=False)
    return still.update(closed_at=at, closed_by=by)


@transaction.atomic
def buyer_changes(*, line: OrderLine, packs: int, by, at: datetime) -> bool:
    """Keep that the buyer ordered another number of packs than was asked for; none closes the line.

    Returns whether anything is new. Raises OrderRefused for a line of an order that was not placed, and for other packs
    of a closed line.
    """
    line = OrderLine.objects.select_for_update(of=("self",), no_key=True).select_related("order").get(pk=line.pk)
    if line.order.placed_at is None:
        raise OrderRefused(_("This order was not placed yet."))
    if not 0 <= packs <= MOST_PACKS:
        raise OrderRefused(_("Packs are a number from 0 to %(most)d.") % {"most": MOST_PACKS})
    if packs == 0:
        return bool(close_lines(lines=[line], by=by, at=at))
    if packs == line.packs:
        return False
    if line.closed_at:
        raise OrderRefused(_("Nothing of this line is open any more."), about="packs")
    line.packs_asked = line.packs_asked or line.packs
    line.packs = packs
    line.save(update_fields=["packs", "packs_asked"])
    return True


@transaction.atomic
def confirm_day(*, line: OrderLine, expected_on: date, by, at: datetime, key: str) -> bool:
    """Keep the day that the buyer confirmed instead of the one worked out. Returns whether it is another.

    It is the day of what is not on back-order. Where all that is open is, it is one more notice, so that the newest
    word counts. The same key again is the same word. Raises OrderRefused as `tell_back_order` does.
    """
    [standing] = standings(OrderLine.objects.filter(pk=line.pk))
    all_owed = bool(standing.open) and standing.owed == standing.open
    day = standing.expected_on if all_owed else standing.line.expected_on
    if day == expected_on or line.back_orders.filter(key=key, expected_on=expected_on).exists():
        return False
    _check_day(line, expected_on, at)
    if all_owed:
        tell_back_order(line=line, expected_on=expected_on, note=standing.notice.note, by=by, at=at, key=key)
        return True
    if not standing.open:
        raise OrderRefused(_("Nothing of this line is open any more."), about="expected_on")
    return bool(OrderLine.objects.filter(pk=line.pk).update(expected_on=expected_on))


def reopen_line(*, line: OrderLine) -> None:
    """Take a closing back: what has not come is expected again."""
    OrderLine.objects.filter(pk=line.pk).update(closed_at=None, closed_by=None)


@transaction.atomic
def tell_back_order(
    *,
    line: OrderLine,
    by,
    at: datetime,
    key: str,
    expected_on: date | None = None,
    pieces: int | None = None,
    note: str = "",
    withdrawn: bool = False,
) -> BackOrder:
    """Keep what the supplier said about a line that is late; the newest notice counts, and `withdrawn` ends it.

    pieces: how many of those still to come it is about; all of them if None. The same key again is the same notice.
    Raises OrderRefused for a line of which nothing is open, for more pieces than are, for a day that has passed, and
    for a known key with other content.
    """
    known = BackOrder.objects.filter(key=key).first()
    if known is not None:
        before = (known.order_line_id, known.expected_on, known.pieces, known.note, known.withdrawn)
        if before != (line.pk, expected_on, pieces, note, withdrawn):
            raise OrderRefused(str(KeyReused(key)))
        return known
    [standing] = standings(OrderLine.objects.filter(pk=line.pk))
    if not standing.open:
        raise OrderRefused(_("Nothing of this line is open any more."))
    if expected_on:
        _check_day(line, expected_on, at)
    if pieces and pieces > standing.open:
        words = ngettext(
            "Only %(open)d piece of this line is still to come.",
            "Only %(open)d pieces of this line are still to come.",
            standing.open,
        )
        raise OrderRefused(words % {"open": standing.open}, about="pieces")
    notice = BackOrder(
        order_line=line, expected_on=expected_on, pieces=pieces, note=note, withdrawn=withdrawn, by=by, at=at, key=key
    )
    _check(notice)
    notice.save()
    return notice


def _check_day(line: OrderLine, expected_on: date, at: datetime) -> None:
    if expected_on < line.order.storeroom.department.local_date(at):
        raise OrderRefused(_("This day has passed: choose today or a later day."), about="expected_on")


def _locked(order: Order) -> Order:
    return Order.objects.select_for_update(no_key=True).get(pk=order.pk)


def _draft(order: Order) -> Order:
    order = _locked(order)
    if order.placed_at is not None:
        raise OrderRefused(_("This order was placed: what it asks for stays as it was sent. Order the rest anew."))
    return order


def _check(row: Order | OrderLine | BackOrder) -> None:
    try:
        row.full_clean()
    except ValidationError as error:
        raise OrderRefused(" ".join(error.messages)) from None
