"""Demand on a storeroom's lines over the coming days: all cases whose carts it fills, and what rooms open by the day.

Cases of one kind share one unknown habit, known only as well as the log knows it, and their number is only as firm as
the past cases it rests on. Over a lead time these errors repeat from case to case, so totals of a kind are
Dirichlet-multinomial (restock.forecasting.horizon). For kinds whose common error adds next to nothing to a line's
spread, each case is taken for itself: exactly for those listed, as Poisson counts for those beyond the lists.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from inventory.models import StockingLine
from restock.cases.setups import Slot
from restock.forecasting import demand, horizon
from restock.forecasting.convolution import plus
from restock.learning.forecast import Frame

from .ahead import Ahead
from .past import Beliefs

COMMON_ERROR = 0.05  # share of a line's variance that common errors may add before they are followed
FAR = 8.0  # standard deviations from the mean beyond which no total is looked for
SMALLEST = 1e-9  # totals less likely than this are left out, a case's pieces less likely than SMALLEST_USE lumped
SMALLEST_USE = 1e-6
BLOCK_LINES = 48  # lines of like demand that are worked out together: bounds memory


@dataclass(frozen=True)
class Cases:
    """Cases of each kind in each room, up to and with each day ahead: (days + 1, rooms, kinds).

    listed: whole numbers. usual: means beyond the lists. seen: (rooms, kinds) past cases that the means rest on.
    open_days: (days + 1, rooms) chance that the room is open on that day, nothing for day 0.
    """

    rooms: tuple[int, ...]
    kinds: tuple[Slot, ...]
    listed: np.ndarray
    usual: np.ndarray
    seen: np.ndarray
    open_days: np.ndarray


def cases_ahead(ahead: Ahead, rooms: tuple[int, ...]) -> Cases:
    """Count the cases that `ahead` foresees."""
    kinds = tuple(ahead.kinds)
    room_at = {room: n for n, room in enumerate(rooms)}
    kind_at = {kind: n for n, kind in enumerate(kinds)}
    shape = (ahead.days + 1, len(rooms), len(kinds))
    listed, usual, open_days = np.zeros(shape, dtype=int), np.zeros(shape), np.zeros(shape[:2])
    for n in range(1, ahead.days + 1):
        day = ahead.today + timedelta(days=n)
        for slot in ahead.listed.get(day, ()):
            listed[n, room_at[slot.room_id], kind_at[slot.anywhere]] += 1
        for slot, cases in ahead.usual[day].items():
            usual[n, room_at[slot.room_id], kind_at[slot.anywhere]] += cases
        for room, chance in ahead.open_rooms[day].items():
            open_days[n, room_at[room]] = min(chance, 1.0)
    seen = np.zeros(shape[1:])
    for slot, cases in ahead.seen.items():
        if slot.anywhere in kind_at:
            seen[room_at[slot.room_id], kind_at[slot.anywhere]] += cases
    return Cases(rooms, kinds, listed.cumsum(axis=0), usual.cumsum(axis=0), seen, open_days)


def rooms_served(frame: Frame, cases: Cases, kept: list[StockingLine]) -> np.ndarray:
    """Which rooms' use of each storeroom line ends up drawing on it: (lines, rooms) of bool.

    The storeroom that fills the cart a room reaches for, the first storeroom where a cart names none, and for what no
    cart keeps the one that is walked to.
    """
    filled_from = {line.place_id: line.place.restocked_from_id for line in frame.lines}
    first = next((line.place_id for line in kept), None)
    served = np.zeros((len(kept), len(cases.rooms)), dtype=bool)
    for n, line in enumerate(kept):
        for r, room in enumerate(cases.rooms):
            cart = frame.routes.cart_id(room, line.consumable_id)
            store = frame.routes.fallback[room] if cart is None else filled_from[cart] or first
            served[n, r] = store == line.place_id
    return served


def demand_by_days(
    beliefs: Beliefs, ahead: Ahead, cases: Cases, kept: list[StockingLine], served: np.ndarray
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Yield blocks of lines of like demand: (lines,) which of `kept`, and (days + 1, lines, N) totals by day.

    beliefs: asked about a board whose consumables hold those of `kept`; the kinds are those of `cases`.
    """
    kinds = _Kinds(beliefs, ahead, cases)
    parts = [kinds.of_line(line.consumable_id, served[n]) for n, line in enumerate(kept)]
    order = np.argsort([part.mean_pieces for part in parts], kind="stable")
    for start in range(0, len(order), BLOCK_LINES):
        block = order[start : start + BLOCK_LINES]
        yield block, _totals([parts[n] for n in block], cases)


