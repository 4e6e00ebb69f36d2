"""The requisition on paper: an order out to the buyer, and packs, days and back-orders back."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction
from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory.importing.problems import SheetRefused, quoted
from inventory.importing.values import Date, Whole, YesNo
from inventory.models import Order, OrderLine
from inventory.orders import (
    MOST_PACKS,
    OrderRefused,
    buyer_changes,
    confirm_day,
    set_packs,
    standings,
    tell_back_order,
)

from ..workbook import Paper
from ..workbook.forms import Answer, Asked, Column, Filled, Form, Row, StockText, write_form

MOST_OWED = 99999
FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)

REQUISITION = Form(
    kind="requisition",
    title=gettext_noop("Requisition"),
    printed=(
        Column(gettext_noop("Code"), 9, bold=True, identifies=True),
        Column(gettext_noop("Name"), 38),
        Column(gettext_noop("Section"), 12),
        Column(gettext_noop("Pieces a pack"), 9, align="right"),
        Column(gettext_noop("Packs"), 7, align="right", bold=True),
        Column(gettext_noop("Pieces"), 8, align="right"),
        Column(gettext_noop("On record"), 8, align="right"),
        Column(gettext_noop("Needed by"), 11),
    ),
    asked=(
        Asked(
            "packs",
            gettext_noop("Packs, if other"),
            Whole(0, MOST_PACKS),
            9,
            hint=gettext_noop("Packs really ordered; 0 closes the line."),
        ),
        Asked(
            "expected_on",
            gettext_noop("Expected"),
            Date(FIRST_DAY, LAST_DAY),
            12,
            hint=gettext_noop("The day on which it will come."),
        ),
        Asked(
            "back_ordered", gettext_noop("Back-order"), YesNo(), 8, hint=gettext_noop("yes where the supplier owes it.")
        ),
        Asked(
            "owed",
            gettext_noop("Pieces owed"),
            Whole(1, MOST_OWED),
            8,
            hint=gettext_noop("How many of them, where it is not all that is still to come."),
        ),
        Asked("note", gettext_noop("Note"), StockText(80), 24, hint=gettext_noop("About the stock only.")),
    ),
    how_to=gettext_noop(
        "For the buyer: write packs only where they change, the day on which a line will come, and yes where it is "
        "on back-order, with the pieces where it is a part only. Leave a row empty where nothing is known."
    ),
    cautions=(
        gettext_noop(
            "Order by the catalogue's code; a stand-in of another size or connector needs a clinician's word."
        ),
    ),
)


def write_requisition(order: Order, *, at: datetime, paper: Paper = Paper.A4) -> bytes:
    """The order as a workbook, in the order of the catalogue."""
    department = order.storeroom.department
    rows = [
        Row(
            key=str(one.line.pk),
            printed=(
                one.line.consumable.code,
                one.line.consumable.label,
                str(one.line.consumable.get_section_display()),
                one.line.pieces_per_pack,
                one.line.packs,
                one.line.pieces,
                one.received,
                one.expected_on,
            ),
        )
        for one in standings(order.lines.all())
    ]
    lines = [_("Order %(number)s, %(name)s") % {"number": order.number, "name": order.storeroom.name}]
    if order.placed_at:
        placed_on = department.local_date(order.placed_at)
        lines.append(
            _("Placed %(day)s by %(who)s")
            % {"day": dateformat.format(placed_on, _("l j F Y")), "who": order.placed_by.get_username()}
        )
    else:
        lines.append(_("Not placed yet: a draft"))
    return write_form(
        REQUISITION, rows, department=department, about=f"order-{order.pk}", lines=lines, made_at=at, paper=paper
    )


@transaction.atomic
def apply_requisition(filled: Filled, *, order: Order, by, at: datetime) -> str:
    """Keep what the buyer wrote, all or nothing; the same sheet again changes nothing. Says what was done in words.

    Raises SheetRefused with every problem.
    """
    lines = {str(line.pk): line for line in order.lines.select_related("order")}
    problems, done = [], 0
    for answer in filled.answers:
        line = lines.get(answer.key)
        if line is None:
            problems.append(answer.problem("packs", _("a line that was taken off this order"), _("an empty row")))
            continue
        try:
            done += _apply(answer, line, by=by, at=at)
        except OrderRefused as refusal:
            name = _CELLS.get(refusal.about) or next(name for name in answer.values if answer[name] is not None)
            problems.append(answer.problem(name, _found(answer, name), str(refusal).rstrip(".")))
    if problems:
        raise SheetRefused(*problems)
    return ngettext("%(done)d row of the sheet recorded.", "%(done)d rows of the sheet recorded.", done) % {
        "done": done
    }


def _apply(answer: Answer, line: OrderLine, *, by, at: datetime) -> bool:
    """Keep one row; whether anything was new. Raises OrderRefused."""
    packs, expected_on = answer["packs"], answer["expected_on"]
    if answer["owed"] and not answer["back_ordered"]:
        raise OrderRefused(_("an empty cell, or yes under Back-order"), about="pieces")
    if line.order.placed_at is None:
        if expected_on or answer["back_ordered"]:
            raise OrderRefused(_("an empty cell until the order is placed"))
        return packs is not None and bool(set_packs(order=line.order, packs={line.pk: packs}))
    new = packs is not None and buyer_changes(line=line, packs=packs, by=by, at=at)
    if answer["back_ordered"]:
        known = line.back_orders.filter(key=answer.event_key).exists()
        tell_back_order(
            line=line,
            by=by,
            at=at,
            key=answer.event_key,
            expected_on=expected_on,
            pieces=answer["owed"],
            note=answer["note"] or "",
        )
        return new or not known
    if expected_on:
        key = f"{answer.event_key}:{expected_on}"  # the same sheet may have told of a back-order before
        confirmed = confirm_day(line=line, expected_on=expected_on, by=by, at=at, key=key)
        return new or confirmed
    return new


_CELLS = {"pieces": "owed", "expected_on": "expected_on"}


def _found(answer: Answer, name: str) -> str:
    return _("a note") if name == "note" else quoted(str(answer[name]))
