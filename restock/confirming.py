"""A pick list that came back: which movements follow from what people really picked, and their writing.

The rules, beside those of `settling`:

- An empty Picked says nothing: the pick stays open and can be filled in and confirmed later. A missing row likewise.
- 0 says that a person looked and found none: the pick is settled, nothing moves, and what it asked for is missing.
- Any other number moves that many pieces, more than suggested too. The lot is the suggested one, or another known lot
  of the line whose number a person wrote over it.
- What was once confirmed stands. Another number or lot is refused, because an older copy of the workbook must not undo
  a newer one, unless the caller asks for a correction.
- A list for which a newer plan of the same day exists is refused, because the newer one was made without these pieces,
  unless the caller says that they were carried all the same.
- A workbook comes back when the round is over: a line of which nothing is open lies in its drawer.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db import transaction

from inventory.importing.problems import Problem, SheetRefused, quoted
from inventory.ledger import InsufficientStock
from inventory.models import Department, Lot
from restock.models import Pick, Plan

from .filling import fill_settled
from .settling import Settled, locked, newer_plan, overdrawn, said_before, standing_movement, write
from .workbook.reading import ANY_LOT, LOT, REFERENCE, BackRow, WorkbookBack, problem_at
from .workbook.references import FORMAT, fingerprint, pick_id, reference


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What a confirmation did. `open_picks` counts picks of the plan about which nobody has said anything yet."""

    plan: Plan
    new: tuple[Settled, ...]
    corrected: tuple[Settled, ...]
    unchanged: tuple[Settled, ...]
    open_picks: int

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
    settled = _match(back, plan, picks, rows, problems)

    corrected = tuple(one for one in settled if one.is_correction)
    new = tuple(one for one in settled if one.is_new)
    if not correct:
        problems += [_already_confirmed(back.file, one, rows[one.pick.pk], plan) for one in corrected]
    changes = (*corrected, *new) if correct else new
    if changes and not superseded and (newer := newer_plan(plan)):
        problems.append(_superseded(back.file, plan, newer))
    problems += _beyond_stock(back.file, changes, rows)
    if problems:
        raise SheetRefused(*problems)

    try:
        write(changes, plan, by=by, at=at)
    except InsufficientStock as refusal:
        # Somebody else took the last ones between our look and our turn (PostgreSQL only).
        raise SheetRefused(Problem(back.file, str(refusal), "what the storeroom still holds")) from None
    fill_settled({one.pick.plan_line_id for one in changes}, by=by, at=at)
    return Confirmation(
        plan=plan,
        new=new,
        corrected=corrected,
        unchanged=tuple(one for one in settled if not one.is_new and not one.is_correction),
        open_picks=sum(pick.confirmed_at is None for pick in picks.values()),
    )


def _plan_of(back: WorkbookBack, department: Department | None) -> Plan:
    stated = back.fingerprint
    found = quoted(f"pick list {stated.plan_id}, department {stated.department}")
    if stated.format != FORMAT:
        raise SheetRefused(
            Problem(back.file, f"a pick list of format {stated.format}", f"one of format {FORMAT}: write it again")
        )
    if department is not None and stated.department != department.code:
        raise SheetRefused(Problem(back.file, found, f"a pick list of department {quoted(department.code)}"))
    plans = Plan.objects.filter(department__code=stated.department).select_related("department")
    plan = plans.filter(pk=stated.plan_id).first()
    if plan is None or fingerprint(plan) != stated:
        raise SheetRefused(
            Problem(
                back.file,
                found,
                "a pick list that was written here: this one is of another installation, of a plan that is gone, "
                "or its last line on the cover was changed",
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
            f"no sheet for {quoted(storeroom.name)}",
            "every storeroom sheet as it was written; delete rows rather than sheets",
        )
        for pk, storeroom in expected.items()
        if pk not in there
    ]


