"""Scarce stock of a size run, when neighbouring sizes may stand in or packs stay whole: what exact sharing would do.

The plan shares single pieces of each line, which is optimal as long as a line takes nothing else (see
restock.forecasting.allocation). Here the storerooms' pieces of a whole run are shared at once by an integer program.
It only ever proposes: a person decides whether another size will do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from inventory.models import Consumable, StockingLine
from restock.forecasting import demand
from restock.forecasting.integer_allocation import allocate_packs
from restock.models import Policy
from restock.plans.planning import Draft

from .sizes import neighbours

STAND_IN_PENALTY = 0.1  # missing routine pieces that a stand-in is as bad as: an assumption, so that it comes second


@dataclass(frozen=True)
class Sent:
    """`pieces` of `consumable` for a line; a stand-in where that is not the line's own size."""

    line: StockingLine
    consumable: Consumable
    pieces: int

    @property
    def stands_in(self) -> bool:
        return self.line.consumable_id != self.consumable.pk


@dataclass(frozen=True)
class ScarceAnswer:
    """One run, or one line that is in none. harm: weighted pieces missing on average, by the plan and by the program.

    differs: the program gains more than a hundredth of a missing routine piece, its penalties for stand-ins counted.
    """

    lines: tuple[StockingLine, ...]
    sent: tuple[Sent, ...]
    harm_by_plan: float
    harm: float
    differs: bool


def share_scarce(
    draft: Draft, policy: Policy, *, pieces_per_pack: dict[int, int] | None = None, penalty: float = STAND_IN_PENALTY
) -> list[ScarceAnswer]:
    """Answers for every run of which some line stays short tonight, most gained first.

    pieces_per_pack: by consumable, for those that are only handed out in whole packs; single pieces otherwise.
    """
    packs = pieces_per_pack or {}
    lines = draft.forecast.frame.lines
    setups = draft.forecast.frame.setups
    short = {setups.line(lines[n].consumable_id) for n in np.flatnonzero(draft.top_up > draft.allocated)}
    answers = []
    for family in sorted(short):
        rows = np.array([n for n, line in enumerate(lines) if setups.line(line.consumable_id) == family], dtype=int)
        rows = rows[draft.top_up[rows] > 0]
        sources = setups.sizes[family[1]] if family[0] == "run" else [family[1]]
        answers.append(_share(draft, policy, rows, sources, packs, penalty))
    return sorted(answers, key=lambda answer: answer.harm - answer.harm_by_plan)


def _share(draft: Draft, policy: Policy, rows, sources: list[int], packs: dict[int, int], penalty: float):
    lines = draft.forecast.frame.lines
    near = neighbours(len(sources), policy.neighbour_steps)
    ways = [
        (n, source)
        for n, row in enumerate(rows)
        for own in [sources.index(lines[row].consumable_id)]
        for source in (own, *near[own])
    ]
    way_line, way_source = np.array(ways).T
    own = np.array([sources.index(lines[rows[n]].consumable_id) == source for n, source in ways])
    pmf, have, weight = draft.forecast.pmf[rows], draft.stock.usable[rows], draft.weight[rows]
    answer = allocate_packs(
        pmf,
        have,
        way_line,
        way_source,
        np.array([draft.stock.store_pieces(pk) for pk in sources], dtype=int),
        pieces_per_pack=np.array([packs.get(sources[source], 1) for source in way_source]),
        most=draft.top_up[rows],
        weight=weight,
        penalty=np.where(own, 0.0, penalty),
    )
    names = {line.consumable_id: line.consumable for line in lines}
    sent = []
    for (n, source), count in zip(ways, answer.packs, strict=True):
        if count:
            pieces = int(count) * packs.get(sources[source], 1)
            sent.append(Sent(lines[rows[n]], names[sources[source]], pieces))
    harm_by_plan = float(weight @ demand.expected_shortfall(pmf, have + draft.allocated[rows]))
    harm = float(weight @ answer.shortfall_after)
    penalties = penalty * sum(one.pieces for one in sent if one.stands_in)
    return ScarceAnswer(
        lines=tuple(lines[row] for row in rows),
        sent=tuple(sent),
        harm_by_plan=harm_by_plan,
        harm=harm,
        differs=harm + penalties < harm_by_plan - 0.01,
    )
