"""The pull list on paper: a sheet out, and what was done with each row back, by the same rules as on the page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import transaction
from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory import ledger
from inventory.importing.loading import known
from inventory.importing.problems import NOTHING, Problem, SheetRefused, quoted
from inventory.importing.values import Code, Whole
from inventory.models import Department, Place

from ..stock_life.expiry import Dated, find_dated
from ..stock_life.expiry_pulling import carry_to, not_there, recorded_pieces, throw_away
from ..workbook import Paper
from ..workbook.forms import Answer, Asked, Column, Filled, Form, Row, write_form

MOST_PIECES = 9999

PULL = Form(
    kind="pull-list",
    title=gettext_noop("Pull list"),
    printed=(
        Column(gettext_noop("Place"), 18),
        Column(gettext_noop("Bin"), 10, bold=True),
        Column(gettext_noop("Code"), 9, identifies=True),
        Column(gettext_noop("Name"), 36),
        Column(gettext_noop("Lot"), 14, identifies=True),
        Column(gettext_noop("Use by"), 12),
        Column(gettext_noop("On record"), 10, align="right"),
    ),
    asked=(
        Asked(
            "thrown_away",
            gettext_noop("Thrown away"),
            Whole(0, MOST_PIECES),
            10,
            hint=gettext_noop("Pieces pulled and thrown away."),
        ),
        Asked(
            "carried",
            gettext_noop("Carried"),
            Whole(0, MOST_PIECES),
            9,
            hint=gettext_noop("Pieces carried to a place that uses them in time."),
        ),
        Asked("to", gettext_noop("To"), Code(40), 12, hint=gettext_noop("Code of that place.")),
        Asked(
            "not_there",
            gettext_noop("Not there"),
            Whole(0, MOST_PIECES),
            10,
            hint=gettext_noop("Looked for and not there. Count the line."),
        ),
    ),
    how_to=gettext_noop(
        "Read the date on every pack. Write how many pieces were thrown away, carried elsewhere or not there; leave "
        "the row empty where you have not looked."
    ),
    cautions=(
        gettext_noop("In date on a list is not proof: read the pack."),
        gettext_noop("Do not use what is expired, recalled or damaged."),
        gettext_noop("This does not replace the equipment check before use."),
    ),
)


def write_pull_sheet(
    department: Department, rows: Sequence[Dated], *, on: date, at: datetime, paper: Paper = Paper.A4
) -> bytes:
    """The rows of the pull list as a workbook, in their order."""
    printed = [
        Row(
            key=one.key,
            printed=(
                one.place.name,
                one.bin.code if one.bin else "",
                one.consumable.code,
                one.consumable.label,
                one.lot.number if one.lot else _("earliest date"),
                one.expires_on,
                one.pieces,
            ),
        )
        for one in rows
    ]
    return write_form(
        PULL,
        printed,
        department=department,
        about=f"pull-{on}",
        lines=[dateformat.format(on, _("l j F Y"))],
        made_at=at,
        paper=paper,
    )


@transaction.atomic
def apply_pull_sheet(filled: Filled, *, department: Department, by, at: datetime) -> str:
    """Record what a sheet says, all or nothing; the same sheet again changes nothing. Says what was done in words.

    Raises SheetRefused with every problem.
    """
    places = {place.code: place for place in Place.objects.filter(department=department).physical()}
    problems: list[Problem] = []
    done = 0
    for answer in filled.answers:
        destination = places.get(answer["to"] or "")
        if answer["to"] and destination is None:
            expected = known(_("the code of a cart or storeroom"), answer["to"], places)
            problems.append(answer.problem("to", quoted(answer["to"]), expected))
            continue
        if answer["carried"] and destination is None:
            problems.append(answer.problem("to", NOTHING, _("the code of the place they were carried to")))
            continue
        try:
            done += _apply(answer, destination, department=department, by=by, at=at)
        except ledger.Refused as refusal:
            name = next(name for name in ("thrown_away", "carried", "not_there", "to") if answer[name])
            problems.append(answer.problem(name, quoted(answer[name]), str(refusal).rstrip(".")))
    if problems:
        raise SheetRefused(*problems)
    return ngettext("%(done)d row of the sheet recorded.", "%(done)d rows of the sheet recorded.", done) % {
        "done": done
    }


def _apply(answer: Answer, destination: Place | None, *, department: Department, by, at: datetime) -> bool:
    """Record one row; whether anything was new. Raises Refused."""
    acts = {"thrown_away": throw_away, "carried": carry_to, "not_there": not_there}
    new = False
    for name, act in acts.items():
        pieces, key = answer[name], f"{answer.event_key}:{name}"
        if not pieces:
            continue
        before = recorded_pieces(key)
        if before == pieces:
            continue
        if before is not None:
            raise ledger.KeyReused(key)
        dated = find_dated(department, answer.key, on=department.local_date(at))
        if dated is None:
            raise ledger.Refused(_("Nothing of this row is on record any more: take it out, and count the line."))
        told = {"destination": destination} if name == "carried" else {}
        act(dated, pieces=pieces, by=by, at=at, key=key, **told)
        new = True
    return new
