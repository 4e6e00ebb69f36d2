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

    The share leans on other case types of the same technique and on the line as a whole; low and high bound 95%.
    """

    line: Line
    case_type_id: int
    opened: float
    unused: float
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class OpenedUnused:
    """Shares of all lines that were ever logged. `learned`, opened and unused are indexed by rows and columns."""

    rows: dict[Line, int]
    columns: dict[int, int]
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

        low, high = (betaincinv(self.learned.a, self.learned.b, at) for at in (0.025, 0.975))
        found = [
            Wasted(
                line, case_type, *(float(of[r, c]) for of in (self.opened, self.unused, self.learned.share, low, high))
            )
            for line, r in self.rows.items()
            for case_type, c in self.columns.items()
            if self.unused[r, c] > 0.0
        ]
        return sorted(found, key=lambda one: -one.unused)


def opened_unused(department: Department, setups: Setups, *, day: date) -> OpenedUnused:
    """From the stored tallies as they count on `day`: three queries."""
    fade = fade_until(day, department)
    technique = dict(CaseType.objects.filter(department=department).order_by("pk").values_list("pk", "technique"))
    columns = {case_type: n for n, case_type in enumerate(technique)}
    pieces: dict[Line, np.ndarray] = defaultdict(lambda: np.zeros((2, len(columns))))
    rows = OpenedTally.objects.filter(Q(opened__gt=0), consumable__department=department)
    for case_type, consumable, opened, unused in rows.values_list("case_type", "consumable", "opened", "unused"):
        pieces[setups.line(consumable)][:, columns[case_type]] += opened * fade, min(max(unused, 0.0), opened) * fade
    opened, unused = np.array(list(pieces.values())).reshape(len(pieces), 2, len(columns)).transpose(1, 0, 2)
    parent = np.unique(list(technique.values()), return_inverse=True)[1]
    return OpenedUnused(
        rows={line: n for n, line in enumerate(pieces)},
        columns=columns,
        opened=opened,
        unused=unused,
        learned=learn_unused_share(unused, opened, parent),
    )
