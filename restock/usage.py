"""From rows to arrays: what the department logged and laid down, in the shape the numeric core asks for.

Lines with the same kind of dependency (on the size class, on booked extras) are learned together, in one call.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from django.db.models import Sum

from inventory.models import Department, StockingLine

from .forecasting.size_runs import learn_split, split_run
from .forecasting.usage import History, Learned, learn
from .models import Learning, QuantityTally, SplitTally, Stratum
from .setups import Cell, Line, Setups, Slot

K_MAX = 24  # pieces of one line that one case is told to use at most; what is more counts as this many
PAR_PIECES = 0.2  # pieces that the par sheet counts for when sizes are expected beside a sizing rule


@dataclass(frozen=True)
class LearnedLines:
    """What was learned of lines with one kind of dependency. `learned` is indexed by rows and cells."""

    rows: dict[Line, int]
    cells: dict[Cell, int]
    learned: Learned


@dataclass(frozen=True)
class Usage:
    """All that was learned of a department, to be asked about slots and rooms.

    groups: lines by kind of dependency. group_of: the group of each line. room_days: lines that go by room and day,
    with one cell for each room. splits: for each (size run, size class) the share of each of its sizes.
    sizes: the consumables of each run, smallest first. has_log: False while everything is from the set-up standard.
    """

    setups: Setups
    groups: tuple[LearnedLines, ...]
    group_of: dict[Line, int]
    room_days: LearnedLines
    splits: dict[tuple[int, int], np.ndarray]
    sizes: dict[int, tuple[int, ...]]
    has_log: bool

    def alpha(self, line: Line, slot: Slot) -> np.ndarray:
        """Dirichlet parameters of the pieces of a line that such a case uses: (K+1,), in cases."""
        group = self.groups[self.group_of[line]]
        return group.learned.alpha[group.rows[line], group.cells[self.setups.cell(line, slot)]]

    def experience(self, consumable_id: int, slot: Slot) -> tuple[float, float]:
        """Own earlier cases behind the forecast (faded), and the weight of what it borrows, in cases."""
        line = self.setups.line(consumable_id)
        if line not in self.group_of:
            return 0.0, 0.0
        group = self.groups[self.group_of[line]]
        row, cell = group.rows[line], group.cells[self.setups.cell(line, slot)]
        return float(group.learned.own_cases[row, cell]), float(group.learned.borrowed_weight[row, cell])

    def consumable_pmfs(self, slot: Slot, consumables: list[int]) -> np.ndarray:
        """Distribution of the pieces of each consumable that a case uses: (consumables, K+1).

        A consumable that neither the log nor the set-up standard names for any case is used by none.
        """
        pmfs = np.zeros((len(consumables), K_MAX + 1))
        pmfs[:, 0] = 1.0
        shares = np.ones(len(consumables))
        for i, consumable_id in enumerate(consumables):
            line = self.setups.line(consumable_id)
            if line in self.group_of:
                alpha = self.alpha(line, slot)
                pmfs[i] = alpha / alpha.sum()
                if line[0] == "run":
                    shares[i] = self.splits[line[1], slot.size_class_id][self.sizes[line[1]].index(consumable_id)]
        split = shares < 1.0
        pmfs[split] = split_run(pmfs[split], shares[split])
        return pmfs

    def room_pmf(self, room_id: int, consumable_id: int) -> np.ndarray | None:
        """Distribution of the pieces that a room uses in a day whatever its cases: (K+1,), None where nothing."""
        row = self.room_days.rows.get(("piece", consumable_id))
        if row is None:
            return None
        alpha = self.room_days.learned.alpha[row, self.room_days.cells[_room_cell(room_id)]]
        return alpha / alpha.sum()


@dataclass(frozen=True)
class _Tallies:
    """The stored tallies as they count on the day of the forecast: weights in cases."""

    slots: dict[int, Slot]  # of each case stratum
    rooms: dict[int, int]  # the room of each room stratum
    cases: dict[int, float]  # of each stratum
    quantities: dict[Line, list[tuple[int, int, float]]]  # (stratum, pieces, weight) of each line


def learn_usage(department: Department, slots: Iterable[Slot], *, fade: float) -> Usage:
    """Learn all lines of a department, for the kinds of case that were logged or are in `slots`.

    `fade` turns a stored weight into cases as they count on the day of the forecast (restock.models.learning). The
    number of queries does not depend on the number of rows.
    """
    slots = list(dict.fromkeys(slots))
    setups = Setups(department)
    tallies = _read_tallies(department, fade)
    seen = list(dict.fromkeys([*tallies.slots.values(), *slots]))

    case_lines = setups.case_lines | {
        line for line, rows in tallies.quantities.items() if any(stratum in tallies.slots for stratum, *_ in rows)
    }
    by_dependency: dict[tuple[bool, bool], list[Line]] = defaultdict(list)
    for line in sorted(case_lines):
        by_dependency[line in setups.sized, bool(setups.named_by[line])].append(line)
    groups = tuple(_learn_group(lines, seen, setups, tallies) for lines in by_dependency.values())

    sizes: dict[int, list[int]] = defaultdict(list)
    in_runs = department.consumables.filter(size_run__isnull=False).order_by("size_position")
    for pk, run in in_runs.values_list("pk", "size_run"):
        sizes[run].append(pk)
    return Usage(
        setups=setups,
        groups=groups,
        group_of={line: n for n, group in enumerate(groups) for line in group.rows},
        room_days=_learn_rooms(department, setups, tallies, slots),
        splits=_learn_splits(department, setups, tallies, sizes, seen, fade),
        sizes={run: tuple(pks) for run, pks in sizes.items()},
        has_log=bool(tallies.slots),
    )


def fade_factor(department: Department, day) -> float:
    """What a stored weight must be multiplied with to count as cases on that day. 1 where nothing was learned."""
    learning = Learning.objects.filter(department=department).first()
    return 2.0 ** (-(day - learning.landmark).days / learning.half_life_days) if learning else 1.0


def _read_tallies(department: Department, fade: float) -> _Tallies:
    slots, rooms, cases = {}, {}, {}
    for stratum in Stratum.objects.filter(department=department):
        cases[stratum.pk] = stratum.cases * fade
        if stratum.room_id:
            rooms[stratum.pk] = stratum.room_id
        else:
            extras = frozenset(int(pk) for pk in stratum.extras.split(",") if pk)
            slots[stratum.pk] = Slot(0, stratum.case_type_id, stratum.technique_id, stratum.size_class_id, extras)
    quantities = defaultdict(list)
    fields = ("stratum", "consumable", "size_run", "quantity", "weight")
    for stratum, consumable, run, quantity, weight in QuantityTally.objects.filter(
        stratum__department=department
    ).values_list(*fields):
        line = ("run", run) if run else ("piece", consumable)
        quantities[line].append((stratum, min(quantity, K_MAX), weight * fade))
    return _Tallies(slots, rooms, cases, quantities)


def _learn_group(lines: list[Line], seen: list[Slot], setups: Setups, tallies: _Tallies) -> LearnedLines:
    cells: dict[Cell, int] = {}
    for line in lines:
        for slot in seen:
            cells.setdefault(setups.cell(line, slot), len(cells))
    counts = np.zeros((len(lines), len(cells), K_MAX + 1))
    for row, line in enumerate(lines):
        cell_of = {stratum: cells[setups.cell(line, slot)] for stratum, slot in tallies.slots.items()}
        _count(counts[row], tallies, tallies.quantities[line], cell_of)
    history = History(
        counts=counts.clip(min=0.0),  # what was corrected away may leave a rounding error below zero
        parent=_numbered((technique, size, extras) for _, technique, size, extras in cells),
        standard=setups.standard(lines, list(cells), K_MAX),
    )
    return LearnedLines({line: row for row, line in enumerate(lines)}, cells, learn(history))


def _learn_rooms(department: Department, setups: Setups, tallies: _Tallies, slots: list[Slot]) -> LearnedLines:
    """Lines that go by room and day: a cell is a room, a group the rooms of one kind."""
    kinds = dict(department.rooms.order_by("pk").values_list("pk", "kind"))
    logged = {
        line for line, rows in tallies.quantities.items() if any(stratum in tallies.rooms for stratum, *_ in rows)
    }
    lines = sorted(setups.room_lines | logged)
    cells = {_room_cell(room): n for n, room in enumerate(kinds)}
    on_list = [{slot.case_type_id for slot in slots if slot.room_id == room} for room in kinds]
    counts = np.zeros((len(lines), len(cells), K_MAX + 1))
    cell_of = {stratum: cells[_room_cell(room)] for stratum, room in tallies.rooms.items()}
    for row, line in enumerate(lines):
        _count(counts[row], tallies, tallies.quantities[line], cell_of)
    history = History(
        counts=counts.clip(min=0.0),
        parent=_numbered(kinds.values()),
        standard=setups.room_standard(lines, on_list, K_MAX),
    )
    return LearnedLines({line: row for row, line in enumerate(lines)}, cells, learn(history))


def _learn_splits(
    department: Department,
    setups: Setups,
    tallies: _Tallies,
    sizes: dict[int, list[int]],
    seen: list[Slot],
    fade: float,
) -> dict[tuple[int, int], np.ndarray]:
    """Share of each size of each run for each size class, expected from the rules, the rows and the par sheet."""
    classes = list(department.size_classes.values_list("pk", flat=True))
    pars = dict(
        StockingLine.objects.filter(place__department=department, place__role="cart")
        .order_by()
        .values_list("consumable")
        .annotate(Sum("par"))
    )
    pieces = {
        (size_class, consumable): amount * fade
        for size_class, consumable, amount in SplitTally.objects.filter(consumable__department=department).values_list(
            "size_class", "consumable", "pieces"
        )
    }
    case_types: dict[int, dict[int, float]] = defaultdict(lambda: defaultdict(float))
    for slot in seen:
        case_types[slot.size_class_id][slot.case_type_id] += 1.0
    for stratum, slot in tallies.slots.items():
        case_types[slot.size_class_id][slot.case_type_id] += tallies.cases[stratum]

    splits = {}
    for run, members in sizes.items():
        by_par = np.array([pars.get(pk, 0) for pk in members], dtype=float) + PAR_PIECES
        by_par /= by_par.sum()
        counts = np.array([[pieces.get((c, pk), 0.0) for pk in members] for c in classes])
        expected = [setups.sizing(c, tuple(members), case_types[c]) for c in classes]
        standard = np.array(
            [by_par if stated is None else (stated + PAR_PIECES * by_par) / (1 + PAR_PIECES) for stated in expected]
        )
        learned = learn_split(counts.clip(min=0.0), standard)
        splits.update({(run, size_class): learned[n] for n, size_class in enumerate(classes)})
    return splits


def _count(counts: np.ndarray, tallies: _Tallies, rows: list[tuple[int, int, float]], cell_of: dict[int, int]) -> None:
    """Fill one line's counts (cells, K+1): what was tallied, and in all other cases none."""
    for stratum, cell in cell_of.items():
        counts[cell, 0] += tallies.cases[stratum]
    for stratum, quantity, weight in rows:
        if stratum in cell_of:
            counts[cell_of[stratum], quantity] += weight
            counts[cell_of[stratum], 0] -= weight


def _room_cell(room_id: int) -> Cell:
    return (room_id, 0, None, frozenset())


def _numbered(keys: Iterable) -> np.ndarray:
    """Each key as the number of its first appearance among the different ones."""
    numbers: dict = {}
    return np.array([numbers.setdefault(key, len(numbers)) for key in keys], dtype=int)
