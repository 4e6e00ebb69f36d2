"""Storeroom levels: order up to a level at each review, or order a fixed quantity at a reorder point.

Demand over the days that an order must cover comes as totals by number of days,
`by_days` (D, I, N): `by_days[d]` is the demand of I consumables over the next d
days, d = 0..D-1. Use `horizon.over_days` for days that are independent and alike,
or Dirichlet-multinomial totals of the published list where habits are shared.

Lead time and review period are in days. Two measures of service: alpha, the
chance of no stock-out before the next delivery, and fill rate, the share of
pieces handed out at once from the shelf.

Sources: Zipkin 2000 (reorder point: inventory position uniform on s+1..s+Q);
Silver, Pyke & Thomas (order up to a level, shortages per review), sections from memory.
"""

from dataclasses import dataclass

import numpy as np

from restock.forecasting.convolution import plus
from restock.forecasting.demand import mean, tail


@dataclass(frozen=True)
class StoreroomService:
    """level: (I,) S or s; alpha, fill_rate: (I,); backorders, on_hand: (I,) mean pieces owed and on the shelf.

    Backorders and stock on hand are those just before a delivery for order-up-to,
    and at a random moment for a reorder point.
    """

    level: np.ndarray
    alpha: np.ndarray
    fill_rate: np.ndarray
    backorders: np.ndarray
    on_hand: np.ndarray


@dataclass(frozen=True)
class Cover:
    """Days until the shelf is likely to run out, as a range: (I,) whole days each.

    low: the stock lasts so many days with the chance asked for; likely: with one
    half; high: with one minus the chance. `open_ended` where `high` reaches the
    end of the horizon and means "or more".
    """

    low: np.ndarray
    likely: np.ndarray
    high: np.ndarray
    open_ended: np.ndarray


def over_random_days(by_days: np.ndarray, days_pmf: np.ndarray) -> np.ndarray:
    """Demand over a random number of days: (D, I, N) with days_pmf (d,) or (I, d), d <= D, gives (I, N)."""
    days_pmf = np.asarray(days_pmf, float)
    if days_pmf.shape[-1] > len(by_days):
        raise ValueError("The horizon is shorter than the longest lead time.")
    if np.abs(days_pmf.sum(axis=-1) - 1.0).max() > 1e-8 or days_pmf.min() < 0.0:
        raise ValueError("The distribution of days must add up to one.")
    spec = "d,din->in" if days_pmf.ndim == 1 else "id,din->in"
    return np.einsum(spec, days_pmf, by_days[: days_pmf.shape[-1]])


def order_up_to(
    by_days: np.ndarray,
    lead_pmf: np.ndarray,
    review_days: int,
    *,
    alpha: np.ndarray | float | None = None,
    fill_rate: np.ndarray | float | None = None,
    pack: np.ndarray | int = 1,
) -> StoreroomService:
    """Smallest level S to order up to every `review_days`, for one service target.

    lead_pmf: chances of a lead time of 0, 1, 2 .. days, (d,) or (I, d). With
    whole packs the position after ordering is spread evenly over S..S+pack-1,
    and all figures are averages over that.

    The order placed now must cover the lead time and the review period:
    alpha = F(S) and fill rate = 1 - (n(S; R+L) - n(S; L)) / E D(R).
    """
    protected, lead = _protection(by_days, lead_pmf, review_days)
    per_level = _service_by_level(protected, lead, pack)
    level = _smallest(per_level, alpha, fill_rate)
    return _read(per_level, level)


def service_of_level(
    by_days: np.ndarray, lead_pmf: np.ndarray, review_days: int, level: np.ndarray, pack: np.ndarray | int = 1
) -> StoreroomService:
    """What service a given level S gives; arguments as in `order_up_to`."""
    per_level = _service_by_level(*_protection(by_days, lead_pmf, review_days), pack)
    return _read(per_level, np.asarray(level))


def reorder_point(
    lead_demand: np.ndarray,
    order_pieces: np.ndarray | int,
    *,
    alpha: np.ndarray | float | None = None,
    fill_rate: np.ndarray | float | None = None,
    issue: np.ndarray | None = None,
) -> StoreroomService:
    """Smallest reorder point s for orders of Q pieces placed as soon as the position falls to s.

    lead_demand: (I, N) demand over the lead time (see `over_random_days`);
    order_pieces: Q, (I,) or scalar; issue: (I, K+1), pieces handed out at a time
    (one by one when left out). Bigger issues carry the position below s before
    the order goes out; that undershoot is convolved exactly.

    With the position uniform on y = s+1..s+Q: backorders = mean n(y), and the
    pieces of an issue X that cannot be handed out are n(y; D + X) - n(y; D).
    alpha is the chance that demand over the lead time plus undershoot is at most s.
    """
    lines = len(lead_demand)
    issue = np.broadcast_to([0.0, 1.0], (lines, 2)) if issue is None else np.asarray(issue, float)
    if (issue[:, 0] > 0.0).any():
        raise ValueError("An issue hands out at least one piece.")
    order_pieces = np.broadcast_to(order_pieces, lines)
    if lines and order_pieces.min() < 1:
        raise ValueError("An order holds at least one piece.")
    reach = lead_demand.shape[1] + issue.shape[1] + int(order_pieces.max(initial=1))
    below = _widened(plus(lead_demand, _undershoot(issue, order_pieces)), reach)
    owed, owed_after = (_shortfalls(_widened(x, reach)) for x in (lead_demand, plus(lead_demand, issue)))
    unfilled = _window_mean(owed_after - owed, order_pieces, first=1) / mean(issue)[:, None]
    backorders = _window_mean(owed, order_pieces, first=1)
    position = np.arange(reach) + (1.0 + order_pieces[:, None]) / 2.0
    per_level = (
        1.0 - tail(below),
        1.0 - unfilled,
        backorders,
        position - mean(lead_demand)[:, None] + backorders,
    )
    return _read(per_level, _smallest(per_level, alpha, fill_rate))


