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
_DAY = ":day"  # tells a day alone from the back-order of the same day that its row told before
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
            about = "owed" if refusal.about == "pieces" else refusal.about
            name = about or next(name for name in answer.values if answer[name] is not None)
            problems.append(answer.problem(name, _found(answer, name), str(refusal).rstrip(".")))
    if problems:
        raise SheetRefused(*problems)
    return ngettext("%(done)d row of the sheet recorded.", "%(done)d rows of the sheet recorded.", done) % {
        "done": done
    }


def _apply(answer: Answer, line: OrderLine, *, by, at: datetime) -> bool:
    """Keep one row; whether anything was new. Raises OrderRefused."""
    packs, expected_on, back_ordered = (answer[name] for name in ("packs", "expected_on", "back_ordered"))
    if line.order.placed_at is None:
        early = next((name for name in ("expected_on", "back_ordered", "owed", "note") if answer[name]), None)
        if early:
            raise OrderRefused(_("an empty cell until the order is placed"), about=early)
        return packs is not None and bool(set_packs(order=line.order, packs={line.pk: packs}))
    for name in ("owed", "note"):
        if answer[name] and not (back_ordered or (name == "note" and back_ordered is False)):
            raise OrderRefused(_("an empty cell, or yes under Back-order"), about=name)
    new = packs is not None and buyer_changes(line=line, packs=packs, by=by, at=at)
    if back_ordered is not None:
        new = _tell(answer, line, by=by, at=at) or new
    if expected_on and not back_ordered:
        key = _key(answer, line, expected_on=expected_on).removesuffix(_DAY) + _DAY
        new = confirm_day(line=line, expected_on=expected_on, by=by, at=at, key=key) or new
    return new


def _tell(answer: Answer, line: OrderLine, *, by, at: datetime) -> bool:
    """Keep that the supplier owes the line, or no longer does; whether this is new. Raises OrderRefused."""
    note, withdrawn = answer["note"] or "", not answer["back_ordered"]
    told = {"note": note, "withdrawn": withdrawn}
    if not withdrawn:
        told |= {"expected_on": answer["expected_on"], "pieces": answer["owed"]}
    key = _key(answer, line, **told)
    if line.back_orders.filter(key=key).exists():
        return False
    [standing] = standings(OrderLine.objects.filter(pk=line.pk))
    if withdrawn and not standing.owed:
        if note:
            raise OrderRefused(_("an empty cell, or yes under Back-order"), about="note")
        return False
    tell_back_order(line=line, by=by, at=at, key=key, **told)
    return True


def _key(answer: Answer, line: OrderLine, **told) -> str:
    """The key of the newest notice of this row where it says the same; a further one where the row was changed since.

    So the same sheet again is the same notice, whatever was said after it.
    """
    of_row = line.back_orders.filter(key__startswith=answer.event_key)
    newest = of_row.first()
    alike = {"expected_on": None, "pieces": None, "withdrawn": False} | told
    if newest and all(getattr(newest, name) == value for name, value in alike.items()):
        return newest.key
    return f"{answer.event_key}:{of_row.count()}" if newest else answer.event_key


def _found(answer: Answer, name: str) -> str:
    if name == "back_ordered":
        return quoted(_("yes") if answer[name] else _("no"))
    return _("a note") if name == "note" else quoted(str(answer[name]))