def _match(
    back: WorkbookBack, plan: Plan, picks: dict[int, Pick], rows: dict[int, BackRow], problems: list[Problem]
) -> list[Settled]:
    """What each filled-in row says about its pick. Fills `rows`; rows of no pick of this plan become problems."""
    settled = []
    lots = _lots(picks.values())
    for row in back.rows:
        pick = picks.get(pick_id(row.reference))
        if pick is None or reference(pick, plan) != row.reference:
            expected = "the reference that was printed in this row; it was changed, or the row is of another pick list"
            problems.append(problem_at(back.file, row, quoted(row.reference), expected, column=REFERENCE))
        elif first := rows.get(pick.pk):
            found = f"{quoted(row.reference)} again, after sheet {quoted(first.sheet)}, row {first.row}"
            problems.append(problem_at(back.file, row, found, "every reference once", column=REFERENCE))
        else:
            rows[pick.pk] = row
            lot = pick.lot
            if row.picked and row.lot not in (None, pick.lot.number if pick.lot else ANY_LOT):
                lot = lots.get((pick.plan_line.consumable_id, row.lot))
                if lot is None:
                    problems.append(_unknown_lot(back.file, row, pick, lots))
            if row.picked is not None:
                settled.append(_settled(pick, row.picked, lot))
    return settled


def _settled(pick: Pick, picked: int, lot: Lot | None) -> Settled:
    """With the movement that stands, where the row may contradict it: another number, or another lot than suggested."""
    before = said_before(pick)
    not_found = 0 if picked else pick.quantity
    settled = Settled(pick, picked, lot, before, not_found=not_found)
    if before and (before != picked or settled.lot_id != pick.lot_id):
        return replace(settled, standing=standing_movement(pick))
    return settled


def _lots(picks: Iterable[Pick]) -> dict[tuple[int, str], Lot]:
    consumables = {pick.plan_line.consumable_id for pick in picks}
    return {(lot.consumable_id, lot.number): lot for lot in Lot.objects.filter(consumable__in=consumables)}


def _unknown_lot(file: str, row: BackRow, pick: Pick, lots: Mapping[tuple[int, str], Lot]) -> Problem:
    known = [number for consumable, number in lots if consumable == pick.plan_line.consumable_id]
    return problem_at(
        file,
        row,
        quoted(row.lot),
        f"{quoted(pick.lot or ANY_LOT)} as printed, or another known lot of {pick.plan_line.consumable.code}: "
        + (", ".join(known) or "none"),
        column=LOT,
    )


def _already_confirmed(file: str, settled: Settled, row: BackRow, plan: Plan) -> Problem:
    confirmed_at = settled.pick.confirmed_at.astimezone(ZoneInfo(plan.department.time_zone))
    return problem_at(
        file,
        row,
        _pieces_of(settled.picked, settled.lot),
        f"{_pieces_of(settled.before, settled.standing and settled.standing.lot)} as confirmed on "
        f"{confirmed_at:%Y-%m-%d at %H:%M}, or an empty cell; if what stands there now is true, confirm with --correct",
    )


def _superseded(file: str, plan: Plan, newer: Plan) -> Problem:
    made_at = newer.made_at.astimezone(ZoneInfo(plan.department.time_zone))
    return Problem(
        file,
        f"pick list {plan.pk} for {plan.for_date}",
        f"pick list {newer.pk}, made for the same day on {made_at:%Y-%m-%d at %H:%M} without these pieces; if they "
        "were carried all the same, confirm with --superseded and make the plan again",
    )


def _beyond_stock(file: str, changes: Iterable[Settled], rows: Mapping[int, BackRow]) -> list[Problem]:
    """Rows that together take more of a lot than the storeroom's record holds."""
    problems = []
    for beyond in overdrawn(changes):
        pick, lot = beyond.together[0].pick, beyond.together[0].lot
        in_rows = "" if len(beyond.together) == 1 else f" in {len(beyond.together)} rows together"
        problems += [
            problem_at(
                file,
                rows[one.pick.pk],
                f"{one.picked} ({beyond.asked} of {quoted(pick.plan_line.consumable)}{in_rows})",
                f"at most {_pieces_of(beyond.most, lot)}, which is what the record of {pick.storeroom} holds; if there "
                "were more, count the line there first",
            )
            for one in beyond.together
            if one.picked
        ]
    return problems


def _pieces_of(pieces: int, lot: Lot | None) -> str:
    return f"{pieces} of lot {lot}" if lot else f"{pieces} without a lot"
