"""The best possible forecast: it knows every parameter of the simulation, but not what chance will do."""

from __future__ import annotations

import numpy as np

from restock.forecasting.day_effect import NODE_WEIGHTS, NODES
from tests.benchmarks.known_by_evening import Evening, poisson_added, room_totals
from tests.benchmarks.simulated_department import MINUTES_SD, SimulatedDepartment
from tests.benchmarks.true_use import K_MAX, Circumstances, Overdispersed, Syringe

ADDED_SAMPLE = 3000  # attributes of an add-on case are averaged over this many draws


class Oracle:
    def __init__(self, department: SimulatedDepartment, seed: int) -> None:
        self.department = department
        rng = np.random.default_rng([seed, 1])
        case_type = rng.choice(department.n_case_types, ADDED_SAMPLE, p=department.unplanned_mix)
        self._added_attributes = department.draw_attributes(case_type, rng)
        self._added_transforms: dict[bool, np.ndarray] = {}

    def totals(self, evening: Evening) -> np.ndarray:
        """(lines, rooms, N), the cases of a room-day mixed over the unrecorded effect they share."""
        department, listed = self.department, evening.tomorrow
        cases = department.cases
        changed = evening.day >= department.change_day
        pmf = np.zeros((len(NODES), department.n_lines, len(listed), K_MAX + 1))
        for minutes, weight in zip(MINUTES_SD * NODES, NODE_WEIGHTS, strict=True):
            at = Circumstances(
                cases.case_type[listed],
                cases.technique[listed],
                cases.size_class[listed],
                cases.arterial[listed],
                cases.central[listed],
                np.full(len(listed), changed),
                np.tile(NODES, (len(listed), 1)),
                np.full(
                    (len(listed), len(NODES)),
                    (department.log_minutes[cases.case_type[listed]] + minutes)[:, None],
                ),
            )
            for i, line in enumerate(department.lines):
                if isinstance(line, Syringe | Overdispersed):
                    pmf[:, i] += weight * line.pmf(at).swapaxes(0, 1)
                elif minutes == 0:
                    pmf[:, i] = line.pmf(at).swapaxes(0, 1)
        added = self._added(changed)
        room = cases.room[listed]
        return sum(
            weight * room_totals(pmf[node], room, department.cancelled, added[node])
            for node, weight in enumerate(NODE_WEIGHTS)
        )

    def _added(self, changed: bool) -> np.ndarray:
        if changed not in self._added_transforms:
            values = self._added_attributes
            n = len(values["case_type"])
            at = Circumstances(
                values["case_type"],
                values["technique"],
                values["size_class"],
                values["arterial"],
                values["central"],
                np.full(n, changed),
                np.tile(NODES, (n, 1)),
                values["log_minutes"][:, None],
            )
            pmf = np.stack([line.pmf(at).mean(axis=0) for line in self.department.lines], axis=1)
            self._added_transforms[changed] = np.stack(
                [poisson_added(at_node, self.department.added_per_room_day) for at_node in pmf]
            )
        return self._added_transforms[changed]
