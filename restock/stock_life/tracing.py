"""Where every piece of a lot went: from the door to the bin it lies in or the case it was used for, in one query."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.contrib.auth import get_user_model

from inventory.models import Lot, Movement, Place

# A bundle made up with pieces of a traced lot is traced as well, and bundles around it. A use that took several lots is
# several movements, and the case stands beside the first of them, whose key the others have with a number behind it.
_TRACE = """
WITH RECURSIVE traced (lot_id) AS (
    SELECT id FROM inventory_lot WHERE id IN ({lots})
    UNION
    SELECT assembly.lot_id
    FROM traced
    JOIN inventory_movement AS piece ON piece.lot_id = traced.lot_id AND piece.kind = 'make_up'
    JOIN inventory_assembly_movements AS part ON part.movement_id = piece.id
    JOIN inventory_assembly AS assembly ON assembly.id = part.assembly_id
    LEFT JOIN inventory_movement AS undone ON undone.reverses_id = piece.id
    WHERE undone.id IS NULL
)
SELECT
    movement.*,
    lot.number AS lot_number, consumable.name AS line_name, consumable.size AS line_size,
    source.name AS source_name, source.role AS source_role, source_bin.code AS source_bin,
    destination.name AS destination_name, destination.role AS destination_role, destination_bin.code AS destination_bin,
    slot.id AS slot_id, slot.date AS slot_date, slot."order" AS slot_order, usage.date AS usage_date,
    room.code AS room_code, case_type.name AS case_type_name, reversal.id AS reversal_id, person.username AS by_name
FROM traced
JOIN inventory_movement AS movement ON movement.lot_id = traced.lot_id
JOIN inventory_lot AS lot ON lot.id = movement.lot_id
JOIN inventory_consumable AS consumable ON consumable.id = movement.consumable_id
JOIN inventory_place AS source ON source.id = movement.source_id
JOIN inventory_place AS destination ON destination.id = movement.destination_id
JOIN {users} AS person ON person.id = movement.by_id
LEFT JOIN inventory_movement AS reversal ON reversal.reverses_id = movement.id
LEFT JOIN inventory_stockingline AS source_line
    ON source_line.place_id = source.id AND source_line.consumable_id = consumable.id
LEFT JOIN inventory_bin AS source_bin ON source_bin.id = source_line.bin_id
LEFT JOIN inventory_stockingline AS destination_line
    ON destination_line.place_id = destination.id AND destination_line.consumable_id = consumable.id
LEFT JOIN inventory_bin AS destination_bin ON destination_bin.id = destination_line.bin_id
LEFT JOIN restock_usagerecord AS usage
    ON movement.kind = 'use' AND usage.movement_id = COALESCE(
        (SELECT first.id FROM inventory_movement AS first
         WHERE first.kind = 'use' AND first.at = movement.at AND first.source_id = movement.source_id
           AND first.consumable_id = movement.consumable_id
           AND substr(movement.key, 1, length(first.key) + 1) = first.key || '#'
         LIMIT 1),
        movement.id)
LEFT JOIN restock_case AS slot ON slot.id = usage.case_id
LEFT JOIN inventory_room AS room ON room.id = COALESCE(slot.room_id, usage.room_id)
LEFT JOIN restock_casetype AS case_type ON case_type.id = slot.case_type_id
ORDER BY movement.at, movement.id
"""


@dataclass(frozen=True, slots=True)
class Step:
    """Pieces of a traced lot that went from one place to another.

    lot_number, line: of the lot itself, or of a bundle that holds pieces of it. bins: where the places keep the line.
    case_day, room, case_order, case_type: the slot that it was used for; without the last two, use of a room and day.
    stands: False for a movement that was reversed, and for the reversal.
    """

    at: datetime
    kind: str
    kind_words: str
    pieces: int
    opened_unused: int
    lot_id: int
    lot_number: str
    line: str
    source_id: int
    source: str
    source_bin: str | None
    destination_id: int
    destination: str
    destination_bin: str | None
    destination_role: str
    source_role: str
    case_id: int | None
    case_day: date | None
    case_order: int | None
    case_type: str | None
    room: str | None
    reason: str
    by: str
    stands: bool


@dataclass(frozen=True, slots=True)
class Rest:
    """Pieces of a traced lot that lie at a place by the record."""

    place_id: int
    place: str
    bin: str | None
    lot_number: str
    line: str
    pieces: int


def trace(*lots: Lot) -> list[Step]:
    """Every movement of these lots and of the bundles made up with pieces of them, in the order in which they happened.

    One query, for as many lots as the database takes in one (999 where SQLite was built long ago).
    """
    if not lots:
        return []
    sql = _TRACE.format(users=f'"{get_user_model()._meta.db_table}"', lots=", ".join(["%s"] * len(lots)))
    return [_step(row) for row in Movement.objects.raw(sql, [lot.pk for lot in lots])]


def rests(steps: Iterable[Step]) -> list[Rest]:
    """Where pieces of a trace lie now: what the steps of each lot and place add up to, none left out but 0."""
    shelves = {Place.Role.CART, Place.Role.STOREROOM}
    balance: Counter[tuple[int, int]] = Counter()
    named: dict[tuple[int, int], tuple] = {}
    for step in steps:
        sides = (
            (step.destination_id, step.destination_role, step.destination, step.destination_bin, step.pieces),
            (step.source_id, step.source_role, step.source, step.source_bin, -step.pieces),
        )
        for place_id, role, place, bin_code, pieces in sides:
            if role in shelves:
                balance[step.lot_id, place_id] += pieces
                named[step.lot_id, place_id] = place, bin_code, step.lot_number, step.line
    return [Rest(key[1], *named[key], pieces) for key, pieces in balance.items() if pieces]


def _step(row: Movement) -> Step:
    return Step(
        at=row.at,
        kind=row.kind,
        kind_words=row.get_kind_display(),
        pieces=row.quantity,
        opened_unused=row.opened_unused,
        lot_id=row.lot_id,
        lot_number=row.lot_number,
        line=f"{row.line_name}, {row.line_size}" if row.line_size else row.line_name,
        source_id=row.source_id,
        source=row.source_name,
        source_bin=row.source_bin,
        destination_id=row.destination_id,
        destination=row.destination_name,
        destination_bin=row.destination_bin,
        destination_role=row.destination_role,
        source_role=row.source_role,
        case_id=row.slot_id,
        case_day=row.slot_date or row.usage_date,
        case_order=row.slot_order,
        case_type=row.case_type_name,
        room=row.room_code,
        reason=row.reason,
        by=row.by_name,
        stands=row.reversal_id is None and row.reverses_id is None,
    )
