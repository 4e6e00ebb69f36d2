"""A pick list that came back: which movements follow from what people really picked, and their writing.

The rules:

- An empty Picked says nothing: the pick stays open and can be filled in and confirmed later. A missing row likewise.
- 0 says that a person looked and found none: the pick is settled, nothing moves.
- Any other number moves that many pieces of the suggested lot from the storeroom to the cart, more than suggested
  too, as long as the storeroom's record of that lot holds them.
- A number once confirmed stands. The same number again changes nothing. Another number is refused, because an older
  copy of the workbook must not undo a newer one, unless the caller asks for a correction: then the first movement is
  reversed and the right one written.
- A list for which a newer plan of the same day exists is refused, because the newer one was made without these pieces,
  unless the caller says that they were carried all the same.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db import transaction

from inventory.importing.problems import Problem, SheetRefused, quoted
from inventory.ledger import Entry, InsufficientStock, record
from inventory.models import Department, Holding, Movement
from restock.models import Pick, Plan

from .workbook.reading import REFERENCE, BackRow, WorkbookBack, problem_at
from .workbook.references import FORMAT, fingerprint, pick_id, reference


@dataclass(frozen=True, slots=True)
class Settled:
    """One pick with the pieces now known. `before` is what an earlier confirmation said, None if there was none."""

    pick: Pick
    row: BackRow
    before: int | None

    @property
    def picked(self) -> int:
        return self.row.picked

    @property
    def is_new(self) -> bool:
        return self.before is None

    @property
    def is_correction(self) -> bool:
        return self.before is not None and self.before != self.picked


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
            if row.picked is not None:
                settled.append(Settled(pick, row, pick.picked if pick.confirmed_at else None))
    return settled


def _already_confirmed(file: str, settled: Settled, plan: Plan) -> Problem:
    confirmed_at = settled.pick.confirmed_at.astimezone(ZoneInfo(plan.department.time_zone))
    return problem_at(
        file,
        settled.row,
        str(settled.picked),
        f"{settled.before}, as confirmed on {confirmed_at:%Y-%m-%d at %H:%M}, or an empty cell; if the new number is "
        "the true one, confirm with --correct",
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
    by_balance = defaultdict(list)
    for one in changes:
        by_balance[one.pick.storeroom_id, one.pick.plan_line.consumable_id, one.pick.lot_id].append(one)
    holdings = Holding.objects.filter(
        place__in={place for place, _, _ in by_balance}, consumable__in={consumable for _, consumable, _ in by_balance}
    )
    held = {(h.place_id, h.consumable_id, h.lot_id): h.quantity for h in holdings}

    problems = []
    for balance, together in by_balance.items():
        pieces_held = held.get(balance, 0) + sum(one.before or 0 for one in together)
        asked = sum(one.picked for one in together)
        if asked <= pieces_held or not any(one.picked > (one.before or 0) for one in together):
            continue
        pick = together[0].pick
        of_lot = f"of lot {pick.lot}" if pick.lot else "without a lot"
        rows = "" if len(together) == 1 else f" in {len(together)} rows together"
        problems += [
            problem_at(
                file,
                one.row,
                f"{one.picked} ({asked} of {quoted(pick.plan_line.consumable)}{rows})",
                f"at most {max(pieces_held, 0)} {of_lot}, which is what the record of {pick.storeroom} holds; if there "
                "were more, count the line there first",
            )
            for one in together
            if one.picked > (one.before or 0)
        ]
    return problems


def _write(changes: Iterable[Settled], plan: Plan, *, by, at: datetime, file: str) -> None:
    reversals, moves = [], []
    standing = _standing_movements([one.pick for one in changes if one.is_correction])
    for one in changes:
        written, movement = standing.get(one.pick.pk, (0, None))
        if movement is not None:
            reversals.append(_reversal(movement, at))
        if one.picked:
            key = f"pick:{one.pick.pk}" if one.is_new else f"pick:{one.pick.pk}:{written + 1}"
            moves.append(_move(one, plan, at, key))
    try:
        record([*reversals, *moves], by=by)
    except InsufficientStock as refusal:
        # Somebody else took the last ones between our look and our turn (PostgreSQL only).
        raise SheetRefused(Problem(file, str(refusal), "what the storeroom still holds")) from None
    for one in changes:
        one.pick.picked, one.pick.confirmed_at = one.picked, at
    Pick.objects.bulk_update([one.pick for one in changes], ["picked", "confirmed_at"], batch_size=200)


def _move(settled: Settled, plan: Plan, at: datetime, key: str) -> Entry:
    pick = settled.pick
    return Entry(
        kind=Movement.Kind.MOVE,
        source=pick.storeroom_id,
        destination=pick.plan_line.place_id,
        consumable=pick.plan_line.consumable_id,
        lot=pick.lot_id,
        quantity=settled.picked,
        at=at,
        key=key,
        reason=f"pick list {plan.pk}",
    )


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


def _standing_movements(picks: list[Pick]) -> dict[int, tuple[int, Movement | None]]:
    """For each pick: the number in its newest movement's key, and that movement unless it was reversed."""
    found = {}
    for pick in picks:
        key = f"pick:{pick.pk}"
        of_pick = Movement.objects.filter(kind=Movement.Kind.MOVE)
        movements = [*of_pick.filter(key=key), *of_pick.filter(key__startswith=f"{key}:").order_by("pk")]
        if movements:
            newest = movements[-1]
            number = int(newest.key.removeprefix(key).lstrip(":") or 1)
            reversed_already = Movement.objects.filter(reverses=newest).exists()
            found[pick.pk] = (number, None if reversed_already else newest)
    return found
