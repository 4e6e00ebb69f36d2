"""What the department's set-up standard states, row by row, made answerable for any kind of case.

Rows of one case type (or of one extra) that name several sizes of a run are alternatives: one of them is opened. What
different sources name, the case type and a booked extra, is opened beside each other. A row for a size class
replaces the rows of the same source that are for all.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from django.db.models import Sum

from inventory.models import Basis, Department, StockingLine

from ..forecasting.standards import combine_rows, standard_pmf
from ..models import SetupStandard

# A line of the forecast: ("run", key of a size run), or ("piece", key of a consumable that is in no run).
Line = tuple[str, int]

# The kind of case that a line is learned for: case type, technique, size class (None where the line does not depend
# on it), and those of the booked extras that name the line.
Cell = tuple[int, int, int | None, frozenset[int]]

ROOM_BASES = frozenset({Basis.PER_ROOM_DAY.value, Basis.PER_ROOM_WEEK.value})
OPERATING_DAYS_PER_WEEK = 5  # a per-week line is opened on one of them
NOTHING = (0.0, 0.0)

# Of a set-up row; read as plain tuples, which are asked for their fields some hundred thousand times.
ROW = ("case_type_id", "size_class_id", "extra_id", "consumable_id", "size_run_id", "probability", "quantity", "basis")


@dataclass(frozen=True)
class Slot:
    """What the forecast needs to know of a case. Keys are primary keys."""

    room_id: int
    case_type_id: int
    technique_id: int
    size_class_id: int
    extras: frozenset[int] = frozenset()

    @property
    def anywhere(self) -> Slot:
        """The same kind of case without its room: what it uses does not depend on where."""
        return Slot(0, self.case_type_id, self.technique_id, self.size_class_id, self.extras)


class Setups:
    """The set-up standard of one department with its sizes and pars, read once: seven queries.

    sizes: the consumables of each size run, smallest first. runs: the run of each of them. size_classes: their keys.
    cart_par: pieces of each consumable on all carts' par sheets. room_kinds: the kind of each room.
    named_by: for each line the extras that name it. sized: lines for which some row names a size class.
    """

    def __init__(self, department: Department) -> None:
        in_runs = department.consumables.filter(size_run__isnull=False).order_by("size_position")
        self.runs: dict[int, int] = dict(in_runs.values_list("pk", "size_run"))
        self.sizes: dict[int, list[int]] = defaultdict(list)
        for consumable, run in self.runs.items():
            self.sizes[run].append(consumable)
        self.size_classes: list[int] = list(department.size_classes.values_list("pk", flat=True))
        self.room_kinds: dict[int, str] = dict(department.rooms.order_by("pk").values_list("pk", "kind"))
        self.cart_par: dict[int, int] = dict(
            StockingLine.objects.filter(place__department=department, place__role="cart")
            .order_by()
            .values_list("consumable")
            .annotate(Sum("par"))
        )
        self._room_by_catalogue = set(department.consumables.filter(basis__in=ROOM_BASES).values_list("pk", flat=True))
        self._rows: dict[Line, list[tuple]] = defaultdict(list)
        self._room_rows: dict[Line, list[tuple]] = defaultdict(list)
        self._sizing: dict[int, list[tuple]] = defaultdict(list)
        self._stated_basis: dict[tuple[int, int], bool] = {}
        for row in SetupStandard.objects.in_department(department).values_list(*ROW, named=True):
            if row.case_type_id is None and row.extra_id is None:
                self._sizing[row.size_class_id].append(row)
            elif row.basis in ROOM_BASES and row.consumable_id:
                self._room_rows["piece", row.consumable_id].append(row)
            else:
                self._rows[self.line(row)].append(row)
            if row.case_type_id and row.consumable_id:
                self._stated_basis[row.case_type_id, row.consumable_id] = row.basis in ROOM_BASES
        self.named_by: dict[Line, frozenset[int]] = defaultdict(frozenset)
        for line, rows in self._rows.items():
            self.named_by[line] = frozenset(row.extra_id for row in rows if row.extra_id)
        self.sized = frozenset(line for line, rows in self._rows.items() if any(r.size_class_id for r in rows))

    def line(self, thing) -> Line:
        """The line of a row, a record or a consumable key."""
        if isinstance(thing, int):
            run = self.runs.get(thing)
            return ("run", run) if run else ("piece", thing)
        return ("run", thing.size_run_id) if thing.size_run_id else self.line(thing.consumable_id)

    @property
    def case_lines(self) -> set[Line]:
        return set(self._rows)

    @property
    def room_lines(self) -> set[Line]:
        return set(self._room_rows) | {("piece", pk) for pk in self._room_by_catalogue}

    def room_lines_of(self, case_type_id: int) -> set[Line]:
        """Lines that the set-up standard of the case type opens for the room and not for the case."""
        return {line for line, rows in self._room_rows.items() if any(r.case_type_id == case_type_id for r in rows)}

    def goes_by_room(self, case_type_id: int | None, consumable_id: int) -> bool:
        """Whether use by such a case belongs to the room's day and not to the case.

        The set-up standard of the case type decides, and the catalogue where it is silent.
        """
        stated = self._stated_basis.get((case_type_id, consumable_id))
        return consumable_id in self._room_by_catalogue if stated is None else stated

    def cell(self, line: Line, slot: Slot) -> Cell:
        size = slot.size_class_id if line in self.sized else None
        return (slot.case_type_id, slot.technique_id, size, slot.extras & self.named_by[line])

    def stated(self, line: Line, slot: Slot) -> list[tuple[float, float]]:
        """For each source that names the line for such a case: (probability to be opened, pieces when opened)."""
        return self._stated(line, self.cell(line, slot))

    def standard(self, lines: list[Line], cells: list[Cell], k_max: int) -> np.ndarray:
        """Softened pmf that the standard states for each line and cell: (lines, cells, k_max + 1)."""
        stated = [[self._stated(line, cell) for cell in cells] for line in lines]
        depth = max((len(sources) for row in stated for sources in row), default=0)
        shape = (len(lines), len(cells), 2)
        first = np.array([[sources[0] if sources else NOTHING for sources in row] for row in stated]).reshape(shape)
        pmfs = [standard_pmf(first[..., 0], first[..., 1], k_max)]
        nothing = np.zeros(k_max + 1)
        nothing[0] = 1.0
        for n in range(1, depth):
            beside = np.array([[row[n] if len(row) > n else NOTHING for row in r] for r in stated]).reshape(shape)
            pmf = standard_pmf(beside[..., 0], beside[..., 1], k_max)
            pmfs.append(np.where((beside[..., 0] > 0)[..., None], pmf, nothing))
        return combine_rows(np.stack(pmfs))

    def room_standard(self, lines: list[Line], case_types: list[set[int]], k_max: int) -> np.ndarray:
        """The same for lines that go by room and day: (lines, rooms, k_max + 1).

        case_types: for each room the case types on its list. One opening serves the day, so the case type that is
        likeliest to open the line decides. A room without a list gets the average of all case types.
        """
        probability = np.zeros((len(lines), len(case_types)))
        quantity = np.zeros_like(probability)
        for i, line in enumerate(lines):
            rows = self._room_rows.get(line, [])
            for r, on_list in enumerate(case_types):
                fits = [row for row in rows if row.case_type_id in on_list] if on_list else rows
                if fits:
                    openings = [_per_day(row) for row in fits]
                    probability[i, r] = max(openings) if on_list else sum(openings) / len(openings)
                    quantity[i, r] = max(row.quantity for row in fits)
        return standard_pmf(probability, quantity, k_max)

    def sizing(self, size_class_id: int, sizes: list[int], case_types: dict[int, float]) -> np.ndarray | None:
        """Expected share of each size of a run for a size class: (sizes,), or None where nothing is stated.

        From the sizing rules of the class, or else from the rows of its case types that name single sizes, each
        weighted by `case_types` (how many of the class's cases are of that type).
        """
        pieces = np.zeros(len(sizes))
        for row in self._sizing[size_class_id]:
            if row.consumable_id in sizes:
                pieces[sizes.index(row.consumable_id)] += row.probability * row.quantity
        if not pieces.any() and sizes:
            for row in self._rows[self.line(sizes[0])]:
                if row.consumable_id in sizes and row.size_class_id in (None, size_class_id):
                    weight = case_types.get(row.case_type_id, 0.0)
                    pieces[sizes.index(row.consumable_id)] += weight * row.probability * row.quantity
        return pieces / pieces.sum() if pieces.any() else None

    def _stated(self, line: Line, cell: Cell) -> list[tuple[float, float]]:
        """(probability, quantity) of each source that names the line for such a case."""
        case_type, _, size, extras = cell
        sources: dict[tuple, list[tuple]] = defaultdict(list)
        for row in self._rows.get(line, ()):
            if row.case_type_id in (None, case_type) and (row.extra_id is None or row.extra_id in extras):
                sources[row.case_type_id, row.extra_id].append(row)
        stated = []
        for rows in sources.values():
            own = [row for row in rows if size is not None and row.size_class_id == size]
            fits = own or [row for row in rows if row.size_class_id is None]
            if fits:
                probability = min(1.0, sum(row.probability for row in fits))
                stated.append((probability, sum(row.probability * row.quantity for row in fits) / probability))
        return stated


def _per_day(row: SetupStandard) -> float:
    """Probability that the row's line is opened on an operating day."""
    return row.probability / (OPERATING_DAYS_PER_WEEK if row.basis == Basis.PER_ROOM_WEEK else 1)
