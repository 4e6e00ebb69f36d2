"""Small plans in plain rows, so that the pick list is tested without the forecast."""

from datetime import UTC, date, datetime

from openpyxl import load_workbook

from inventory import ledger
from restock.models import Pick, Plan, PlanLine, Shortage

EVENING = datetime(2026, 3, 4, 17, 5, tzinfo=UTC)
TOMORROW = date(2026, 3, 5)


def make_plan(department, *, by=None, made_at=EVENING, for_date=TOMORROW):
    return Plan.objects.create(
        department=department,
        for_date=for_date,
        made_at=made_at,
        by=by,
        method="test 1",
        inputs={"listed_cases": 1, "logged_cases": 40},
    )


def make_line(plan, place, consumable, *, on_hand=1, top_up=4, allocated=4, reason="4 to add."):
    """A plan line whose forecast figures do not matter here."""
    return PlanLine.objects.create(
        plan=plan, place=place, consumable=consumable, on_hand=on_hand, usable=max(on_hand, 0), par=5, floor=0,
        cases=4, mean=4.0, q50=4, q90=5, q95=5, q99=6, service_level=0.95, q_service=5, p_short_before=0.9,
        p_short_after=0.02, shortfall_before=3.0, shortfall_after=0.03, target=max(on_hand, 0) + top_up, top_up=top_up,
        allocated=allocated, reason=reason,
    )  # fmt: skip


def make_pick(line, storeroom, *, quantity=4, lot=None, bin=None):
    return Pick.objects.create(plan_line=line, storeroom=storeroom, quantity=quantity, lot=lot, bin=bin)


def make_shortage(line, *, cause=Shortage.Cause.STOREROOM_LOW, reason="The storerooms have too few."):
    return Shortage.objects.create(
        plan_line=line, cause=cause, short_by=line.top_up - line.allocated, harm=1.0, reason=reason
    )


def receive(storeroom, consumable, quantity, *, by, lot=None):
    key = f"receive {storeroom.pk} {consumable.pk} {lot and lot.pk}"
    return ledger.receive(
        place=storeroom, consumable=consumable, quantity=quantity, by=by, at=EVENING, key=key, lot=lot
    )


def fill_in(path, picked, *, column="Picked", mark="Picked"):
    """Type values into a column of a pick list, row by row as they stand over all storeroom sheets; None skips.

    `mark` is the heading by which a storeroom sheet is known, in the language of the list.
    """
    workbook = load_workbook(path)
    values = iter(picked)
    for sheet in workbook:
        heading = next((row for row in sheet.iter_rows() if any(cell.value == mark for cell in row)), None)
        if heading is None:
            continue
        letter = next(cell.column_letter for cell in heading if cell.value == column)
        for row in range(heading[0].row + 1, sheet.max_row):
            value = next(values, None)
            if value is not None:
                sheet[f"{letter}{row}"] = value
    workbook.save(path)