def packs_to_order(level: np.ndarray, position: np.ndarray, pack: np.ndarray | int) -> np.ndarray:
    """Whole packs that bring the position (on hand + on order - owed) to the level or just above."""
    missing = np.maximum(np.asarray(level) - np.asarray(position), 0)
    return -(-missing // np.asarray(pack))


def days_of_cover(by_days: np.ndarray, on_hand: np.ndarray, chance: float = 0.9) -> Cover:
    """How many days the shelf lasts, as a range. by_days: (D, I, N); on_hand: (I,) pieces."""
    on_hand = np.asarray(on_hand)
    cdf = np.cumsum(by_days, axis=2)
    at = np.clip(on_hand, 0, by_days.shape[2] - 1)
    lasts = np.take_along_axis(cdf, np.broadcast_to(at, cdf.shape[:2])[..., None], axis=2)[..., 0]
    lasts = np.where(on_hand < 0, 0.0, lasts)
    low, likely, high = ((lasts[1:] >= x - 1e-10).cumprod(axis=0).sum(axis=0) for x in (chance, 0.5, 1.0 - chance))
    return Cover(low, likely, high, high == len(by_days) - 1)


def _protection(by_days, lead_pmf, review_days) -> tuple[np.ndarray, np.ndarray]:
    lead_pmf = np.asarray(lead_pmf, float)
    later = np.concatenate([np.zeros((*lead_pmf.shape[:-1], review_days)), lead_pmf], axis=-1)
    return over_random_days(by_days, later), over_random_days(by_days, lead_pmf)


def _service_by_level(protected, lead, pack) -> tuple[np.ndarray, ...]:
    """alpha, fill rate, backorders and stock on hand (I, levels) for every level 0, 1, 2 .."""
    pack = np.broadcast_to(pack, len(protected))
    reach = protected.shape[1] + int(pack.max(initial=1))
    protected, lead = _widened(protected, reach), _widened(lead, reach)
    end, start = _shortfalls(protected), _shortfalls(lead)
    turnover = (mean(protected) - mean(lead))[:, None]
    unfilled = _window_mean(end - start, pack, first=0)
    backorders = _window_mean(end, pack, first=0)
    position = np.arange(reach) + (pack[:, None] - 1) / 2.0
    return (
        _window_mean(1.0 - tail(protected), pack, first=0),
        1.0 - np.divide(unfilled, turnover, out=np.zeros_like(unfilled), where=turnover > 0.0),
        backorders,
        position - mean(protected)[:, None] + backorders,
    )


def _smallest(per_level, alpha, fill_rate) -> np.ndarray:
    if (alpha is None) == (fill_rate is None):
        raise ValueError("Give one target: alpha or fill_rate.")
    curve, target = (per_level[0], alpha) if fill_rate is None else (per_level[1], fill_rate)
    target = np.broadcast_to(np.asarray(target, float), len(curve))[:, None]
    if not ((target > 0.0) & (target < 1.0)).all():
        raise ValueError("A service target lies between 0 and 1.")
    return np.argmax(curve >= target - 1e-10, axis=1)


def _read(per_level, level) -> StoreroomService:
    at = np.clip(level, 0, per_level[0].shape[1] - 1)[:, None]
    return StoreroomService(level, *(np.take_along_axis(curve, at, axis=1)[:, 0] for curve in per_level))


def _undershoot(issue: np.ndarray, order_pieces: np.ndarray) -> np.ndarray:
    """How far an issue carries the position below s: P(U = u) ~ P(u < X <= u + Q), u = 0..K-1."""
    cdf = np.cumsum(issue, axis=1)
    u = np.arange(issue.shape[1] - 1)
    far = np.minimum(u + order_pieces[:, None], issue.shape[1] - 1)
    chance = np.maximum(np.take_along_axis(cdf, far, axis=1) - cdf[:, :-1], 0.0)
    return chance / chance.sum(axis=1, keepdims=True)


def _shortfalls(pmf: np.ndarray) -> np.ndarray:
    """n(x) = E(D - x)+ for x = 0..N-1."""
    return np.cumsum(tail(pmf)[:, ::-1], axis=1)[:, ::-1]


def _window_mean(curve: np.ndarray, size: np.ndarray, first: int) -> np.ndarray:
    """Mean of curve(s + first) .. curve(s + first + size - 1) for each s; the curve's last value goes on."""
    n = curve.shape[1]
    last = int(size.max(initial=1)) + first
    longer = np.concatenate([curve, np.repeat(curve[:, -1:], last, axis=1)], axis=1)
    summed = np.concatenate([np.zeros((len(curve), 1)), np.cumsum(longer, axis=1)], axis=1)
    begin = np.arange(n) + first
    ending = np.take_along_axis(summed, begin + size[:, None], axis=1)
    return (ending - summed[:, begin]) / size[:, None]


def _widened(pmf: np.ndarray, width: int) -> np.ndarray:
    return np.pad(pmf, ((0, 0), (0, max(width - pmf.shape[1], 0))))
