"""A pick list that came back: which movements follow from what people really picked, and their writing.

The rules, beside those of `settling`:

- An empty Picked says nothing: the pick stays open and can be filled in and confirmed later. A missing row likewise.
- 0 says that a person looked and found none: the pick is settled, nothing moves, and what it asked for is missing.
- Any other number moves that many pieces, more than suggested and more than the storeroom had on record too: they were
  taken. The lot is the suggested one, or the one whose number a person wrote over it; a number that nobody knew
  becomes a lot without a date of expiry.
- A row says by its code, its cart and its sheet which pick it is, and by its reference. Where the two differ, part of
  the sheet was sorted, and nothing is recorded.
- What was once confirmed stands. Another number or lot is refused, because an older copy of the workbook must not undo
  a newer one, unless the caller asks for a correction.
- A list for which a newer plan of the same day exists is refused, because the newer one was made without these pieces,
  unless the caller says that they were carried all the same.
- A workbook comes back when the round is over: a line of which nothing is open lies in its drawer.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from inventory.importing.problems import NOTHING, Problem, SheetRefused, quoted
from inventory.importing.ways import ways
from inventory.ledger import InsufficientStock
from inventory.models import Department, Lot
from inventory.recalls import hold_if_recalled
from restock.models import Pick, Plan

from ..plans.filling import fill_settled
from ..plans.settling import Overdrawn, Settled, locked, newer_plan, overdrawn, said_before, standing_movement, write
from ..workbook.cells import in_every_language
from ..workbook.reading import ANY_LOT, CODE, FOR_CART, REFERENCE, BackRow, WorkbookBack, problem_at
from ..workbook.references import FORMAT, fingerprint, pick_id, reference


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What a confirmation did. `open_picks` counts picks of the plan about which nobody has said anything yet.

    beyond_record: where more was taken than the storeroom had on record. new_lots: those whose number nobody knew.
    """

    plan: Plan
    new: tuple[Settled, ...]
    corrected: tuple[Settled, ...]
    unchanged: tuple[Settled, ...]
    open_picks: int
    beyond_record: tuple[Overdrawn, ...] = ()
    new_lots: tuple[Lot, ...] = ()

    @property
    def pieces_moved(self) -> int:
        """Pieces of the picks settled now for the first time."""
        return sum(settled.picked for settled in self.new)


@transaction.atomic
def confirm(
    back: WorkbookBack,
    *,
    by,
    at: datetime,
    department: Department | None = None,
    correct: bool = False,
    superseded: bool = False,
) -> Confirmation:
    """Write the movements from storerooms to carts that follow from a workbook that came back: all or none.

    `department`: refuse a workbook of any other. `correct`: other numbers for confirmed picks replace the first ones.
    `superseded`: a newer plan for the day is no obstacle.

    Raises SheetRefused with every problem of the workbook.
    """
    plan = _plan_of(back, department)
    picks = {pick.pk: pick for pick in locked(Pick.objects.filter(plan_line__plan=plan))}
    problems = list(back.problems)
    problems += _missing_sheets(back, picks.values())
    rows: dict[int, BackRow] = {}
    new_lots: list[Lot] = []
    settled = _match(back, plan, picks, rows, new_lots, problems)

    corrected = tuple(one for one in settled if one.is_correction)
    new = tuple(one for one in settled if one.is_new)
    if not correct:
        problems += [_already_confirmed(back.file, one, rows[one.pick.pk], plan) for one in corrected]
    changes = (*corrected, *new) if correct else new
    if changes and not superseded and (newer := newer_plan(plan)):
        problems.append(_superseded(back.file, plan, newer))
    if problems:
        raise SheetRefused(*problems)

    beyond_record = tuple(overdrawn(changes))
    try:
        write(changes, plan, by=by, at=at, put_right=beyond_record)
    except InsufficientStock:
        # Somebody else took the last ones between our look and our turn (PostgreSQL only).
        found = _("a storeroom from which somebody took pieces at this very moment")
        raise SheetRefused(Problem(back.file, found, _("a quiet moment: confirm again"))) from None
    for one in changes:
        if one.lot in new_lots:
            hold_if_recalled(one.lot, place=one.pick.plan_line.place, at=at)
    fill_settled({one.pick.plan_line_id for one in changes}, by=by, at=at)
    return Confirmation(
        plan=plan,
        new=new,
        corrected=corrected,
        unchanged=tuple(one for one in settled if not one.is_new and not one.is_correction),
        open_picks=sum(pick.confirmed_at is None for pick in picks.values()),
        beyond_record=beyond_record,
        new_lots=tuple(new_lots),
    )


