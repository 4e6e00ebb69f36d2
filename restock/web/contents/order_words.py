"""Orders as the pages show them: the state in words, what came, and when the rest is expected."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from inventory.models import Order, OrderLine
from inventory.orders import Coming, LineStanding, State, orders_with_lines, state_of
from restock.sentences import from_json

# How loudly a state speaks: by outline and pattern, never by colour.
STATE_CLASSES = {State.LATE: "state-short", State.PARTLY: "state-watch", State.DRAFT: "state-watch"}


@dataclass(frozen=True)
class OrderRow:
    """One order of a list. Pieces, and the first day on which something of it is expected."""

    order: Order
    state: str
    lines: int
    ordered_pieces: int
    received_pieces: int
    open_pieces: int
    expected_on: date | None

    @property
    def state_words(self) -> str:
        return State.WORDS[self.state]

    @property
    def state_class(self) -> str:
        return STATE_CLASSES.get(self.state, "")


def order_rows(orders: Iterable[Order], *, today: date) -> list[OrderRow]:
    """The rows of these orders: three queries."""
    orders = list(orders)
    lines = orders_with_lines(orders)
    return [_row(order, lines.get(order.pk, []), today) for order in orders]


def _row(order: Order, lines: list[LineStanding], today: date) -> OrderRow:
    return OrderRow(
        order=order,
        state=state_of(order, lines, today=today),
        lines=len(lines),
        ordered_pieces=sum(one.line.pieces for one in lines),
        received_pieces=sum(one.received for one in lines),
        open_pieces=sum(one.open for one in lines),
        expected_on=min((part.expected_on for one in lines for part in one.parts if part.expected_on), default=None),
    )


def expected_words(expected_on: date | None, *, late: bool) -> str:
    """When something is expected: "Thu 27 Nov 2026", "late, was expected Thu 27 Nov 2026", "no day known"."""
    if expected_on is None:
        return _("no day known")
    day = date_format(expected_on, _("D j M Y"))
    return _("late, was expected %(day)s") % {"day": day} if late else day


def coming_words(due: Coming) -> str:
    """An open order in a few words: "20, Thu 27 Nov 2026"."""
    words = _("%(pieces)d, %(when)s")
    return words % {"pieces": due.pieces, "when": expected_words(due.expected_on, late=due.late)}


@dataclass(frozen=True)
class OrderLineRow:
    """One line of an order's page, with its words. reason: why so many, in the reader's language."""

    standing: LineStanding
    late: bool
    expected: str
    reason: str

    @property
    def line(self) -> OrderLine:
        return self.standing.line


def line_rows(lines: Iterable[LineStanding], *, today: date) -> list[OrderLineRow]:
    """The rows of an order's page. Lines that were asked for by hand have no reason."""
    return [
        OrderLineRow(
            standing=one,
            late=one.is_late(today),
            expected=_expected(one, today),
            reason=str(from_json(one.line.reason)) if one.line.reason else "",
        )
        for one in lines
    ]


def _expected(one: LineStanding, today: date) -> str:
    """When what is open is expected; where a part is on back-order, each part with its pieces."""
    said = [expected_words(part.expected_on, late=part.is_late(today)) for part in one.parts]
    if len(said) < 2:
        return "".join(said)
    words = _("%(pieces)d, %(when)s")
    return "; ".join(words % {"pieces": part.pieces, "when": when} for part, when in zip(one.parts, said, strict=True))
