"""What is likely laid out for a case, in set-up order: where a log starts, so that a standard case is one tap."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from math import floor

import numpy as np
from django.db.models import QuerySet

from inventory.models import Consumable, Department, Section, SizeRun

from ..forecasting.size_runs import learn_split
from ..models import Case, SplitTally
from .setups import Line, Setups, Slot

MORE_OFTEN_THAN_NOT = 0.5


@dataclass(frozen=True)
class SetupLine:
    """One consumable with the pieces that the set-up standard expects. `usual`: the likely size of its run."""

    consumable: Consumable
    expected: int
    usual: bool = False


@dataclass(frozen=True)
class SetupRun:
    """The sizes of a run side by side, smallest first. `expected` pieces in all stand at the likely size.

    from_log: whether logged cases had a say in which size is likely, or only the department's own rules.
    """

    run: SizeRun
    sizes: tuple[SetupLine, ...]
    expected: int
    from_log: bool

    @property
    def likely(self) -> SetupLine:
        return next(size for size in self.sizes if size.usual)

    @property
    def near(self) -> tuple[SetupLine, ...]:
        """The likely size with two on either side."""
        at = self.sizes.index(self.likely)
        first = max(0, min(at - 2, len(self.sizes) - 5))
        return self.sizes[first : first + 5]

    @property
    def far(self) -> tuple[SetupLine, ...]:
        """All other sizes."""
        return tuple(size for size in self.sizes if size not in self.near)


@dataclass(frozen=True)
class SetupSection:
    """One part of the work area. `rare`: named by the standard, but more often left closed than opened."""

    section: Section
    items: tuple[SetupLine | SetupRun, ...]
    rare: tuple[SetupLine | SetupRun, ...]

    @property
    def name(self) -> str:
        return self.section.label

    @property
    def pieces(self) -> int:
        return sum(item.expected for item in self.items)


def setup_for(case: Case, setups: Setups | None = None) -> tuple[SetupSection, ...]:
    """The set-up standard of the case's type, size class and booked extras, by section.

    A source (the case type, an extra) counts with its usual number of pieces where it opens the line more often than
    not, and with none otherwise: a line that three cases in ten open five of is right with 0 and wrong with 2.
    """
    setups = setups or Setups(case.department)
    slot = slot_of(case)
    lines = {line: sources for line in setups.case_lines if (sources := setups.stated(line, slot))}
    # What goes by room and day is no case's own: offered, and never expected.
    lines = {line: [] for line in setups.room_lines_of(case.case_type_id)} | lines
    pieces = _consumables(case.department, lines, setups)
    runs = SizeRun.objects.in_bulk(pk for what, pk in lines if what == "run")
    splits = SplitTally.objects.filter(size_class=slot.size_class_id, consumable__size_run__in=runs)
    taken = _taken(splits)
    likely_sizes = {run: _likely_sizes([slot], setups, run, taken) for run in runs}

    by_section: dict[Section, list[SetupLine | SetupRun]] = defaultdict(list)
    for (what, pk), sources in lines.items():
        expected = sum(_usual_pieces(*source) for source in sources)
        if what == "piece":
            if pk in pieces:
                by_section[Section(pieces[pk].section)].append(SetupLine(pieces[pk], expected))
            continue
        sizes = [pieces[size] for size in setups.sizes[pk]]
        ((likely,), (from_log,)) = likely_sizes[pk]
        by_section[Section(sizes[0].section)].append(
            SetupRun(
                run=runs[pk],
                sizes=tuple(
                    SetupLine(size, expected if n == likely else 0, usual=n == likely) for n, size in enumerate(sizes)
                ),
                expected=expected,
                from_log=bool(from_log),
            )
        )
    return tuple(
        SetupSection(
            section,
            tuple(item for item in sorted(by_section[section], key=_in_order) if item.expected),
            tuple(item for item in sorted(by_section[section], key=_in_order) if not item.expected),
        )
        for section in Section
        if by_section[section]
    )


def expected_pieces(department: Department) -> dict[tuple[int, int], list[tuple[int, int]]]:
    """What `setup_for` expects of every kind of case that nobody booked extras for, without asking for each.

    Keys are (case type, size class); values (consumable, pieces) in set-up order. All of them primary keys.
    """
    setups = Setups(department)
    order = {section: number for number, section in enumerate(Section)}
    lines = department.consumables.values_list("pk", "section", "code")
    place = {pk: (order[Section(section)], code) for pk, section, code in lines}
    taken = _taken(SplitTally.objects.filter(size_class__department=department))
    expected = {}
    runs: dict[int, list[tuple[Slot, int]]] = defaultdict(list)
    for case_type_id, technique_id in department.case_types.values_list("pk", "technique"):
        slots = [Slot(0, case_type_id, technique_id, size_class_id) for size_class_id in setups.size_classes]
        expected |= {(case_type_id, slot.size_class_id): [] for slot in slots}
        for what, pk in setups.case_lines:
            # Most lines are the same for every size class, and asking is what costs.
            of_one = None if (what, pk) in setups.sized else _expected((what, pk), slots[0], setups)
            for slot in slots:
                pieces = _expected((what, pk), slot, setups) if of_one is None else of_one
                if pieces and what == "run":
                    runs[pk].append((slot, pieces))
                elif pieces and pk in place:
                    expected[case_type_id, slot.size_class_id].append((place[pk], pk, pieces))
    for run, asked in runs.items():
        sizes = setups.sizes[run]
        likely, _ = _likely_sizes([slot for slot, _ in asked], setups, run, taken)
        for (slot, pieces), size in zip(asked, likely, strict=True):
            expected[slot.case_type_id, slot.size_class_id].append((place[sizes[0]], sizes[size], pieces))
    return {kind: [(pk, pieces) for _, pk, pieces in sorted(found)] for kind, found in expected.items()}


def expected_of_extras(department: Department) -> dict[tuple[int, int], list[tuple[int, int]]]:
    """What each booked extra adds to that. Keys are (extra, size class); values as those of `expected_pieces`."""
    setups = Setups(department)
    taken = _taken(SplitTally.objects.filter(size_class__department=department))
    expected = {}
    for extra in department.extras.values_list("pk", flat=True):
        named = sorted(line for line in setups.case_lines if extra in setups.named_by[line])
        for size_class in setups.size_classes:
            slot = Slot(0, 0, 0, size_class, frozenset({extra}))  # of no case type: what the extra asks for alone
            found = expected[extra, size_class] = []
            for what, pk in named:
                pieces = _expected((what, pk), slot, setups)
                if pieces and what == "run":
                    (likely,), _ = _likely_sizes([slot], setups, pk, taken)
                    pk = setups.sizes[pk][likely]
                if pieces:
                    found.append((pk, pieces))
    return expected


def _expected(line: Line, slot: Slot, setups: Setups) -> int:
    return sum(_usual_pieces(*source) for source in setups.stated(line, slot))


def lines_of(sections: Iterable[SetupSection]) -> list[Consumable]:
    """The consumables of a set-up in its order: of a run only the likely size, and nothing that is rare."""
    items = (item for section in sections for item in section.items)
    return [item.likely.consumable if isinstance(item, SetupRun) else item.consumable for item in items]


def _consumables(department: Department, lines: Iterable, setups: Setups) -> dict[int, Consumable]:
    """The consumables behind lines of the forecast, by primary key: one query."""
    wanted = {pk for what, pk in lines if what == "piece"}
    wanted |= {size for what, run in lines if what == "run" for size in setups.sizes[run]}
    return department.consumables.in_bulk(wanted)


def slot_of(case: Case) -> Slot:
    """The kind of case that it is."""
    extras = frozenset(extra.pk for extra in case.extras.all())
    return Slot(case.room_id, case.case_type_id, case.technique_id, case.size_class_id, extras)


def _usual_pieces(probability: float, quantity: float) -> int:
    return floor(quantity + 0.5) if probability >= MORE_OFTEN_THAN_NOT else 0


# Pieces that logged cases took, by (size class, case type, consumable), and by (size class, None, consumable) in all.
Taken = dict[tuple[int, int | None, int], float]


def _taken(splits: QuerySet[SplitTally]) -> Taken:
    taken: Taken = defaultdict(float)
    for size_class, case_type, consumable, pieces in splits.values_list(
        "size_class", "case_type", "consumable", "pieces"
    ):
        taken[size_class, None, consumable] += pieces
        taken[size_class, case_type, consumable] += pieces
    return taken


def _likely_sizes(slots: list[Slot], setups: Setups, run: int, taken: Taken) -> tuple[np.ndarray, np.ndarray]:
    """For each slot which size of a run is the likely one, by its place in the run, and whether logged pieces say so.

    The department's rules first, then what cases of the size class took, then what this case type among them took:
    the forecast learns a split in the same steps, over all case types at once.
    """
    sizes = setups.sizes[run]
    stated = np.array([_stated_shares(slot, setups, sizes) for slot in slots])
    of_class, of_type = (
        np.array(
            [[max(taken.get((slot.size_class_id, kind, size), 0.0), 0.0) for size in sizes] for slot, kind in asked]
        )
        for asked in ([(slot, None) for slot in slots], [(slot, slot.case_type_id) for slot in slots])
    )
    shares = learn_split(of_type, learn_split(of_class, stated))
    return shares.argmax(axis=1), of_class.any(axis=1)


def _stated_shares(slot: Slot, setups: Setups, sizes: list[int]) -> np.ndarray:
    stated = setups.sizing(slot.size_class_id, sizes, {slot.case_type_id: 1.0})
    if stated is None:
        par = np.array([setups.cart_par.get(size, 0) for size in sizes], dtype=float) + 1e-9
        stated = par / par.sum()
    return stated


def _in_order(item: SetupLine | SetupRun) -> str:
    return item.consumable.code if isinstance(item, SetupLine) else item.sizes[0].consumable.code
