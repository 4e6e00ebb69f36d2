"""What the cases of one room use in a day when the day itself moves them all: restock.forecasting.day_effect.

Used for the consumables that show such an effect, and to find them. All cases of a room-day, booked or not, share its
effect; rooms are independent of each other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..cases.setups import Slot
from ..forecasting import demand
from ..forecasting.convolution import plus
from ..forecasting.day_effect import NODE_WEIGHTS, centred, tilted_pmfs
from .calls import AddOns, Cancellation


class RoomDays:
    """The cases of a day by room, for some consumables (columns of the pmfs).

    rooms: those with a list or with cases that may be added. A total has the index room * consumables + consumable.
    """

    def __init__(
        self,
        slots: Sequence[Slot],
        added: AddOns,
        calls: Cancellation,
        pmfs: dict[Slot, np.ndarray],
        columns: np.ndarray,
    ) -> None:
        self.rooms = list(dict.fromkeys([*(slot.room_id for slot in slots), *added.kinds]))
        self._kinds = {slot: n for n, slot in enumerate(pmfs)}
        self._pmfs = np.array([pmf[columns] for pmf in pmfs.values()]).reshape(len(pmfs) * len(columns), -1)
        self._n_columns, self.n_totals = len(columns), len(self.rooms) * len(columns)
        specialties = sorted({calls.specialty_of[slot.case_type_id] for slot in slots})
        beta = {calls.specialty_of[slot.case_type_id]: calls.beta(slot.case_type_id) for slot in slots}
        self._beta = np.array([beta[specialty] for specialty in specialties]).reshape(-1, 2)
        each = np.arange(len(columns))
        self._total = _joined(self.rooms.index(slot.room_id) * len(columns) + each for slot in slots)
        self._row = _joined(self._kinds[slot.anywhere] * len(columns) + each for slot in slots)
        of_case = [specialties.index(calls.specialty_of[slot.case_type_id]) for slot in slots]
        self._service = np.repeat(np.array(of_case, dtype=int), len(columns))
        self._mixes = [
            (n, np.array(list(mix.values())), np.array([self._kinds[slot.anywhere] for slot in mix]), added.rate[room])
            for n, room in enumerate(self.rooms)
            if (mix := added.kinds.get(room))
        ]

    def totals(self, sigma: np.ndarray) -> np.ndarray:
        """Pieces of each consumable that each room's cases use: (totals, N). sigma: (consumables,).

        Exact for one room. Between rooms the cancellations of a specialty are taken as independent.
        """
        at_nodes = self._at_nodes(sigma)
        n_nodes, n_rows, _ = at_nodes.shape
        # The nodes as so many more lines: one call for all of them.
        total, row = (
            (np.arange(n_nodes)[:, None] * size + index).ravel()
            for size, index in ((self.n_totals, self._total), (n_rows, self._row))
        )
        booked = demand.total_with_shared_cancellation(
            at_nodes.reshape(n_nodes * n_rows, -1),
            total,
            row,
            np.tile(self._service, n_nodes),
            n_nodes * self.n_totals,
            *self._beta.T,
        )
        both = plus(booked, self._unbooked(at_nodes))
        mixed = np.tensordot(NODE_WEIGHTS, both.reshape(n_nodes, self.n_totals, -1), 1)
        return demand.trimmed(mixed)

    def probability(self, sigma: np.ndarray, observed: np.ndarray) -> np.ndarray:
        """Probability of the pieces that were then used: (totals,). observed: (totals,) pieces.

        For finding sigma: cancellations count as independent here, and no total is followed beyond what was used,
        which is many times faster.
        """
        at_nodes, weights = (self._at_nodes(sigma), NODE_WEIGHTS) if sigma.any() else (self._pmfs[None], np.ones(1))
        unbooked = self._unbooked(at_nodes, largest=int(observed.max(initial=0)))
        unbooked = unbooked.reshape(len(at_nodes), self.n_totals, -1)
        a, b = self._beta.T
        keep = 1.0 - (a / (a + b))[self._service]
        order = np.argsort(self._total, kind="stable")
        count = np.bincount(self._total, minlength=self.n_totals)
        first = np.cumsum(count) - count
        found = np.zeros(self.n_totals)
        width_of = 2 ** np.ceil(np.log2(observed + 1)).astype(int)  # totals of like width are followed together
        for width in np.unique(width_of):
            totals = np.flatnonzero(width_of == width)
            totals = totals[np.argsort(-count[totals], kind="stable")]
            so_far = _cut(unbooked[:, totals], width)
            for rank in range(int(count[totals].max(initial=0))):
                has_one = int((count[totals] > rank).sum())
                entry = order[first[totals[:has_one]] + rank]
                use = _cut(at_nodes[:, self._row[entry]], width) * keep[entry, None]
                use[..., 0] += 1.0 - keep[entry]
                so_far[:, :has_one] = _convolved(so_far[:, :has_one], use)
            of_total = np.take_along_axis(so_far, observed[totals][None, :, None], axis=2)[..., 0]
            found[totals] = weights @ of_total
        return found

    def _at_nodes(self, sigma: np.ndarray) -> np.ndarray:
        of_row = np.tile(sigma, len(self._kinds))
        return tilted_pmfs(centred(self._pmfs, of_row), of_row)

    def _unbooked(self, at_nodes: np.ndarray, *, largest: int | None = None) -> np.ndarray:
        """What cases that nobody booked may use, node after node, up to `largest` pieces: (nodes * totals, N)."""
        n_nodes = len(at_nodes)
        of_kind = at_nodes.reshape(n_nodes, len(self._kinds), self._n_columns, -1)
        use = np.zeros((n_nodes, len(self.rooms), *of_kind.shape[2:]))
        use[..., 0] = 1.0
        a, b = np.ones(len(self.rooms)), np.ones(len(self.rooms))
        for n, shares, kinds, rate in self._mixes:
            use[:, n] = np.einsum("k,hkcq->hcq", shares, of_kind[:, kinds])
            a[n], b[n] = rate
        rates = (np.tile(np.repeat(x, self._n_columns), n_nodes) for x in (a, b))
        return demand.negative_binomial_total(use.reshape(n_nodes * self.n_totals, -1), *rates, largest=largest)


def _joined(parts) -> np.ndarray:
    parts = list(parts)
    return np.concatenate(parts) if parts else np.zeros(0, dtype=int)


def _cut(pmf: np.ndarray, width: int) -> np.ndarray:
    """The first `width` values, and zeros where there are fewer."""
    kept = pmf[..., :width]
    return np.pad(kept, [(0, 0)] * (pmf.ndim - 1) + [(0, width - kept.shape[-1])])


def _convolved(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Sums of two independent amounts, as far as they are followed: (..., W) and (..., W) give (..., W)."""
    width = first.shape[-1]
    out = first * second[..., :1]
    for pieces in range(1, width):
        out[..., pieces:] += first[..., : width - pieces] * second[..., pieces, None]
    return out
