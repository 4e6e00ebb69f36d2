"""The check of an opened cart as a workbook out and back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from django.db import transaction
from django.utils.translation import ngettext

from inventory import seals
from inventory.importing.problems import SheetRefused
from inventory.importing.values import Date, Whole, YesNo
from inventory.models import Place

from .workbook import Paper
from .workbook.forms import Asked, Column, Filled, Form, Row, write_form

MOST_PIECES = 99999

CHECK = Form(
    kind="seal-check",
    title="Check of an opened cart",
    how_to="One person checks every line: count it and read the earliest printed date. Of the pharmacy's lines say "
    "only whether they are there. Then close the cart and write its new seal into the seal book.",
    cautions=(
        "Read the pack: a date on paper is no proof.",
        "No list declares a cart fit for use: the person who checked and signed answers for it.",
    ),
    printed=(
        Column("Drawer", 14, bold=True),
        Column("Code", 9, identifies=True),
        Column("Line", 44),
        Column("Par", 6, align="center"),
        Column("Ask", 16),
    ),
    asked=(
        Asked("counted", "Counted", Whole(0, MOST_PIECES), 9),
        Asked("present", "There", YesNo(), 7, hint="For the pharmacy's lines."),
        Asked("earliest", "Earliest date", Date(), 12, hint="As printed on the pack."),
        Asked("undated", "No date", YesNo(), 8, hint="yes where no piece has a date printed."),
    ),
)


def check_sheet(place: Place, checks: list[seals.LineCheck], *, made_at: datetime, paper: Paper = Paper.A4) -> bytes:
    """The check as a workbook, one row for each line in the order of the drawers."""
    rows = []
    for check in checks:
        line = check.line
        ask = "there? and date" if check.presence_only else "count and date"
        printed = (line.bin.code if line.bin else None, line.consumable.code, line.consumable.label, line.par, ask)
        rows.append(Row(key=str(line.pk), printed=printed))
    return write_form(
        CHECK,
        rows,
        department=place.department,
        about=f"cart-{place.pk}",
        lines=[place.name, "Checked by: ____________________   New seal: ____________   Earliest date: ____________"],
        made_at=made_at,
        paper=paper,
    )


def apply_check(place: Place) -> Callable[[Filled, object, datetime], str]:
    """What to do with a filled-in check of this cart, for the page on which it comes back."""

    @transaction.atomic
    def apply(filled: Filled, by, at: datetime) -> str:
        lines = place.stocking_lines.select_related("consumable").in_bulk([int(one.key) for one in filled.answers])
        problems = []
        for answer in filled.answers:
            line = lines.get(int(answer.key))
            pharmacy = line is not None and line.consumable.owner == "pharmacy"
            seen = answer["present"] if pharmacy else answer["counted"]
            if line is None:
                problems.append(
                    answer.problem("counted", "a line that this cart does not keep", "the sheet as written")
                )
            elif seen is None:
                name = "present" if pharmacy else "counted"
                problems.append(answer.problem(name, "nothing", "yes or no" if pharmacy else "0 where there is none"))
            elif seen and not answer["earliest"] and not answer["undated"]:
                problems.append(answer.problem("earliest", "nothing", "the earliest date, or yes under No date"))
            if problems:
                continue
            seals.check_line(
                place=place,
                consumable=line.consumable,
                counted=answer["counted"],
                present=answer["present"],
                earliest_expires_on=answer["earliest"],
                by=by,
                at=at,
                key=answer.event_key,
            )
        if problems:
            raise SheetRefused(*problems)
        n = len(filled.answers)
        return ngettext("%(n)d line checked by you.", "%(n)d lines checked by you.", n) % {"n": n}

    return apply
