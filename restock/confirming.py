"""A pick list that came back: which movements follow from what people really picked, and their writing.

The rules:

- An empty Picked says nothing: the pick stays open and can be filled in and confirmed later. A missing row likewise.
- 0 says that a person looked and found none: the pick is settled, nothing moves.
- Any other number moves that many pieces of the row's lot from the storeroom to the cart, more than suggested too, as
  long as the storeroom's record of that lot holds them. The lot is the suggested one, or another known lot of the line
  whose number a person wrote over it.
- What was once confirmed stands. The same again changes nothing. Another number or lot is refused, because an older
  copy of the workbook must not undo a newer one, unless the caller asks for a correction: then the first movement is
  reversed and the right one written.
- A list for which a newer plan of the same day exists is refused, because the newer one was made without these pieces,
  unless the caller says that they were carried all the same.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q

from inventory.importing.problems import Problem, SheetRefused, quoted
from inventory.ledger import Entry, InsufficientStock, record
from inventory.models import Department, Holding, Lot, Movement
from restock.models import Pick, Plan

from .workbook.reading import ANY_LOT, LOT, REFERENCE, BackRow, WorkbookBack, problem_at
from .workbook.references import FORMAT, fingerprint, pick_id, reference


@dataclass(frozen=True, slots=True)
class Settled:
    """One pick with the pieces and the lot now known. `before`: pieces confirmed earlier, None if there were none.

    `standing` is the movement of those earlier pieces where it has to be known: where the row now says otherwise.
    """

    pick: Pick
    row: BackRow
    lot: Lot | None
    before: int | None
    standing: Movement | None = None

    @property
    def picked(self) -> int:
        return self.row.picked

    @property
    def is_new(self) -> bool:
        return self.before is None

    @property
    def says_otherwise(self) -> bool:
        """Whether the row may contradict what was confirmed: another number, or another lot than suggested."""
        return self.before != self.picked or self.lot_id != self.pick.lot_id

    @property
    def is_correction(self) -> bool:
        if self.before is None:
            return False
        return self.before != self.picked or (self.standing is not None and self.standing.lot_id != self.lot_id)

    @property
    def lot_id(self) -> int | None:
        return self.lot.pk if self.lot else None


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
    # The picks are the lock: whoever confirms the same plan at the same time waits here, and then finds it done.
    picks = {pick.pk: pick for pick in _locked_picks(plan)}
    problems = list(back.problems)
    problems += _missing_sheets(back, picks.values())
    settled = _match(back, plan, picks, problems)

    corrected = tuple(one for one in settled if one.is_correction)
    new = tuple(one for one in settled if one.is_new)
    if not correct:
        problems += [_already_confirmed(back.file, one, plan) for one in corrected]
    changes = (*corrected, *new) if correct else new
    if changes and not superseded and (newer := _newer(plan)):
        problems.append(_superseded(back.file, plan, newer))
    problems += _beyond_stock(back.file, changes)
    if problems:
        raise SheetRefused(*problems)

    _write(changes, plan, by=by, at=at, file=back.file)
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


def _locked_picks(plan: Plan) -> Iterable[Pick]:
    return (
        Pick.objects.filter(plan_line__plan=plan)
        .select_related("plan_line__consumable", "plan_line__place", "storeroom", "lot", "bin")
        .select_for_update(of=("self",))
        .order_by("pk")
    )


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


def _match(back: WorkbookBack, plan: Plan, picks: dict[int, Pick], problems: list[Problem]) -> list[Settled]:
    """Each filled-in row with its pick; rows that belong to no pick of this plan become problems."""
    settled = []
    seen: dict[int, BackRow] = {}
    lots = _lots(picks.values())
    for row in back.rows:
        pick = picks.get(pick_id(row.reference))
        if pick is None or reference(pick, plan) != row.reference:
            expected = "the reference that was printed in this row; it was changed, or the row is of another pick list"
            problems.append(problem_at(back.file, row, quoted(row.reference), expected, column=REFERENCE))
        elif first := seen.get(pick.pk):
            found = f"{quoted(row.reference)} again, after sheet {quoted(first.sheet)}, row {first.row}"
            problems.append(problem_at(back.file, row, found, "every reference once", column=REFERENCE))
        else:
            seen[pick.pk] = row
            lot = pick.lot
            if row.picked and row.lot not in (None, pick.lot.number if pick.lot else ANY_LOT):
                lot = lots.get((pick.plan_line.consumable_id, row.lot))
                if lot is None:
                    problems.append(_unknown_lot(back.file, row, pick, lots))
            if row.picked is not None:
                settled.append(Settled(pick, row, lot, pick.picked if pick.confirmed_at else None))
    return [_with_standing(one) if one.before and one.says_otherwise else one for one in settled]


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


def _with_standing(settled: Settled) -> Settled:
    """With the movement that an earlier confirmation of this pick wrote and that still stands."""
    key = f"pick:{settled.pick.pk}"
    written = Movement.objects.not_reversed().filter(Q(key=key) | Q(key__startswith=f"{key}:"))
    return replace(settled, standing=written.get(kind=Movement.Kind.MOVE))


def _already_confirmed(file: str, settled: Settled, plan: Plan) -> Problem:
    confirmed_at = settled.pick.confirmed_at.astimezone(ZoneInfo(plan.department.time_zone))
    return problem_at(
        file,
        settled.row,
        _pieces_of(settled.picked, settled.lot),
        f"{_pieces_of(settled.before, settled.standing and settled.standing.lot)} as confirmed on "
        f"{confirmed_at:%Y-%m-%d at %H:%M}, or an empty cell; if what stands there now is true, confirm with --correct",
    )


def _newer(plan: Plan) -> Plan | None:
    same_day = Plan.objects.filter(department=plan.department, for_date=plan.for_date)
    return same_day.filter(made_at__gt=plan.made_at).order_by("-made_at").first()


def _superseded(file: str, plan: Plan, newer: Plan) -> Problem:
    made_at = newer.made_at.astimezone(ZoneInfo(plan.department.time_zone))
    return Problem(
        file,
        f"pick list {plan.pk} for {plan.for_date}",
        f"pick list {newer.pk}, made for the same day on {made_at:%Y-%m-%d at %H:%M} without these pieces; if they "
        "were carried all the same, confirm with --superseded and make the plan again",
    )


def _beyond_stock(file: str, changes: Iterable[Settled]) -> list[Problem]:
    """Rows that together take more of a lot than the storeroom's record holds."""
    given_back = defaultdict(int)
    by_balance = defaultdict(list)
    for one in changes:
        line = (one.pick.storeroom_id, one.pick.plan_line.consumable_id)
        by_balance[*line, one.lot_id].append(one)
        if one.standing:
            given_back[*line, one.standing.lot_id] += one.standing.quantity
    holdings = Holding.objects.filter(
        place__in={place for place, _, _ in by_balance}, consumable__in={consumable for _, consumable, _ in by_balance}
    )
    held = {(h.place_id, h.consumable_id, h.lot_id): h.quantity for h in holdings}

    problems = []
    for balance, together in by_balance.items():
        most = max(held.get(balance, 0) + given_back[balance], 0)
        asked = sum(one.picked for one in together)
        if asked <= most:
            continue
        pick, lot = together[0].pick, together[0].lot
        rows = "" if len(together) == 1 else f" in {len(together)} rows together"
        problems += [
            problem_at(
                file,
                one.row,
                f"{one.picked} ({asked} of {quoted(pick.plan_line.consumable)}{rows})",
                f"at most {_pieces_of(most, lot)}, which is what the record of {pick.storeroom} holds; if there were "
                "more, count the line there first",
            )
            for one in together
            if one.picked
        ]
    return problems


