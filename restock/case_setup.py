"""What is likely laid out for a case, in set-up order: where a log starts, so that a standard case is one tap."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from math import floor

import numpy as np

from inventory.models import Consumable, Department, Section, SizeRun

from .forecasting.size_runs import learn_split
from .models import Case, SplitTally
from .setups import Setups, Slot

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
    shares = _size_shares(case, setups, [pk for what, pk in lines if what == "run"])

    by_section: dict[Section, list[SetupLine | SetupRun]] = defaultdict(list)
    for (what, pk), sources in lines.items():
        expected = sum(_usual_pieces(*source) for source in sources)
        if what == "piece":
            if pk in pieces:
                by_section[Section(pieces[pk].section)].append(SetupLine(pieces[pk], expected))
            continue
        sizes = [pieces[size] for size in setups.sizes[pk]]
        share, from_log = shares[pk]
        likely = int(share.argmax())
        by_section[Section(sizes[0].section)].append(
            SetupRun(
                run=runs[pk],
                sizes=tuple(
                    SetupLine(size, expected if n == likely else 0, usual=n == likely) for n, size in enumerate(sizes)
                ),
                expected=expected,
                from_log=from_log,
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


def _size_shares(case: Case, setups: Setups, runs: list[int]) -> dict[int, tuple[np.ndarray, bool]]:
    """For each run the share of each size for such a case, and whether logged pieces are in it.

    The department's rules first, then what cases of the size class took, then what this case type among them took:
    the forecast learns a split in the same steps, over all case types at once.
    """
    sizes = [size for run in runs for size in setups.sizes[run]]
    taken: dict[tuple[bool, int], float] = defaultdict(float)
    splits = SplitTally.objects.filter(size_class=case.size_class_id, consumable__in=sizes)
    for case_type_id, consumable_id, pieces in splits.values_list("case_type", "consumable", "pieces"):
        taken[False, consumable_id] += pieces
        taken[True, consumable_id] += pieces * (case_type_id == case.case_type_id)

    shares = {}
    for run in runs:
        of_run = setups.sizes[run]
        stated = setups.sizing(case.size_class_id, of_run, {case.case_type_id: 1.0})
        if stated is None:
            par = np.array([setups.cart_par.get(size, 0) for size in of_run], dtype=float) + 1e-9
            stated = par / par.sum()
        of_class, of_type = (np.array([[max(taken[own, size], 0.0) for size in of_run]]) for own in (False, True))
        learned = learn_split(of_type, learn_split(of_class, stated[None]))[0] if of_class.any() else stated
        shares[run] = learned, bool(of_class.any())
    return shares


def _in_order(item: SetupLine | SetupRun) -> str:
    return item.consumable.code if isinstance(item, SetupLine) else item.sizes[0].consumable.code
