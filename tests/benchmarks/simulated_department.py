"""A synthetic anaesthesia department whose true use is known, to measure forecasts against.

12 rooms, 60 case types, 5 techniques, 6 size classes, 40 lines; procedures have their rooms and weekdays,
some cases are cancelled, some are added unplanned. Set-up standards state the typical quantity per technique
and 15% of them are stale. All of it is invented; no real department is described.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.true_use import (
    K_MAX,
    SIZE_CLASSES,
    TECHNIQUES,
    Circumstances,
    ExactlyOne,
    LineKit,
    Lumpy,
    Overdispersed,
    Rare,
    Run,
    SizeOfRun,
    Syringe,
)

N_TECHNIQUES, N_SIZES = len(TECHNIQUES), len(SIZE_CLASSES)
STALE_STANDARDS = 0.15
MINUTES_SD = 0.35  # of log minutes within a case type

TUBE_SPLIT = np.array(
    [
        [0.55, 0.43, 0.02, 0, 0, 0, 0, 0],
        [0.05, 0.50, 0.40, 0.05, 0, 0, 0, 0],
        [0, 0, 0.10, 0.45, 0.40, 0.05, 0, 0],
        [0, 0, 0, 0, 0.05, 0.55, 0.38, 0.02],
        [0, 0, 0, 0, 0, 0.22, 0.60, 0.18],
        [0, 0, 0, 0, 0, 0.05, 0.45, 0.50],
    ]
)
MASK_SPLIT = np.array(
    [
        [0.95, 0.05, 0, 0],
        [0.60, 0.40, 0, 0],
        [0.05, 0.85, 0.10, 0],
        [0, 0.05, 0.85, 0.10],
        [0, 0, 0.35, 0.65],
        [0, 0, 0.10, 0.90],
    ]
)
CANNULA_SPLIT = np.array(
    [
        [0.90, 0.10, 0, 0],
        [0.70, 0.30, 0, 0],
        [0.15, 0.75, 0.10, 0],
        [0, 0.30, 0.60, 0.10],
        [0, 0.10, 0.60, 0.30],
        [0, 0.05, 0.45, 0.50],
    ]
)


@dataclass(frozen=True)
class Cases:
    """Every case of the simulation, in order of day and room; arrays (cases,)."""

    day: np.ndarray
    room: np.ndarray
    case_type: np.ndarray
    technique: np.ndarray
    size_class: np.ndarray
    arterial: np.ndarray
    central: np.ndarray
    log_minutes: np.ndarray
    added: np.ndarray  # unplanned: on no list the evening before
    cancelled: np.ndarray
    room_day: np.ndarray  # z-score of the unrecorded room-day effect


class SimulatedDepartment:
    """Truth (lines, rates) and one drawn history (cases, use). The same seed gives the same department."""

    def __init__(
        self,
        seed: int,
        *,
        n_days: int = 90,
        n_rooms: int = 12,
        n_case_types: int = 60,
        added_per_room_day: float = 0.6,
        cancelled: float = 0.06,
        change_day: int | None = None,
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.n_days, self.n_rooms, self.n_case_types = n_days, n_rooms, n_case_types
        self.added_per_room_day, self.cancelled = added_per_room_day, cancelled
        self.change_day = n_days if change_day is None else change_day
        self._draw_case_types()
        self._draw_lines()
        self.cases = self._draw_cases()
        self._draw_use()
        self._draw_standards()

    def _draw_case_types(self) -> None:
        rng, n = self.rng, self.n_case_types
        popularity = 1 / np.arange(1, n + 1) ** 0.8
        popularity /= popularity.sum()
        mix = rng.dirichlet([0.35, 0.25, 0.15, 0.15, 0.10], n) ** 2  # most types have one usual technique
        self.technique_mix = mix / mix.sum(axis=1, keepdims=True)
        children = rng.random(n) < 0.2
        self.size_mix = np.where(
            children[:, None],
            rng.dirichlet([1, 2, 4, 2, 0.5, 0.1], n),
            rng.dirichlet([0.01, 0.02, 0.1, 2, 6, 3], n),
        )
        self.arterial = rng.beta(0.5, 2.5, n)
        self.central = self.arterial * rng.beta(1, 3, n)
        self.log_minutes = rng.normal(0, 0.5, n)
        lists = rng.dirichlet(np.full(n, 0.25), (self.n_rooms, 5)) * popularity
        self.list_mix = lists / lists.sum(axis=-1, keepdims=True)
        unplanned = rng.dirichlet(np.full(n, 0.3)) * popularity
        self.unplanned_mix = unplanned / unplanned.sum()

    def _draw_lines(self) -> None:
        rng, n = self.rng, self.n_case_types

        def effect(*shape: int, sd: float = 0.35) -> np.ndarray:
            return rng.normal(0, sd, (n, *shape))

        def change(size: float) -> float:
            return size * rng.choice([-1.0, 0.0, 1.0])

        def run(fails: float, used_with: list[float], split: np.ndarray) -> Run:
            return Run(fails, np.array(used_with), split, effect(), change(0.8))

        self.runs = (
            run(rng.uniform(0.05, 0.09), [0.985, 0.03, 0.985, 0.03, 0.01], TUBE_SPLIT),
            run(rng.uniform(0.04, 0.10), [0.02, 0.985, 0.02, 0.04, 0.01], MASK_SPLIT),
            run(0.22, [0.99, 0.99, 0.99, 0.97, 0.97], CANNULA_SPLIT),
        )
        usually = np.array([0.97, 0.97, 0.97, 0.2, 0.3])
        lines = [
            ExactlyOne(
                rng.uniform(0.01, 0.06),
                rng.uniform(0.01, 0.08),
                rng.random(N_TECHNIQUES) < usually,
                effect(),
                change(2.0),
            )
            for _ in range(6)
        ]
        for index, kind in enumerate(("tube size", "mask size", "cannula size")):
            sizes = self.runs[index].split.shape[1]
            lines += [SizeOfRun(self.runs[index], index, size, kind) for size in range(sizes)]
        lines += [
            Syringe(
                rng.uniform(0.6, 4.5) * np.array([1, 0.85, 1.2, 0.7, 0.5]) * rng.uniform(0.8, 1.2, N_TECHNIQUES),
                effect(),
                change(0.6),
            )
            for _ in range(5)
        ]
        lines += [LineKit("arterial", 0.10, effect(), change(1.0), "arterial line kit") for _ in range(2)]
        lines += [LineKit("central", 0.08, effect(), change(1.0), "central line kit") for _ in range(2)]
        lines += [
            Overdispersed(rng.uniform(0.8, 3.0) * rng.uniform(0.6, 1.4, N_TECHNIQUES), effect(), change(0.5))
            for _ in range(3)
        ]
        lines += [Lumpy(rng.dirichlet([0.5, 3, 12, 1.5, 1]), effect(5, sd=0.5), change(1.0)) for _ in range(3)]
        lines += [Rare(opened, effect(), change(1.0)) for opened in (0.03, 0.08, 0.02)]
        self.lines = tuple(lines)
        self.n_lines = len(lines)
        self.kinds = np.array([line.kind for line in lines])

    def _draw_cases(self) -> Cases:
        rng = self.rng
        day, room, case_type, added = [], [], [], []
        for d in range(self.n_days):
            for r in range(self.n_rooms):
                planned = 1 + rng.binomial(8, 0.55)
                unplanned = rng.poisson(self.added_per_room_day)
                day += [d] * (planned + unplanned)
                room += [r] * (planned + unplanned)
                added += [False] * planned + [True] * unplanned
                case_type += list(rng.choice(self.n_case_types, planned, p=self.list_mix[r, d % 5]))
                case_type += list(rng.choice(self.n_case_types, unplanned, p=self.unplanned_mix))
        day, room, added = np.array(day), np.array(room), np.array(added)
        attributes = self.draw_attributes(np.array(case_type), rng)
        cancelled = ~added & (rng.random(len(day)) < self.cancelled)
        room_day = rng.normal(size=(self.n_days, self.n_rooms))[day, room]
        return Cases(day=day, room=room, added=added, cancelled=cancelled, room_day=room_day, **attributes)

    def draw_attributes(self, case_type: np.ndarray, rng: np.random.Generator) -> dict[str, np.ndarray]:
        return {
            "case_type": case_type,
            "technique": _choose(self.technique_mix[case_type], rng),
            "size_class": _choose(self.size_mix[case_type], rng),
            "arterial": rng.random(len(case_type)) < self.arterial[case_type],
            "central": rng.random(len(case_type)) < self.central[case_type],
            "log_minutes": self.log_minutes[case_type] + MINUTES_SD * rng.normal(size=len(case_type)),
        }

    def circumstances(self, cases: Cases) -> Circumstances:
        return Circumstances(
            cases.case_type,
            cases.technique,
            cases.size_class,
            cases.arterial,
            cases.central,
            cases.day >= self.change_day,
            cases.room_day[:, None],
            cases.log_minutes[:, None],
        )

    def _draw_use(self) -> None:
        """Fill `use` (cases, lines), `run_use` (cases, runs) and `totals` (days, rooms, lines)."""
        rng, cases = self.rng, self.cases
        at = self.circumstances(cases)
        self.use = np.zeros((len(cases.day), self.n_lines), dtype=int)
        self.run_use = np.stack([_choose(run.pmf(at)[:, 0], rng) for run in self.runs], axis=1)
        self.run_use[cases.cancelled] = 0
        for index, run in enumerate(self.runs):
            columns = [i for i, line in enumerate(self.lines) if getattr(line, "run", None) is run]
            self.use[:, columns] = rng.multinomial(self.run_use[:, index], run.split[cases.size_class])
        for i, line in enumerate(self.lines):
            if not isinstance(line, SizeOfRun):
                self.use[:, i] = _choose(line.pmf(at)[:, 0], rng)
        self.use[cases.cancelled] = 0
        self.totals = np.zeros((self.n_days, self.n_rooms, self.n_lines), dtype=int)
        np.add.at(self.totals, (cases.day, cases.room), self.use)

    def _draw_standards(self) -> None:
        """Typical quantity per technique: `standard` (techniques, lines), `run_standard` (techniques, runs)."""
        done = ~self.cases.cancelled
        use = np.concatenate([self.use, self.run_use], axis=1)
        stated = np.zeros((N_TECHNIQUES, use.shape[1]), dtype=int)
        for technique in range(N_TECHNIQUES):
            chosen = use[done & (self.cases.technique == technique)]
            for column in range(use.shape[1]):
                typical = np.bincount(chosen[:, column], minlength=K_MAX + 1).argmax()
                if self.rng.random() < STALE_STANDARDS:
                    typical = max(0, typical + self.rng.choice([-1, 1]))
                stated[technique, column] = typical
        self.standard, self.run_standard = stated[:, : self.n_lines], stated[:, self.n_lines :]


def _choose(probability: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """One draw per row of probabilities (n, choices)."""
    drawn = (rng.random(len(probability))[:, None] > np.cumsum(probability, axis=1)).sum(axis=1)
    return np.minimum(drawn, probability.shape[1] - 1)
