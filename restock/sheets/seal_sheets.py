"""The check of an opened cart as a workbook out and back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory import seals
from inventory.importing.problems import NOTHING, Problem, SheetRefused
from inventory.importing.values import Date, Whole, YesNo
from inventory.models import Place
from inventory.seals import Unclear

from ..workbook import Paper
from ..workbook.forms import Answer, Asked, Column, Filled, Form, Row, write_form

MOST_PIECES = 99999

CHECK = Form(
    kind="seal-check",
    title=gettext_noop("Check of an opened cart"),
    how_to=gettext_noop(
        "One person checks every line: count it and read the earliest printed date. Of the pharmacy's lines say "
        "only whether they are there. Then close the cart and write its new seal into the seal book."
    ),
    cautions=(
        gettext_noop("Read the pack: a date on paper is no proof."),
        gettext_noop("No list declares a cart fit for use: the person who checked and signed answers for it."),
    ),
    printed=(
        Column(gettext_noop("Drawer"), 14, bold=True),
        Column(gettext_noop("Code"), 9, identifies=True),
        Column(gettext_noop("Line"), 44),
        Column(gettext_noop("Par"), 6, align="center"),
        Column(gettext_noop("Ask"), 16),
    ),
    asked=(
        Asked("counted", gettext_noop("Counted"), Whole(0, MOST_PIECES), 9),
        Asked("present", gettext_noop("There"), YesNo(), 7, hint=gettext_noop("For the pharmacy's lines.")),
        Asked("earliest", gettext_noop("Earliest date"), Date(), 12, hint=gettext_noop("As printed on the pack.")),
        Asked(
            "undated", gettext_noop("No date"), YesNo(), 8, hint=gettext_noop("yes where no piece has a date printed.")
        ),
    ),
)


def check_sheet(place: Place, checks: list[seals.LineCheck], *, made_at: datetime, paper: Paper = Paper.A4) -> bytes:
    """The check as a workbook, one row for each line in the order of the drawers."""
    rows = []
    for check in checks:
        line = check.line
        ask = _("there? and date") if check.presence_only else _("count and date")
        printed = (line.bin.code if line.bin else None, line.consumable.code, line.consumable.label, line.par, ask)
        rows.append(Row(key=str(line.pk), printed=printed))
    return write_form(
        CHECK,
        rows,
        department=place.department,
        about=f"cart-{place.pk}",
        lines=[
            place.name,
            _("Checked by: ____________________   New seal: ____________   Earliest date: ____________"),
        ],
        made_at=made_at,
        paper=paper,
    )


def apply_check(place: Place) -> Callable[[Filled, object, datetime], str]:
    """What to do with a filled-in check of this cart, for the page on which it comes back."""

    @transaction.atomic
    def apply(filled: Filled, by, at: datetime) -> str:
        lines = place.stocking_lines.select_related("consumable").in_bulk([int(one.key) for one in filled.answers])
        problems, told = [], []
        for answer in filled.answers:
            line = lines.get(int(answer.key))
            pharmacy = line is not None and line.consumable.owner == "pharmacy"
            seen = answer["present"] if pharmacy else answer["counted"]
            if line is None:
                problems.append(
                    answer.problem("counted", _("a line that this cart does not keep"), _("the sheet as written"))
                )
            elif wrong := seals.unclear(seen=seen, earliest=answer["earliest"], undated=bool(answer["undated"])):
                problems.append(_unclear(answer, wrong, pharmacy=pharmacy))
            if problems:
                continue
            told.append(
                seals.LineSeen(
                    consumable=line.consumable,
                    counted=answer["counted"],
                    present=answer["present"],
                    earliest_expires_on=answer["earliest"],
                    key=answer.event_key,
                )
            )
        if problems:
            raise SheetRefused(*problems)
        seals.check_lines(place=place, seen=told, by=by, at=at)
        n = len(filled.answers)
        return ngettext("%(n)d line checked by you.", "%(n)d lines checked by you.", n) % {"n": n}

    return apply


def _unclear(answer: Answer, wrong: str, *, pharmacy: bool) -> Problem:
    if wrong == Unclear.NOT_SEEN and pharmacy:
        return answer.problem("present", NOTHING, _("yes or no"))
    if wrong == Unclear.NOT_SEEN:
        return answer.problem("counted", NOTHING, _("0 where there is none"))
    if wrong == Unclear.DATE_OF_NONE:
        return answer.problem("earliest", _("a date where none is there"), NOTHING)
    a_date_or_none = _("the earliest date, or yes under No date")
    if wrong == Unclear.DATE_AND_UNDATED:
        return answer.problem("undated", _("yes beside a date"), a_date_or_none)
    return answer.problem("earliest", NOTHING, a_date_or_none)