def _pieces_of(pieces: int, lot: Lot | None) -> str:
    return f"{pieces} of lot {lot}" if lot else f"{pieces} without a lot"


def _write(changes: Sequence[Settled], plan: Plan, *, by, at: datetime, file: str) -> None:
    reversals = [_reversal(one.standing, at) for one in changes if one.standing]
    moves = [_move(one, plan, at) for one in changes if one.picked]
    try:
        record([*reversals, *moves], by=by)
    except InsufficientStock as refusal:
        # Somebody else took the last ones between our look and our turn (PostgreSQL only).
        raise SheetRefused(Problem(file, str(refusal), "what the storeroom still holds")) from None
    for one in changes:
        one.pick.picked, one.pick.confirmed_at = one.picked, at
    Pick.objects.bulk_update([one.pick for one in changes], ["picked", "confirmed_at"], batch_size=200)


def _move(settled: Settled, plan: Plan, at: datetime) -> Entry:
    pick = settled.pick
    return Entry(
        kind=Movement.Kind.MOVE,
        source=pick.storeroom_id,
        destination=pick.plan_line.place_id,
        consumable=pick.plan_line.consumable_id,
        lot=settled.lot_id,
        quantity=settled.picked,
        at=at,
        key=f"pick:{pick.pk}" if settled.is_new else _next_key(pick),
        reason=f"pick list {plan.pk}",
    )


def _next_key(pick: Pick) -> str:
    """The key of a corrected movement. The picks are locked, so nobody else counts at the same time."""
    key = f"pick:{pick.pk}"
    written = Movement.objects.filter(Q(key=key) | Q(key__startswith=f"{key}:"), kind=Movement.Kind.MOVE)
    return f"{key}:{written.count() + 1}"


def _reversal(movement: Movement, at: datetime) -> Entry:
    return Entry(
        kind=Movement.Kind.REVERSE,
        source=movement.destination_id,
        destination=movement.source_id,
        consumable=movement.consumable_id,
        lot=movement.lot_id,
        quantity=movement.quantity,
        at=at,
        key=f"{movement.key}:back",
        reason="picked quantity corrected",
        reverses=movement,
    )