@dataclass(frozen=True)
class _Part:
    """One line's demand in parts.

    alpha (G, K+1), listed (G, D), usual (G, D), firm (G,), calls (G, 2): kinds with a common error, their cases up to
    each day, the weight behind their number and the Beta of their cancellation. alone: pmfs (P, K+1) of listed cases,
    each cancelled with chance `cancel` (P,), repeated `times` (P, D). mix (K+1,), rate (D,): cases beyond the lists.
    opened (R, K+1) with `opens` (R, D): what rooms open on each day.
    """

    mean_pieces: float
    alpha: np.ndarray
    listed: np.ndarray
    usual: np.ndarray
    firm: np.ndarray
    calls: np.ndarray
    alone: np.ndarray
    cancel: np.ndarray
    times: np.ndarray
    mix: np.ndarray
    rate: np.ndarray
    opened: np.ndarray
    opens: np.ndarray


class _Kinds:
    """What a case of each kind uses of each consumable, in arrays."""

    def __init__(self, beliefs: Beliefs, ahead: Ahead, cases: Cases) -> None:
        self._beliefs, self._cases = beliefs, cases
        self._asked: dict[int, tuple[np.ndarray, np.ndarray]] = {}
        self._at = {pk: n for n, pk in enumerate(beliefs.board.consumables)}
        self._pmf = _lumped(np.stack([beliefs.pmfs[kind] for kind in cases.kinds])) if cases.kinds else None
        self._calls = np.array([ahead.cancellation.beta(kind.case_type_id) for kind in cases.kinds]).reshape(-1, 2)

    def of_line(self, consumable_id: int, rooms: np.ndarray) -> _Part:
        days = len(self._cases.open_days)
        if self._pmf is None:
            return self._nothing(consumable_id, rooms, days)
        pmf = self._pmf[:, self._at[consumable_id]]
        listed = self._cases.listed[:, rooms].sum(axis=1).T
        usual = self._cases.usual[:, rooms].sum(axis=1).T
        firm = 1.0 + self._cases.seen[rooms].sum(axis=0)
        weight, cell = self._known(consumable_id)

        mean, variance = demand.mean(pmf), demand.variance(pmf)
        cases = listed[:, -1] + usual[:, -1]
        in_cell = np.bincount(cell, weights=cases)[cell]
        common = cases * np.maximum(in_cell - 1.0, 0.0) * variance / (weight + 1.0) + (usual[:, -1] * mean) ** 2 / firm
        spread = (cases * (variance + mean**2)).sum()
        together = np.unique(cell[_worth_following(common, COMMON_ERROR * spread)])
        followed = np.isin(cell, together)
        groups = [np.flatnonzero(cell == which) for which in together]
        first = np.array([group[0] for group in groups], dtype=int)
        rest = np.flatnonzero(~followed)
        rate = usual[rest].sum(axis=0)
        share = usual[rest, -1] / rate[-1] if rate[-1] > 0 else np.zeros(len(rest))
        mix = share @ pmf[rest] if share.any() else _none(pmf.shape[-1])
        on_list = rest[listed[rest, -1] > 0]
        a, b = self._calls.T
        opened, opens = self._opened(consumable_id, rooms)
        return _Part(
            mean_pieces=float((cases * mean).sum()),
            alpha=pmf[first] * weight[first, None],
            listed=np.array([listed[group].sum(axis=0) for group in groups], dtype=int).reshape(-1, days),
            usual=np.array([usual[group].sum(axis=0) for group in groups]).reshape(-1, days),
            firm=np.array([firm[group].sum() for group in groups]),
            calls=self._calls[first],
            alone=pmf[on_list],
            cancel=(a / (a + b))[on_list],
            times=listed[on_list],
            mix=mix,
            rate=rate,
            opened=opened,
            opens=opens,
        )

    def _nothing(self, consumable_id: int, rooms: np.ndarray, days: int) -> _Part:
        none, no_days = np.zeros((0, 2)), np.zeros((0, days))
        opened, opens = self._opened(consumable_id, rooms)
        one = np.zeros(0)
        return _Part(
            0.0, none, no_days.astype(int), no_days, one, none, none, one, no_days.astype(int), _none(2),
            np.zeros(days), opened, opens,
        )  # fmt: skip

    def _known(self, consumable_id: int) -> tuple[np.ndarray, np.ndarray]:
        """How many cases stand behind what is known of each kind, and a number for each kind: (kinds,) both.

        Kinds that are learned as one for this line have the same number. Every storeroom asks the same.
        """
        if consumable_id not in self._asked:
            usage, kinds = self._beliefs.usage, self._cases.kinds
            line = usage.setups.line(consumable_id)
            weight = np.ones(len(kinds))
            if line in usage.group_of:
                weight = np.array([usage.alpha(line, kind).sum() for kind in kinds])
            numbers: dict = {}
            keys = (
                (usage.setups.cell(line, kind), (kind.case_type_id, kind.size_class_id) if line[0] == "run" else None)
                for kind in kinds
            )
            cell = np.array([numbers.setdefault(key, len(numbers)) for key in keys], dtype=int)
            self._asked[consumable_id] = weight, cell
        return self._asked[consumable_id]

    def _opened(self, consumable_id: int, rooms: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        found = [
            (pmf, self._cases.open_days[:, r])
            for r in np.flatnonzero(rooms)
            if (pmf := self._beliefs.usage.room_pmf(self._cases.rooms[r], consumable_id)) is not None
        ]
        if not found:
            return np.zeros((0, 2)), np.zeros((0, len(self._cases.open_days)))
        pmfs, opens = zip(*found, strict=True)
        return _lumped(np.array(pmfs)), np.array(opens)


def _worth_following(common: np.ndarray, allowed: float) -> np.ndarray:
    """The kinds with the largest common errors, so that those of the others add up to no more than `allowed`."""
    order = np.argsort(common)
    return order[np.cumsum(common[order]) > allowed]


def _totals(parts: list[_Part], cases: Cases) -> np.ndarray:
    """Totals up to each day: (days + 1, lines, N)."""
    days, lines = len(cases.open_days), len(parts)
    of = np.repeat(np.arange(lines), [len(part.alpha) for part in parts])
    total = _listed_alone(parts, days)
    if of.size:
        groups = _common(parts)
        width = groups.shape[-1]
        line = (np.arange(days)[:, None] * lines + of).ravel()
        shared = demand.total_over_cases(groups.reshape(-1, width), line, np.arange(line.size), days * lines)
        total = demand.trimmed(plus(total, _scant(shared)))
    rate = np.array([part.rate for part in parts]).T.ravel()
    mix = np.tile(_stacked([part.mix[None] for part in parts]), (days, 1))
    total = demand.trimmed(plus(total, _scant(demand.poisson_total(mix, rate))))
    total = demand.trimmed(plus(total, _rooms(parts, days)))
    return _scant(total).reshape(days, lines, -1)


def _common(parts: list[_Part]) -> np.ndarray:
    """Totals of the kinds with a common error: (days, groups, N)."""
    alpha = _stacked([part.alpha for part in parts])
    listed, usual = (np.concatenate([getattr(part, name) for part in parts]) for name in ("listed", "usual"))
    firm, calls = (np.concatenate([getattr(part, name) for part in parts]) for name in ("firm", "calls"))
    days = listed.shape[1]
    kept = horizon.beta_binomial_counts(listed.T.ravel(), np.tile(calls[:, 1], days), np.tile(calls[:, 0], days))
    mean = usual.T.ravel()
    some = mean > 0
    beyond = np.zeros((mean.size, 1))
    beyond[:, 0] = 1.0
    if some.any():
        counts = horizon.negative_binomial_counts(
            np.tile(firm, days)[some], (np.tile(firm, days) / np.where(some, mean, 1))[some]
        )
        beyond = np.pad(beyond, ((0, 0), (0, counts.shape[1] - 1)))
        beyond[some] = counts
    count = demand.trimmed(_scant(plus(kept, beyond))).reshape(days, len(alpha), -1)
    return _scant(horizon.total_over_random_cases(alpha, count, largest=_out_of_reach(alpha, count[-1])))


def _out_of_reach(alpha: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Pieces that no total of a group reaches, FAR standard deviations beyond its mean: (G,)."""
    weight = alpha.sum(axis=1)
    mean, variance = demand.mean(alpha / weight[:, None]), demand.variance(alpha / weight[:, None])
    cases, spread = demand.mean(count), demand.variance(count)
    in_pairs = spread + cases * (cases - 1.0)
    total = cases * variance + spread * mean**2 + in_pairs * variance / (weight + 1.0)
    return np.ceil(cases * mean + FAR * np.sqrt(total)).astype(int) + alpha.shape[1]


def _listed_alone(parts: list[_Part], days: int) -> np.ndarray:
    """Totals of listed cases that are taken one by one: (days * lines, N)."""
    pmfs = _stacked([part.alone for part in parts])
    cancel = np.concatenate([part.cancel for part in parts])
    times = np.concatenate([part.times for part in parts])
    of = np.repeat(np.arange(len(parts)), [len(part.alone) for part in parts])
    entry, day = np.nonzero(times)
    often = times[entry, day]
    entry, line = np.repeat(entry, often), np.repeat(day * len(parts) + of[entry], often)
    return demand.total_over_cases(pmfs, line, entry, days * len(parts), cancel[entry])


def _rooms(parts: list[_Part], days: int) -> np.ndarray:
    """Totals of what rooms open by the day: (days * lines, N)."""
    pmfs = _stacked([part.opened for part in parts])
    opens = np.concatenate([part.opens for part in parts])
    of = np.repeat(np.arange(len(parts)), [len(part.opened) for part in parts])
    entry, day = np.nonzero(opens)
    line, rows, closed = [np.zeros(0, int)], [np.zeros(0, int)], [np.zeros(0)]
    for until in range(1, days):
        past = day <= until
        line.append(until * len(parts) + of[entry[past]])
        rows.append(entry[past])
        closed.append(1.0 - opens[entry[past], day[past]])
    return demand.total_over_cases(
        pmfs, np.concatenate(line), np.concatenate(rows), days * len(parts), np.concatenate(closed)
    )


def _stacked(pmfs: list[np.ndarray]) -> np.ndarray:
    width = max(pmf.shape[1] for pmf in pmfs)
    return np.concatenate([np.pad(pmf, ((0, 0), (0, width - pmf.shape[1]))) for pmf in pmfs])


def _lumped(pmf: np.ndarray) -> np.ndarray:
    """Count quantities of a case that are hardly ever reached as the largest that is: (..., K+1), sums unchanged."""
    beyond = demand.tail(pmf)
    rare = np.concatenate([np.zeros_like(pmf[..., :1], dtype=bool), beyond[..., :-1] < SMALLEST_USE], axis=-1)
    lumped = np.where(rare, 0.0, pmf)
    largest = pmf.shape[-1] - 1 - np.argmax(lumped[..., ::-1] > 0, axis=-1)[..., None]
    left = np.take_along_axis(lumped, largest, axis=-1) + np.where(rare, pmf, 0.0).sum(axis=-1, keepdims=True)
    np.put_along_axis(lumped, largest, left, axis=-1)
    return lumped


def _scant(pmf: np.ndarray) -> np.ndarray:
    """Leave out what is less likely than SMALLEST."""
    scant = np.where(pmf < SMALLEST, 0.0, pmf)
    return scant / scant.sum(axis=-1, keepdims=True)


def _none(width: int) -> np.ndarray:
    pmf = np.zeros(width)
    pmf[0] = 1.0
    return pmf
