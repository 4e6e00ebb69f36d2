"""From rows to arrays: what the department logged and laid down, in the shape the numeric core asks for.

Lines with the same kind of dependency (on the size class, on booked extras) are learned together, in one call.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from ..cases.setups import Cell, Line, Setups, Slot
from ..forecasting.capture import learn_corrected, put_lines
from ..forecasting.convolution import clean
from ..forecasting.size_runs import learn_split, split_run
from ..forecasting.usage import History, Learned, Weights
from .fits import WEIGHT_FIELDS, Captured, Fitted
from .tallies import Tallies

K_MAX = 24  # pieces of one line that one case is told to use at most; what is more counts as this many
SMALLEST_WEIGHT = 1e-9  # cases; a tally below this was corrected away
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
    _answers: dict = field(default_factory=dict, repr=False, compare=False)  # a kind of case is asked about many times

    @property
    def weights(self) -> dict[tuple[bool, Line], tuple[float, ...]]:
        """How much each source counts for, as `Fitted.weights` holds it."""
        return {
            (lines is self.room_days, line): tuple(
                float(getattr(lines.learned.weights, name)[row]) for name in WEIGHT_FIELDS
            )
            for lines in (*self.groups, self.room_days)
            for line, row in lines.rows.items()
        }

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

    def own_standard_share(self, consumable_id: int) -> float:
        """Of what a kind of case borrows for this consumable, the share that is its own set-up standard."""
        line = self.setups.line(consumable_id)
        if line not in self.group_of:
            return 1.0
        group = self.groups[self.group_of[line]]
        return float(group.learned.weights.own_standard_share[group.rows[line]])

    def consumable_pmfs(self, slot: Slot, consumables: list[int]) -> np.ndarray:
        """Distribution of the pieces of each consumable that a case uses: (consumables, K+1).

        A consumable that neither the log nor the set-up standard names for any case is used by none.
        """
        asked = tuple(consumables)
        if asked not in self._answers:
            self._answers[asked] = (_Asked(self, asked), {})
        question, answers = self._answers[asked]
        if slot not in answers:
            answers[slot] = question.pmfs(slot)
        return answers[slot]

    def room_pmf(self, room_id: int, consumable_id: int) -> np.ndarray | None:
        """Distribution of the pieces that a room uses in a day whatever its cases: (K+1,), None where nothing."""
        row = self.room_days.rows.get(("piece", consumable_id))
        if row is None:
            return None
        alpha = self.room_days.learned.alpha[row, self.room_days.cells[_room_cell(room_id)]]
        return alpha / alpha.sum()


class _Asked:
    """Where the answer for each of some consumables stands, so that a kind of case is looked up in a few steps."""

    def __init__(self, usage: Usage, consumables: tuple[int, ...]) -> None:
        self._usage, self._n_asked = usage, len(consumables)
        alike: dict[tuple, list[tuple[int, int]]] = defaultdict(list)
        self._sizes: list[tuple[int, int, int]] = []
        for n, consumable in enumerate(consumables):
            line = usage.setups.line(consumable)
            if line in usage.group_of:
                group = usage.group_of[line]
                alike[group, usage.setups.named_by[line]].append((n, usage.groups[group].rows[line]))
                if line[0] == "run":
                    self._sizes.append((n, line[1], usage.setups.sizes[line[1]].index(consumable)))
        self._alike = [(usage.groups[group], *np.array(found).T) for (group, _), found in alike.items()]
        self._example = [next(k for k, row in g.rows.items() if row == rows[0]) for g, _, rows in self._alike]

    def pmfs(self, slot: Slot) -> np.ndarray:
        """(consumables, K+1), read-only: it is handed out again."""
        pmfs = np.zeros((self._n_asked, K_MAX + 1))
        pmfs[:, 0] = 1.0
        for (group, at, rows), line in zip(self._alike, self._example, strict=True):
            alpha = group.learned.alpha[rows, group.cells[self._usage.setups.cell(line, slot)]]
            pmfs[at] = alpha / alpha.sum(axis=1, keepdims=True)
        if self._sizes:
            at = [n for n, *_ in self._sizes]
            of_case = (slot.case_type_id, slot.size_class_id)
            pmfs[at] = split_run(pmfs[at], [self._usage.splits[run, *of_case][size] for _, run, size in self._sizes])
        clean(pmfs)  # what is below the sums' own noise only makes them longer
        pmfs.flags.writeable = False
        return pmfs


def learn_usage(setups: Setups, tallies: Tallies, slots: Iterable[Slot]) -> Usage:
    """Learn all lines for the kinds of case that were logged or are in `slots`. Asks the database nothing."""
    slots = list(dict.fromkeys(slots))
    seen = list(dict.fromkeys([*tallies.slots.values(), *slots]))
    by_dependency: dict[tuple[bool, bool], list[Line]] = defaultdict(list)
    for line in sorted(setups.case_lines | tallies.lines_of(tallies.slots)):
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
    by_dependency: dict[tuple, dict[int, int]] = {}  # the cell of each stratum: lines that depend on the same share it
    cell_of = {}
    for line in lines:
        depends_on = (line in setups.sized, setups.named_by[line])
        if depends_on not in by_dependency:
            number = {slot: cells.setdefault(setups.cell(line, slot), len(cells)) for slot in seen}
            by_dependency[depends_on] = {stratum: number[slot] for stratum, slot in tallies.slots.items()}
        cell_of[line] = by_dependency[depends_on]
    parent = _numbered((technique, size, extras) for _, technique, size, extras in cells)
    standard = setups.standard(lines, list(cells), K_MAX)
    learned = _learn_lines(lines, cell_of, parent, standard, setups, tallies, by_room=False)
    return LearnedLines({line: row for row, line in enumerate(lines)}, cells, learned)


def _learn_rooms(setups: Setups, tallies: Tallies, slots: list[Slot]) -> LearnedLines:
    """Lines that go by room and day: a cell is a room, a group the rooms of one kind."""
    lines = sorted(setups.room_lines | tallies.lines_of(tallies.rooms))
    cells = {_room_cell(room): n for n, room in enumerate(setups.room_kinds)}
    on_list = [{slot.case_type_id for slot in slots if slot.room_id == room} for room in setups.room_kinds]
    strata = {stratum: cells[_room_cell(room)] for stratum, room in tallies.rooms.items()}
    parent, standard = _numbered(setups.room_kinds.values()), setups.room_standard(lines, on_list, K_MAX)
    learned = _learn_lines(lines, dict.fromkeys(lines, strata), parent, standard, setups, tallies, by_room=True)
    return LearnedLines({line: row for row, line in enumerate(lines)}, cells, learned)


def _learn_lines(
    lines: list[Line],
    cell_of: dict[Line, dict[int, int]],
    parent: np.ndarray,
    standard: np.ndarray,
    setups: Setups,
    tallies: Tallies,
    *,
    by_room: bool,
) -> Learned:
    """Learn from the tallies, put right for what was not logged and for demand that was cut off.

    cell_of: for each line the cell of each stratum that counts for it. What was corrected away in the tallies may leave
    a rounding error below zero.
    """
    counts, cut_off = np.zeros(standard.shape), np.zeros(standard.shape)
    for row, line in enumerate(lines):
        _count(counts[row], cut_off[row], tallies, line, cell_of[line])
    cut_off[cut_off < SMALLEST_WEIGHT] = 0.0
    history = History(counts.clip(min=0.0), parent, standard, standards_held=not by_room)
    kappa = np.array([captured(line, setups, tallies.fitted).kappa for line in lines])
    weights = _stored_weights(lines, tallies.fitted, by_room=by_room)
    missing = np.flatnonzero(np.isnan(weights.cell_weight))
    if missing.size:
        part = replace(history, counts=history.counts[missing], standard=standard[missing])
        found = learn_corrected(part, kappa=kappa[missing], cut_off=cut_off[missing])
        if missing.size == len(lines):
            return found
        weights = put_lines(weights, missing, found.weights)
    return learn_corrected(history, kappa=kappa, cut_off=cut_off, weights=weights)


def captured(line: Line, setups: Setups, fitted: Fitted) -> Captured:
    """What counts say of a line's log; of a size run, all its sizes together."""
    of_line = setups.sizes[line[1]] if line[0] == "run" else [line[1]]
    return sum((fitted.captured[pk] for pk in of_line if pk in fitted.captured), Captured())


