"""What to make up, on paper: a sheet out, and how many bundles were made up and taken apart back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from django.db import transaction
from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory import ledger
from inventory.bundles import make_up
from inventory.importing.problems import Problem, SheetRefused, quoted
from inventory.importing.values import Whole
from inventory.models import Assembly, Consumable, Department, Place

from ..stock_life.bundles import ToMakeUp
from ..workbook import Paper
from ..workbook.forms import Asked, Column, Filled, Form, Row, write_form

MOST_BUNDLES = 999

MAKE_UP = Form(
    kind="bundles",
    title=gettext_noop("Bundles to make up"),
    printed=(
        Column(gettext_noop("Place"), 18, identifies=True),
        Column(gettext_noop("Code"), 9, identifies=True),
        Column(gettext_noop("Bundle"), 34),
        Column(gettext_noop("What goes in"), 60),
        Column(gettext_noop("Make up"), 9, align="right", bold=True),
        Column(gettext_noop("Pieces suffice for"), 10, align="right"),
    ),
    asked=(
        Asked(
            "made_up",
            gettext_noop("Made up"),
            Whole(0, MOST_BUNDLES),
            10,
            hint=gettext_noop("Bundles that you made up."),
            needed=True,
        ),
    ),
    how_to=gettext_noop(
        "Take the pieces that expire first and read every pack. Write how many bundles you made up in that place, or "
        "leave the row empty."
    ),
    cautions=(
        gettext_noop("In date on a list is not proof: read the pack."),
        gettext_noop("Single use means single use: an opened piece goes into no bundle."),
    ),
)


def write_make_up_sheet(
    department: Department, rows: Sequence[ToMakeUp], *, on: date, at: datetime, paper: Paper = Paper.A4
) -> bytes:
    """A row for each bundle of each storeroom, with what goes in and how many to make up."""
    printed = [
        Row(
            key=f"{row.place.pk}.{row.bundle.pk}",
            printed=(
                row.place.name,
                row.bundle.code,
                row.bundle.label,
                "; ".join(f"{content.pieces_per_bundle} x {content.piece.label}" for content in row.contents),
                row.to_make_up,
                row.possible,
            ),
        )
        for row in rows
    ]
    return write_form(
        MAKE_UP,
        printed,
        department=department,
        about=f"bundles-{on}",
        lines=[dateformat.format(on, _("l j F Y"))],
        made_at=at,
        paper=paper,
    )


@transaction.atomic
def apply_make_up_sheet(filled: Filled, *, department: Department, by, at: datetime) -> str:
    """Record what a sheet says, all or nothing; the same sheet again changes nothing. Says what was done in words.

    Raises SheetRefused with every problem.
    """
    places = Place.objects.filter(department=department).physical().select_related("department")
    problems: list[Problem] = []
    made = 0
    for answer in filled.answers:
        if not answer["made_up"]:
            continue
        place_id, bundle_id = (int(part) for part in answer.key.split("."))
        before = set(Assembly.objects.filter(key=answer.event_key).values_list("pk", flat=True))
        try:
            assembly = make_up(
                place=places.get(pk=place_id),
                bundle=Consumable.objects.get(pk=bundle_id, department=department),
                bundles=answer["made_up"],
                by=by,
                at=at,
                key=answer.event_key,
            )
        except ledger.Refused as refusal:
            problems.append(answer.problem("made_up", quoted(answer["made_up"]), str(refusal).rstrip(".")))
            continue
        made += 0 if assembly.pk in before else assembly.bundles
    if problems:
        raise SheetRefused(*problems)
    return ngettext("%(made)d bundle made up.", "%(made)d bundles made up.", made) % {"made": made}