def _plan_of(back: WorkbookBack, department: Department | None) -> Plan:
    stated = back.fingerprint
    found = quoted(
        _("pick list %(plan_id)s, department %(department)s")
        % {"plan_id": stated.plan_id, "department": stated.department}
    )
    if stated.format != FORMAT:
        raise SheetRefused(
            Problem(
                back.file,
                _("a pick list of format %(format)s") % {"format": stated.format},
                _("one of format %(format)s: write it again") % {"format": FORMAT},
            )
        )
    if department is not None and stated.department != department.code:
        raise SheetRefused(
            Problem(back.file, found, _("a pick list of department %(code)s") % {"code": quoted(department.code)})
        )
    plans = Plan.objects.filter(department__code=stated.department).select_related("department")
    plan = plans.filter(pk=stated.plan_id).first()
    if plan is None or fingerprint(plan) != stated:
        raise SheetRefused(
            Problem(
                back.file,
                found,
                _(
                    "a pick list that was written here: this one is of another installation, of a plan that is gone, "
                    "or its last line on the cover was changed"
                ),
            )
        )
    return plan


def _missing_sheets(back: WorkbookBack, picks: Iterable[Pick]) -> list[Problem]:
    """Storerooms whose sheet is gone. Where the sheet is there and only its rows are not, nothing was picked."""
    expected = {pick.storeroom_id: pick.storeroom for pick in picks}
    if back.pick_sheets >= len(expected):
        return []
    named = {pick_id(row.reference) for row in back.rows}
    there = {pick.storeroom_id for pick in picks if pick.pk in named}
    return [
        Problem(
            back.file,
            _("no sheet for %(name)s") % {"name": quoted(storeroom.name)},
            _("every storeroom sheet as it was written; delete rows rather than sheets"),
        )
        for pk, storeroom in expected.items()
        if pk not in there
    ]


def _match(
    back: WorkbookBack,
    plan: Plan,
    picks: dict[int, Pick],
    rows: dict[int, BackRow],
    new_lots: list[Lot],
    problems: list[Problem],
) -> list[Settled]:
    """What each filled-in row says about its pick. Fills `rows` and `new_lots`.

    Rows of no pick of this plan, and rows that belong to another pick than their reference, become problems.
    """
    settled = []
    lots = _Lots(picks.values(), new_lots)
    for row in back.rows:
        pick = picks.get(pick_id(row.reference))
        if pick is None or reference(pick, plan) != row.reference:
            expected = _(
                "the reference that was printed in this row; it was changed, or the row is of another pick list"
            )
            problems.append(problem_at(back.file, row, quoted(row.reference), expected, column=REFERENCE))
        elif first := rows.get(pick.pk):
            found = _("%(reference)s again, after sheet %(sheet)s, row %(row)s") % {
                "reference": quoted(row.reference),
                "sheet": quoted(first.sheet),
                "row": first.row,
            }
            problems.append(problem_at(back.file, row, found, _("every reference once"), column=REFERENCE))
        elif row.picked is not None and (torn := _torn(back.file, row, pick)):
            problems.append(torn)
        else:
            rows[pick.pk] = row
            if row.picked is not None:
                lot = lots.meant(pick, row.lot) if row.picked else pick.lot
                settled.append(_settled(pick, row.picked, lot))
    return settled


