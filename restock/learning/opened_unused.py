"""What is opened and then not used, by line and case type: never by person, and never by single case."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.db.models import Q

from inventory.models import Department

from ..cases.setups import Line, Setups
from ..forecasting.unused import PRIOR_OPENED, PRIOR_UNUSED, UnusedShare, learn_unused_share
from ..models import CaseType, OpenedTally
from .tallies import fade_until


@dataclass(frozen=True)
class Wasted:
    """Pieces of one line that cases of one type opened, faded, and the share of them likely to go unused.

    cases: those that opened it, faded.
    The share leans on other case types of the same technique and on the line as a whole; low and high bound 95%.
    """

    line: Line
    case_type_id: int
    cases: float
    opened: float
    unused: float
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class OpenedUnused:
    """Shares of all lines that were ever logged.

    `learned`, cases, opened and unused are indexed by rows and columns.
    """

    rows: dict[Line, int]
    columns: dict[int, int]
    cases: np.ndarray
    opened: np.ndarray
    unused: np.ndarray
    learned: UnusedShare

    def share(self, line: Line, case_type_id: int) -> float:
        """Share of the pieces opened that will go unused; an assumption for a line that was never logged."""
        if line not in self.rows:
            return PRIOR_UNUSED / PRIOR_OPENED
        return float(self.learned.share[self.rows[line], self.columns[case_type_id]])

    def wasted(self) -> list[Wasted]:
        """Each line and case type that left a piece unused, those with the most pieces first."""
        from scipy.special import betaincinv

        lines, case_types = list(self.rows), list(self.columns)
        where = np.nonzero(self.unused > 0.0)
        a, b = (np.broadcast_to(of, self.unused.shape)[where] for of in (self.learned.a, self.learned.b))
        shown = (self.cases, self.opened, self.unused, self.learned.share)
        figures = [*(of[where] for of in shown), *(betaincinv(a, b, at) for at in (0.025, 0.975))]
        found = [
            Wasted(lines[r], case_types[c], *of_group)
            for r, c, of_group in zip(*(n.tolist() for n in where), np.array(figures).T.tolist(), strict=True)
        ]
        return sorted(found, key=lambda one: -one.unused)


def opened_unused(department: Department, setups: Setups, *, day: date) -> OpenedUnused:
    """From the stored tallies as they count on `day`: three queries."""
    fade = fade_until(day, department)
    technique = dict(CaseType.objects.filter(department=department).order_by("pk").values_list("pk", "technique"))
    columns = {case_type: n for n, case_type in enumerate(technique)}
    pieces: dict[Line, np.ndarray] = defaultdict(lambda: np.zeros((3, len(columns))))
    rows = OpenedTally.objects.filter(Q(opened__gt=0), consumable__department=department)
    for case_type, consumable, opened, unused, cases in rows.values_list(
        "case_type", "consumable", "opened", "unused", "cases"
    ):
        figures = opened, min(max(unused, 0.0), opened), max(cases, 0.0)
        pieces[setups.line(consumable)][:, columns[case_type]] += np.array(figures) * fade
    opened, unused, cases = np.array(list(pieces.values())).reshape(len(pieces), 3, len(columns)).transpose(1, 0, 2)
    parent = np.unique(list(technique.values()), return_inverse=True)[1]
    return OpenedUnused(
        rows={line: n for n, line in enumerate(pieces)},
        columns=columns,
        cases=cases,
        opened=opened,
        unused=unused,
        learned=learn_unused_share(unused, opened, parent),
    )
