"""Invented counts of this evening: a round that was counted through, and one that waits to be."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from inventory.count_rounds import finish_round, say_cause, stage, variance
from inventory.models import CountTask, Department
from restock.stock_life.counting import save_count, start_days_count

OFF = (0, 0, 0, 0, -1, -1, 1, -4)  # pieces against the record, as likely each
CAUSES = (CountTask.Cause.NOT_LOGGED, CountTask.Cause.NOT_LOGGED, CountTask.Cause.NOT_RECORDED, "")


def invent_counts(department: Department, *, at: datetime, by, rng: np.random.Generator) -> None:
    """Count through a day's round as people would, and begin another. All figures are invented.

    Everything is counted at one instant: the demo's ledger ends there, and a count before its last movements would
    not fit them.
    """
    round = start_days_count(department=department, by=by, at=at)
    for task in round.tasks.select_related("round__department", "place", "consumable"):
        counted = max(task.place.on_hand(task.consumable) + int(rng.choice(OFF)), 0)
        said = save_count(task=task, counted=counted, seen="open", by=by, at=at)
        if stage(said) == "again":
            said = save_count(task=task, counted=counted, seen="again", by=by, at=at)
        if variance(said):
            say_cause(task_id=task.pk, cause=str(rng.choice(CAUSES)), note="invented for the demo")
    finish_round(round=round, at=at)
    start_days_count(department=department, by=by, at=at)