def _torn(file: str, row: BackRow, pick: Pick) -> Problem | None:
    """The cell by which a row shows that it is not the one its reference was printed in, or None."""
    line = pick.plan_line
    if row.storeroom is not None and not _same(row.storeroom, pick.storeroom.name):
        column, found = REFERENCE, quoted(row.storeroom)
        true = _("a row of %(name)s") % {"name": quoted(pick.storeroom.name)}
    elif not _same(row.code or "", line.consumable.code):
        column, found, true = CODE, row.code and quoted(row.code), quoted(line.consumable.code)
    elif not _same(row.cart or "", line.place.name):
        column, found, true = FOR_CART, row.cart and quoted(row.cart), quoted(line.place.name)
    else:
        return None
    mend = _(
        "%(what)s, to which the reference %(reference)s of this row belongs: part of the sheet was "
        "sorted or moved; sort whole rows with every column, or write the list again and type the "
        "numbers into it"
    ) % {"what": true, "reference": row.reference}
    return problem_at(file, row, found or NOTHING, mend, column=column)


def _same(shown: str, printed: str) -> bool:
    """Whether a cell still holds what was printed: spaces aside, and what the format cannot hold became “?”."""
    printed = ILLEGAL_CHARACTERS_RE.sub("?", printed)
    return shown.split() == printed.split()


def _settled(pick: Pick, picked: int, lot: Lot | None) -> Settled:
    """With the movement that stands, where the row may contradict it: another number, or another lot than suggested."""
    before = said_before(pick)
    not_found = 0 if picked else pick.quantity
    settled = Settled(pick, picked, lot, before, not_found=not_found)
    if before and (before != picked or settled.lot_id != pick.lot_id):
        return replace(settled, standing=standing_movement(pick))
    return settled


class _Lots:
    """The lots of some picks' lines by their number; a number that nobody knew becomes a lot, listed in `new`."""

    def __init__(self, picks: Iterable[Pick], new: list[Lot]) -> None:
        consumables = {pick.plan_line.consumable_id for pick in picks}
        self._known = {(lot.consumable_id, lot.number): lot for lot in Lot.objects.filter(consumable__in=consumables)}
        self._new = new

    def meant(self, pick: Pick, number: str | None) -> Lot | None:
        """The lot that a person took; None for pieces without one. An empty cell means the lot that was printed."""
        if number is None or (pick.lot and _same(number, pick.lot.number)):
            return pick.lot
        if " ".join(number.split()) in in_every_language(ANY_LOT):
            return None
        key = (pick.plan_line.consumable_id, number)
        if key not in self._known:
            self._known[key] = Lot.objects.create(consumable=pick.plan_line.consumable, number=number)
            self._new.append(self._known[key])
        return self._known[key]


def _already_confirmed(file: str, settled: Settled, row: BackRow, plan: Plan) -> Problem:
    confirmed_at = plan.department.local_time(settled.pick.confirmed_at)
    return problem_at(
        file,
        row,
        _pieces_of(settled.picked, settled.lot),
        _(
            "%(pieces_of)s as confirmed on %(confirmed_at)s, or an empty cell; if what stands there now is "
            "true, %(correct)s"
        )
        % {
            "pieces_of": _pieces_of(settled.before, settled.standing and settled.standing.lot),
            "confirmed_at": f"{confirmed_at:%Y-%m-%d, %H:%M}",
            "correct": ways().correct,
        },
    )


def _superseded(file: str, plan: Plan, newer: Plan) -> Problem:
    made_at = plan.department.local_time(newer.made_at)
    return Problem(
        file,
        _("pick list %(plan)s for %(for_date)s") % {"plan": plan.pk, "for_date": plan.for_date},
        _(
            "pick list %(plan)s, made for the same day on %(made_at)s without these pieces; if they were "
            "carried all the same, %(superseded)s and make the plan again"
        )
        % {"plan": newer.pk, "made_at": f"{made_at:%Y-%m-%d, %H:%M}", "superseded": ways().superseded},
    )


def _pieces_of(pieces: int, lot: Lot | None) -> str:
    if lot:
        return _("%(pieces)s of lot %(lot)s") % {"pieces": pieces, "lot": lot}
    return _("%(pieces)s without a lot") % {"pieces": pieces}
