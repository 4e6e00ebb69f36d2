"""The chance that some case of the day finds no acceptable size.

A cart may hold plenty of tubes and still lack the one that fits. Cases come in
order; each takes the size it wants if there is one, else the first permitted
neighbour that is left, as a person at the cart would. The joint distribution of
what is left is carried from case to case exactly.

Which sizes may stand in for which is the department's decision and an input.
"""

from dataclasses import dataclass

import numpy as np

MOST_STATES = 4_000_000
"""Largest joint state that is carried; a run of eight sizes with five pieces each is below it."""


@dataclass(frozen=True)
class SizeSafety:
    """p_lacking: (cases,) chance that the case is the first to find nothing acceptable.

    p_some_case_lacks: chance that any does. p_substitute: (cases,) chance that it
    takes a neighbour of the size it wants, while no case before it lacked one.
    """

    p_lacking: np.ndarray
    p_some_case_lacks: float
    p_substitute: np.ndarray


def size_safety(wanted: np.ndarray, on_hand: np.ndarray, permitted: list[list[int]]) -> SizeSafety:
    """Follow the sizes of one run on one cart through the day's cases.

    wanted: (cases, S), chance that the case needs a piece of each size, rows
    adding up to at most one (what is missing needs none). on_hand: (S,) pieces.
    permitted: for each size the neighbours that may stand in, most acceptable
    first.

    Raises ValueError when the run and the day are too large to follow exactly.
    """
    wanted, on_hand = np.asarray(wanted, float), np.maximum(np.asarray(on_hand), 0)
    n_cases, n_sizes = wanted.shape
    if wanted.size and (wanted.min() < 0.0 or wanted.sum(axis=1).max() > 1.0 + 1e-9):
        raise ValueError("wanted holds chances per case that add up to at most one.")
    if len(on_hand) != n_sizes or len(permitted) != n_sizes:
        raise ValueError("on_hand and permitted need one entry per size.")
    # A size that no run of bad luck can exhaust, or that nobody can reach, needs no counting.
    acceptable = np.eye(n_sizes, dtype=bool)
    for size, others in enumerate(permitted):
        acceptable[size, others] = True
    could_take = ((wanted > 0.0) @ acceptable).astype(bool).sum(axis=0)
    endless = on_hand >= could_take
    shape = tuple(np.where(endless, 1, on_hand + 1))
    if np.prod([float(n) for n in shape]) > MOST_STATES:
        raise ValueError("Too many sizes and pieces to follow exactly; look at fewer cases at a time.")

    left = np.zeros(shape)
    left[tuple(n - 1 for n in shape)] = 1.0
    p_lacking, p_substitute = np.zeros(n_cases), np.zeros(n_cases)
    for case, chances in enumerate(wanted):
        after = left * max(0.0, 1.0 - chances.sum())
        for size in np.flatnonzero(chances):
            remaining = chances[size] * left
            for choice in (size, *permitted[size]):
                taken, remaining = _take(remaining, choice, bool(endless[choice]))
                after += taken
                if choice != size:
                    p_substitute[case] += taken.sum()
            p_lacking[case] += remaining.sum()
        left = after
    return SizeSafety(p_lacking, min(float(p_lacking.sum()), 1.0), p_substitute)


def _take(state: np.ndarray, size: int, endless: bool) -> tuple[np.ndarray, np.ndarray]:
    """Take one piece where there is one: the states afterwards, and the states that had none."""
    if endless:
        return state, np.zeros_like(state)
    by_size = np.moveaxis(state, size, 0)
    taken, without = np.zeros_like(by_size), np.zeros_like(by_size)
    taken[:-1] = by_size[1:]
    without[0] = by_size[0]
    return np.moveaxis(taken, 0, size), np.moveaxis(without, 0, size)
