"""A delivery on paper: what is still to come out to the door, and what came back, lot by lot.

A sheet that comes back moves no stock. Its packs stand on the receiving list beside scanned ones, judged by the same
rules, and the same press puts them on record (`inventory.receiving`).
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory.arrivals import ArrivalRefused, keep_typed, lot_as_typed
from inventory.importing.loading import known, some_of
from inventory.importing.problems import NOT_SHOWN, NOTHING, Problem, SheetRefused, quoted
from inventory.importing.values import Date, LotNumber, Text, Whole
from inventory.models import ArrivedPack, Consumable, Lot, Order, OrderLine, Place, StockingLine
from inventory.orders import standings, usual_packs
from inventory.scanning import looks_scanned

from ..workbook import Paper
from ..workbook.forms import Answer, Asked, Column, Filled, Form, Row, write_form

State = ArrivedPack.State
Tracking = StockingLine.Tracking
FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)
MOST_PACKS, MOST_PIECES, LONGEST_LOT, LONGEST_CODE = 999, 9999, 60, 40
NO_LOT = "-"  # what a person writes where the pack shows none
OTHER_ROWS = 5
LINES_NAMED = 6  # in the words about what a sheet had brought before

DELIVERY = Form(
    kind="delivery",
    title=gettext_noop("Delivery"),
    printed=(
        Column(gettext_noop("Code"), 9, bold=True, identifies=True),
        Column(gettext_noop("Name"), 38),
        Column(gettext_noop("Pieces a pack"), 8, align="right"),
        Column(gettext_noop("Packs ordered"), 9, align="right"),
        Column(gettext_noop("Pieces to come"), 9, align="right", bold=True),
        Column(gettext_noop("Read on the pack"), 13, align="center"),
    ),
    asked=(
        Asked(
            "packs",
            gettext_noop("Packs come"),
            Whole(0, MOST_PACKS),
            8,
            hint=gettext_noop("Packs of this lot, more than ordered too. 0 = none came."),
            needed=True,
        ),
        Asked(
            "lot",
            gettext_noop("Lot"),
            LotNumber(LONGEST_LOT),
            16,
            hint=gettext_noop("As printed. Copy the row for a second lot. A hyphen where the pack shows none."),
        ),
        Asked(
            "expires_on", gettext_noop("Use by"), Date(FIRST_DAY, LAST_DAY), 12, hint=gettext_noop("The printed date.")
        ),
        Asked(
            "holds",
            gettext_noop("Pieces a pack, if other"),
            Whole(1, MOST_PIECES),
            13,
            hint=gettext_noop("Only where the pack holds another number of pieces."),
        ),
        Asked(
            "code",
            gettext_noop("Code, if another line"),
            Text(LONGEST_CODE),
            11,
            hint=gettext_noop("Only for what this row does not name: the catalogue's code of what came."),
        ),
    ),
    how_to=gettext_noop(
        "Write how many packs came of each lot; copy the whole row for a second lot, and leave it empty where nothing "
        "came. What was not ordered goes into a row at the end, with its code. Bring the sheet back to the receiving "
        "list, look at it there, and press once."
    ),
    cautions=(
        gettext_noop("Read the lot and the date on the pack itself."),
        gettext_noop("Put aside what is expired, recalled or damaged."),
        gettext_noop("Nothing on this sheet is stock until it is on record."),
    ),
    repeats=True,
)


@dataclass(frozen=True, slots=True)
class _Came:
    """One row as it is understood: so many packs of a line and lot. lot_number is empty where the pack shows none.

    packs: 0 where the row says that none came, which matters only where this sheet brought some before.
    """

    answer: Answer
    consumable: Consumable
    packs: int
    pieces_per_pack: int
    lot_number: str
    expires_on: date | None


def write_delivery(storeroom: Place, order: Order | None, *, at: datetime, paper: Paper = Paper.A4) -> bytes:
    """What is still to come of an order, or every line that the storeroom keeps, with rows for what nobody ordered."""
    department = storeroom.department
    asked = _asked_on_packs(storeroom)
    day = dateformat.format(department.local_date(at), _("l j F Y"))
    of = _("Order %(number)s, %(name)s") % {"number": order.number, "name": storeroom.name} if order else storeroom.name
    if order:
        rows = [
            _row(one.line.consumable, one.line.pieces_per_pack, asked, packs=one.line.packs, to_come=one.open)
            for one in standings(OrderLine.objects.filter(order=order))
            if one.open
        ]
    else:
        kept = [
            line.consumable
            for line in StockingLine.objects.filter(place=storeroom)
            .select_related("consumable")
            .order_by("consumable__section", "consumable__code")
        ]
        packs = usual_packs(one.pk for one in kept)
        rows = [_row(one, packs[one.pk], asked) for one in kept]
    other = _("not on this order") if order else _("another line")
    rows += [Row(key=f"other-{n}", printed=("", other, None, None, None, "")) for n in range(1, OTHER_ROWS + 1)]
    return write_form(
        DELIVERY, rows, department=department, about=about(storeroom, order), lines=[of, day], made_at=at, paper=paper
    )


def about(storeroom: Place, order: Order | None) -> str:
    """What a sheet says that it is about: the order, or the storeroom where there is none."""
    return f"order-{order.pk}" if order else f"storeroom-{storeroom.pk}"


@transaction.atomic
def apply_delivery(filled: Filled, *, storeroom: Place, order: Order | None, by, at: datetime) -> str:
    """Put what a sheet says on the receiving list, all or nothing. Says what was done in words.

    What this very sheet brought before is not kept again, whatever became of it, unless it was taken off the list.
    Raises SheetRefused with every problem; a code about a person is never repeated.
    """
    Place.objects.select_for_update(no_key=True).get(pk=storeroom.pk)  # two people may bring the same sheet at once
    problems: list[Problem] = []
    came = _read(filled, storeroom, order, problems)
    before = _Before(filled.sheet_key)
    new = []
    for one, pack in before.matched(came):
        if pack is not None:
            problems += _contradictions(one, pack)
        elif one.packs:
            new.append(one)
    problems += before.left_out(came)
    if problems:
        raise SheetRefused(*problems)
    for one in new:
        keep_typed(
            consumable=one.consumable,
            packs=one.packs,
            pieces_per_pack=one.pieces_per_pack,
            lot_number=one.lot_number,
            expires_on=one.expires_on,
            storeroom=storeroom,
            order=order,
            by=by,
            at=at,
            key=before.new_key(one),
        )
    return _said(len(new), before.known)


def _row(
    consumable: Consumable,
    holds: int,
    asked: Mapping[int, str],
    *,
    packs: int | None = None,
    to_come: int | None = None,
) -> Row:
    printed = (consumable.code, consumable.label, holds, packs, to_come, asked.get(consumable.pk, ""))
    return Row(key=str(consumable.pk), printed=printed)


def _asked_on_packs(storeroom: Place) -> dict[int, str]:
    """What has to be read on packs of each line that the storeroom keeps by lot, in words."""
    kept = StockingLine.objects.filter(place=storeroom, tracking=Tracking.LOT).select_related("consumable")
    return {line.consumable_id: _("lot, use by") if line.consumable.shelf_life_months else _("lot") for line in kept}


def _read(filled: Filled, storeroom: Place, order: Order | None, problems: list[Problem]) -> list[_Came]:
    """The rows that say how much came, each line and lot once; of a lot in two rows that which says that none came
    says nothing."""
    lines = {line.pk: line for line in storeroom.department.consumables.all()}
    by_code = {line.code: line for line in lines.values()}
    ordered = dict(OrderLine.objects.filter(order=order).values_list("consumable", "pieces_per_pack")) if order else {}
    named = [
        (answer, line)
        for answer in filled.answers
        if answer["packs"] is not None
        and (line := _line(answer, lines, by_code, problems if answer["packs"] else [])) is not None
    ]
    usual = usual_packs({line.pk for _answer, line in named} - ordered.keys())
    kept = dict(StockingLine.objects.filter(place=storeroom).values_list("consumable", "tracking"))
    dated = set(
        Lot.objects.filter(consumable__in={line.pk for _answer, line in named}, expires_on__isnull=False).values_list(
            "consumable", "number"
        )
    )
    came: list[_Came] = []
    first: dict[tuple[int, str], int] = {}
    for answer, line in sorted(named, key=lambda one: not one[0]["packs"]):
        try:
            lot = lot_as_typed(answer["lot"] or "")
        except ArrivalRefused:
            expected = _("the lot number that stands on the pack, not a whole code that was scanned")
            problems.append(answer.problem("lot", NOT_SHOWN, expected))
            continue
        if answer["packs"] and kept.get(line.pk) == Tracking.LOT:
            problems += _not_read(answer, line, lot, dated)
        lot = "" if lot == NO_LOT else lot
        earlier = first.setdefault((line.pk, lot), answer.row)
        if earlier != answer.row:
            if not answer["packs"]:
                continue
            problems.append(_twice(answer, line, lot, earlier))
        holds = answer["holds"] or ordered.get(line.pk) or usual[line.pk]
        came.append(_Came(answer, line, answer["packs"], holds, lot, answer["expires_on"]))
    return came


def _line(
    answer: Answer, lines: Mapping[int, Consumable], by_code: Mapping[str, Consumable], problems: list[Problem]
) -> Consumable | None:
    """What a row is about: the line printed in it, or the one whose code was written."""
    if answer["code"] is not None:
        line = by_code.get(answer["code"])
        if line is None:
            expected = known(_("a code of the catalogue"), answer["code"], by_code)
            found = NOT_SHOWN if looks_scanned(answer["code"]) else quoted(answer["code"])
            problems.append(answer.problem("code", found, expected))
        return line
    if answer.key.isdecimal():
        line = lines.get(int(answer.key))
        if line is None:
            problems.append(answer.problem("code", NOTHING, _("the code of what came: this line was removed")))
        return line
    problems.append(answer.problem("code", NOTHING, _("the catalogue's code of what came")))
    return None


def _not_read(answer: Answer, line: Consumable, lot: str, dated: set[tuple[int, str]]) -> Iterable[Problem]:
    """What a line that is kept by lot asks for and a row does not say."""
    if not lot:
        yield answer.problem("lot", NOTHING, _("the lot printed on the pack, or a hyphen where it shows none"))
    elif lot != NO_LOT and line.shelf_life_months and not answer["expires_on"] and (line.pk, lot) not in dated:
        yield answer.problem("expires_on", NOTHING, _("the last day printed on the pack, year-month-day"))


def _twice(answer: Answer, line: Consumable, lot: str, earlier: int) -> Problem:
    found = _("%(line)s without a lot again, first in row %(row)d")
    if lot:
        found = _("%(line)s of the same lot again, first in row %(row)d")
    expected = _("each lot of a line in one row, with all its packs")
    return answer.problem("lot", found % {"line": quoted(line.code), "row": earlier}, expected)


class _Before:
    """What this very sheet brought when it was brought back before, and what became of it."""

    def __init__(self, sheet_key: str) -> None:
        self.sheet_key = sheet_key
        self.known: list[ArrivedPack] = []
        brought = ArrivedPack.objects.filter(key__startswith=f"{sheet_key}:").select_related("consumable")
        self.kept: dict[str, int] = defaultdict(int)
        self.standing: dict[int, list[ArrivedPack]] = defaultdict(list)
        for pack in brought.order_by("pk"):
            self.kept[_row_of(pack)] += 1
            if pack.state != State.REMOVED:
                self.standing[pack.consumable_id].append(pack)

    def matched(self, came: Iterable[_Came]) -> list[tuple[_Came, ArrivedPack | None]]:
        """Each row with the pack that it brought before: by the lot that was written then, or else, of packs that no
        row wrote, by the lot that was put right since. No two rows have one pack."""
        found: dict[int, ArrivedPack] = {}
        for is_same in (
            lambda pack, one: _row_of(pack) == self.key(one),
            lambda pack, one: pack.lot_number == one.lot_number,
        ):
            for n, one in enumerate(came):
                taken = {pack.pk for pack in found.values()}
                for pack in self.standing.get(one.consumable.pk, ()):
                    if n not in found and pack.pk not in taken and is_same(pack, one):
                        found[n] = pack
        self.known = [found[n] for n in sorted(found)]
        return [(one, found.get(n)) for n, one in enumerate(came)]

    def key(self, one: _Came) -> str:
        lot = hashlib.sha256(one.lot_number.encode()).hexdigest()[:10]
        return f"{self.sheet_key}:{one.consumable.pk}:{lot}"

    def new_key(self, one: _Came) -> str:
        """A key that no pack has; what was taken off the list may come again. It keeps the day that was written."""
        key = self.key(one)
        return f"{key}~{self.kept[key]}~{one.expires_on or ''}"

    def left_out(self, came: Iterable[_Came]) -> Iterable[Problem]:
        """A lot that stood on this sheet for a line which has other lots now: mistyped, or the sheet is used anew."""
        rows: dict[int, Answer] = {}
        for one in came:
            rows.setdefault(one.consumable.pk, one.answer)
        recognised = {pack.pk for pack in self.known}
        for key, answer in rows.items():
            for pack in self.standing.get(key, ()):
                if pack.pk not in recognised:
                    found = _("this line without %(lot)s, which this sheet brought before")
                    lot = _("lot %(lot)s") % {"lot": quoted(pack.lot_number)} if pack.lot_number else _("a lot")
                    yield answer.problem("lot", found % {"lot": lot}, _mend())


def _mend() -> str:
    return _(
        "what this sheet said before; take back on the receiving page what was wrong, and write a new sheet for "
        "another delivery"
    )


def _row_of(pack: ArrivedPack) -> str:
    """The key of the row that brought a pack: its line and the lot that was written then."""
    return pack.key.partition("~")[0]


def _contradictions(one: _Came, pack: ArrivedPack) -> Iterable[Problem]:
    """What a row says now and did not say before. The day may be the one that was put right since, as the lot may."""
    compared = [("packs", one.packs, pack.packs)]
    if one.packs:
        compared.append(("holds", one.pieces_per_pack, pack.pieces_per_pack))
        day_written = pack.key.partition("~")[2].partition("~")[2]
        if one.expires_on != pack.expires_on and str(one.expires_on or "") != day_written:
            compared.append(("expires_on", one.expires_on or NOTHING, day_written or pack.expires_on or NOTHING))
    for name, now, then in compared:
        if now != then:
            found = _("%(now)s, where this sheet said %(then)s before") % {"now": now, "then": then}
            yield one.answer.problem(name, found, _mend())


def _said(new: int, known_before: list[ArrivedPack]) -> str:
    said = ngettext(
        "%(rows)d row of the sheet stands on the list: look at it, then put it on record.",
        "%(rows)d rows of the sheet stand on the list: look at them, then put them on record.",
        new,
    ) % {"rows": new}
    if not known_before:
        return said
    words = ngettext(
        "%(rows)d row came with this sheet before and is not received again: %(lines)s.",
        "%(rows)d rows came with this sheet before and are not received again: %(lines)s.",
        len(known_before),
    )
    lines = some_of([_known_words(pack) for pack in known_before], LINES_NAMED)
    said_before = words % {"rows": len(known_before), "lines": lines}
    return f"{said} {said_before}" if new else said_before


def _known_words(pack: ArrivedPack) -> str:
    words = _("%(line)s lot %(lot)s (%(state)s)") if pack.lot_number else _("%(line)s (%(state)s)")
    return words % {"line": pack.consumable.code, "lot": pack.lot_number, "state": pack.get_state_display()}