def _stored_weights(lines: list[Line], fitted: Fitted, *, by_room: bool) -> Weights:
    """The weights that the newest refit chose; not a number for a line that it did not know."""
    unknown = (np.nan,) * len(WEIGHT_FIELDS)
    table = np.array([fitted.weights.get((by_room, line), unknown) for line in lines], dtype=float)
    return Weights(*table.reshape(len(lines), len(WEIGHT_FIELDS)).T)


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


def _count(counts: np.ndarray, cut_off: np.ndarray, tallies: Tallies, line: Line, cell_of: dict[int, int]) -> None:
    """Fill one line's counts and cut-off cases, (cells, K+1) each: what was tallied, and in all other cases none."""
    for stratum, cell in cell_of.items():
        counts[cell, 0] += tallies.cases[stratum]
    for into, rows in ((counts, tallies.quantities), (cut_off, tallies.cut_off)):
        for stratum, quantity, weight in rows.get(line, ()):
            if stratum in cell_of:
                into[cell_of[stratum], min(quantity, K_MAX)] += weight
                counts[cell_of[stratum], 0] -= weight


def _room_cell(room_id: int) -> Cell:
    return (room_id, 0, None, frozenset())


def _numbered(keys: Iterable) -> np.ndarray:
    """Each key as the number of its first appearance among the different ones."""
    numbers: dict = {}
    return np.array([numbers.setdefault(key, len(numbers)) for key in keys], dtype=int)
