"""From rows to arrays: what the department logged and laid down, in the shape the numeric core asks for.

Lines with the same kind of dependency (on the size class, on booked extras) are learned together, in one call.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from .forecasting.size_runs import learn_split, split_run
from .forecasting.usage import History, Learned, learn
from .setups import Cell, Line, Setups, Slot
from .tallies import Tallies

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
    with one cell for each room. splits: for each (size run, case type, size class) the share of each of its sizes.
    has_log: False while everything is from the set-up standard.
    """

    setups: Setups
    groups: tuple[LearnedLines, ...]
    group_of: dict[Line, int]
    room_days: LearnedLines
    splits: dict[tuple[int, int, int], np.ndarray]
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
                    shares[i] = self.splits[line[1], slot.case_type_id, slot.size_class_id][
                        self.setups.sizes[line[1]].index(consumable_id)
                    ]
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


def learn_usage(setups: Setups, tallies: Tallies, slots: Iterable[Slot]) -> Usage:
    """Learn all lines for the kinds of case that were logged or are in `slots`. Asks the database nothing."""
    slots = list(dict.fromkeys(slots))
    seen = list(dict.fromkeys([*tallies.slots.values(), *slots]))
    logged = {
        line for line, rows in tallies.quantities.items() if any(stratum in tallies.slots for stratum, *_ in rows)
    }
    by_dependency: dict[tuple[bool, bool], list[Line]] = defaultdict(list)
    for line in sorted(setups.case_lines | logged):
        by_dependency[line in setups.sized, bool(setups.named_by[line])].append(line)
    groups = tuple(_learn_group(lines, seen, setups, tallies) for lines in by_dependency.values())
    return Usage(
        setups=setups,
        groups=groups,
        group_of={line: n for n, group in enumerate(groups) for line in group.rows},
        room_days=_learn_rooms(setups, tallies, slots),
        splits=_learn_splits(setups, tallies, seen),
        has_log=bool(tallies.slots),
    )


def _learn_group(lines: list[Line], seen: list[Slot], setups: Setups, tallies: Tallies) -> LearnedLines:
    cells: dict[Cell, int] = {}
    for line in lines:
        for slot in seen:
            cells.setdefault(setups.cell(line, slot), len(cells))
    counts = np.zeros((len(lines), len(cells), K_MAX + 1))
    for row, line in enumerate(lines):
        cell_of = {stratum: cells[setups.cell(line, slot)] for stratum, slot in tallies.slots.items()}
        _count(counts[row], tallies, line, cell_of)
    history = History(
        counts=counts.clip(min=0.0),  # what was corrected away may leave a rounding error below zero
        parent=_numbered((technique, size, extras) for _, technique, size, extras in cells),
        standard=setups.standard(lines, list(cells), K_MAX),
    )
    return LearnedLines({line: row for row, line in enumerate(lines)}, cells, learn(history))


def _learn_rooms(setups: Setups, tallies: Tallies, slots: list[Slot]) -> LearnedLines:
    """Lines that go by room and day: a cell is a room, a group the rooms of one kind."""
    logged = {
        line for line, rows in tallies.quantities.items() if any(stratum in tallies.rooms for stratum, *_ in rows)
    }
    lines = sorted(setups.room_lines | logged)
    cells = {_room_cell(room): n for n, room in enumerate(setups.room_kinds)}
    on_list = [{slot.case_type_id for slot in slots if slot.room_id == room} for room in setups.room_kinds]
    counts = np.zeros((len(lines), len(cells), K_MAX + 1))
    cell_of = {stratum: cells[_room_cell(room)] for stratum, room in tallies.rooms.items()}
    for row, line in enumerate(lines):
        _count(counts[row], tallies, line, cell_of)
    history = History(
        counts=counts.clip(min=0.0),
        parent=_numbered(setups.room_kinds.values()),
        standard=setups.room_standard(lines, on_list, K_MAX),
    )
    return LearnedLines({line: row for row, line in enumerate(lines)}, cells, learn(history))


def _learn_splits(setups: Setups, tallies: Tallies, seen: list[Slot]) -> dict[tuple[int, int, int], np.ndarray]:
    """Share of each size of each run for each case type and size class.

    Body size decides first: a class's shares are expected from the rules, the rows and the par sheet, and learned over
    all its cases. A case type may have ways of its own (a wide catheter where blood is lost), so its shares are learned
    on top of those of the class.
    """
    case_types: dict[int, dict[int, float]] = defaultdict(lambda: defaultdict(float))
    for slot in seen:
        case_types[slot.size_class_id][slot.case_type_id] += 1.0
    for stratum, slot in tallies.slots.items():
        case_types[slot.size_class_id][slot.case_type_id] += tallies.cases[stratum]
    pieces = defaultdict(dict)
    for (case_type, size_class, consumable), amount in tallies.splits.items():
        pieces[case_type, size_class][consumable] = max(amount, 0.0)
    cells = [(case_type, size_class) for size_class, types in case_types.items() for case_type in types]

    splits = {}
    for run, sizes in setups.sizes.items():
        by_par = np.array([setups.cart_par.get(pk, 0) for pk in sizes], dtype=float) + PAR_PIECES
        by_par /= by_par.sum()
        expected = [setups.sizing(c, sizes, case_types[c]) for c in setups.size_classes]
        standard = np.array(
            [by_par if stated is None else (stated + PAR_PIECES * by_par) / (1 + PAR_PIECES) for stated in expected]
        )
        of_cell = np.array([[pieces[cell].get(pk, 0.0) for pk in sizes] for cell in cells]).reshape(-1, len(sizes))
        class_of = np.array([setups.size_classes.index(size_class) for _, size_class in cells], dtype=int)
        of_class = np.zeros_like(standard)
        np.add.at(of_class, class_of, of_cell)
        learned = learn_split(of_cell, learn_split(of_class, standard)[class_of])
        splits.update({(run, *cell): shares for cell, shares in zip(cells, learned, strict=True)})
    return splits


def _count(counts: np.ndarray, tallies: Tallies, line: Line, cell_of: dict[int, int]) -> None:
    """Fill one line's counts (cells, K+1): what was tallied, and in all other cases none."""
    for stratum, cell in cell_of.items():
        counts[cell, 0] += tallies.cases[stratum]
    for stratum, quantity, weight in tallies.quantities.get(line, ()):
        if stratum in cell_of:
            counts[cell_of[stratum], min(quantity, K_MAX)] += weight
            counts[cell_of[stratum], 0] -= weight


def _room_cell(room_id: int) -> Cell:
    return (room_id, 0, None, frozenset())


def _numbered(keys: Iterable) -> np.ndarray:
    """Each key as the number of its first appearance among the different ones."""
    numbers: dict = {}
    return np.array([numbers.setdefault(key, len(numbers)) for key in keys], dtype=int)
