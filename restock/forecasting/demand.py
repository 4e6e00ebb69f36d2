"""How many pieces each stocking line will be asked for: exact distributions, and what to read off them.

A demand distribution is an array `pmf` of shape (L, N): `pmf[l, q]` is the
probability that line l is asked for exactly q pieces. A line is one consumable
on one cart (or in one storeroom) over one stretch of time. Probabilities below
1e-12 are reported as zero, so rows add up to one to within about 1e-11.

Everything here is pure: arrays in, arrays out, no clock and no sampling.
"""

import numpy as np

from restock.forecasting.convolution import SMALLEST, Entries, add_up, clean, plus

ROUNDING = 1e-10
"""F(q) this close below tau counts as reaching it, so that rounding never asks for one piece more."""

CANCELLATION_NODES = 128
"""Most quadrature nodes for a shared cancellation rate: exact up to 255 cases of one service on one line."""

LARGEST_COMPOUND = 20_000
"""Pieces after which a sum over a random number of cases is refused as meaningless."""


def total_over_cases(
    pmfs: np.ndarray,
    line: np.ndarray,
    pmf_index: np.ndarray,
    n_lines: int,
    cancel: float | np.ndarray = 0.0,
    *,
    node_weights: np.ndarray | None = None,
    at_least: int | None = None,
) -> np.ndarray:
    """Exact distribution of the pieces that independent case entries use on each line.

    An entry says that a case (or a room-day) takes pieces from a line; the
    entries of one line are independent given the shared effect, if there is one.

    pmfs: (P, K+1), use per case on 0..K pieces; or (H, P, K+1) when all cases of
        a line share an effect with H quadrature nodes (who is in the room that day).
    line: (M,) line of each entry; pmf_index: (M,) its row of pmfs.
    cancel: chance that the entry's case is cancelled and uses nothing, scalar or
        (M,), or (H, M) when it too differs by node.
    node_weights: (H,) or (H, n_lines), the weight of each node, adding up to one.
    at_least: make the answer no narrower than this many columns.

    Returns (n_lines, N) with N above the largest possible total: nothing wraps
    around. Lines without entries have all their mass at zero. The absolute error
    of each probability is a few times 1e-16.

    Raises ValueError when shapes disagree, an index points nowhere, or a row is
    not a distribution.
    """
    pmfs, line, pmf_index = _checked_entries(pmfs, line, pmf_index, n_lines)
    cancel = np.asarray(cancel, float)
    n_nodes = max(len(pmfs), len(cancel) if cancel.ndim == 2 else 1)
    weights = _checked_weights(node_weights, n_nodes, n_lines)
    if cancel.size and not (cancel.min() >= 0.0 and cancel.max() <= 1.0):
        raise ValueError("A chance of cancellation lies between 0 and 1.")

    span = _largest_quantity(pmfs)[pmf_index]
    uses_some = span > 0
    if not uses_some.all():
        line, pmf_index, span = line[uses_some], pmf_index[uses_some], span[uses_some]
        cancel = cancel[..., uses_some] if cancel.ndim else cancel
    if line.size and (line[1:] < line[:-1]).any():
        order = np.argsort(line, kind="stable")
        line, pmf_index, span = line[order], pmf_index[order], span[order]
        cancel = cancel[..., order] if cancel.ndim else cancel

    keep = None
    if cancel.ndim:
        keep = np.broadcast_to(1.0 - cancel, (n_nodes, line.size))
    elif cancel > 0.0:
        pmfs = (1.0 - cancel) * pmfs
        pmfs[..., 0] += cancel

    count = np.bincount(line, minlength=n_lines)
    largest = np.bincount(line, weights=span, minlength=n_lines).astype(int)
    width = max(int(largest.max(initial=0)) + 1, at_least or 1)
    out = np.zeros((n_lines, width))
    out[count == 0, 0] = 1.0
    first = np.cumsum(count) - count
    if len(pmfs) > 1 and cancel.ndim < 2:
        # Most consumables do not depend on the shared effect; they need one node only.
        varies = (pmfs[1:] != pmfs[:1]).any(axis=0).any(axis=1)
        steady = np.bincount(line, weights=varies[pmf_index], minlength=n_lines) == 0
        one = None if keep is None else keep[:1]
        settled = Entries(pmfs[:1], pmf_index, one, first, count * steady, np.ones((1, n_lines)))
        add_up(settled, largest, out)
        count = count * ~steady
    add_up(Entries(pmfs, pmf_index, keep, first, count, weights), largest, out)
    return out


def total_with_shared_cancellation(
    pmfs: np.ndarray,
    line: np.ndarray,
    pmf_index: np.ndarray,
    service: np.ndarray,
    n_lines: int,
    a: np.ndarray,
    b: np.ndarray,
    *,
    at_least: int | None = None,
) -> np.ndarray:
    """Like `total_over_cases`, when cases of one service share an unknown cancellation rate.

    service: (M,) service of each entry; a, b: (S,) the rate of service s is
    Beta(a[s], b[s]), so that the number of its cancelled cases is beta-binomial.
    Services are independent. Given the rate c the distribution is a polynomial
    in c of degree n (its cases), which Gauss-Jacobi quadrature with n/2 + 1
    nodes integrates exactly.

    Source: Golub & Welsch 1969 (nodes and weights from the recurrence matrix).
    """
    line, service = np.asarray(line), np.asarray(service)
    a, b = np.asarray(a, float), np.asarray(b, float)
    if line.size == 0:
        return total_over_cases(pmfs, line, pmf_index, n_lines, at_least=at_least)
    key, group, size = np.unique(line * len(a) + service, return_inverse=True, return_counts=True)
    group_line, group_service = key // len(a), key % len(a)
    n_nodes = min(int(size.max()) // 2 + 1, CANCELLATION_NODES)
    rate, weight = beta_quadrature(a, b, n_nodes)

    by_service = total_over_cases(
        pmfs,
        group,
        pmf_index,
        len(key),
        rate[service].T,
        node_weights=weight[group_service].T,
    )
    return total_over_cases(by_service, group_line, np.arange(len(key)), n_lines, at_least=at_least)


def beta_quadrature(a: np.ndarray, b: np.ndarray, n_nodes: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights (S, n_nodes) that integrate polynomials up to degree 2 n_nodes - 1 over Beta(a, b).

    Source: recurrence of the Jacobi polynomials (Abramowitz & Stegun 22.7), nodes
    as eigenvalues of its symmetric tridiagonal matrix (Golub & Welsch 1969).
    """
    alpha, beta = b[:, None] - 1.0, a[:, None] - 1.0
    k = np.arange(1, n_nodes)
    both = alpha + beta
    centre = np.empty((len(a), n_nodes))
    centre[:, :1] = (beta - alpha) / (both + 2.0)
    centre[:, 1:] = (beta**2 - alpha**2) / ((2 * k + both) * (2 * k + both + 2.0))
    square = np.empty((len(a), n_nodes - 1))
    square[:, :1] = (4.0 * (1 + alpha) * (1 + beta) / ((2 + both) ** 2 * (3 + both)))[:, : n_nodes - 1]
    k = k[1:]
    square[:, 1:] = (
        4.0 * k * (k + alpha) * (k + beta) * (k + both)
        / ((2 * k + both) ** 2 * (2 * k + both + 1) * (2 * k + both - 1))
    )  # fmt: skip
    matrix = np.zeros((len(a), n_nodes, n_nodes))
    diagonal = np.arange(n_nodes)
    matrix[:, diagonal, diagonal] = centre
    matrix[:, diagonal[1:], diagonal[:-1]] = np.sqrt(square)
    node, vector = np.linalg.eigh(matrix)  # reads the lower triangle
    return np.clip((1.0 + node) / 2.0, 0.0, 1.0), vector[:, 0, :] ** 2


def pooled(pmf: np.ndarray, group: np.ndarray, n_groups: int) -> np.ndarray:
    """Demand of each group of independent lines, such as all carts that one storeroom serves.

    pmf: (L, N); group: (L,). Returns (n_groups, N').
    """
    return trimmed(total_over_cases(pmf, group, np.arange(len(pmf)), n_groups))


def with_add_ons(total: np.ndarray, use: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Add the cases that nobody has scheduled yet to the scheduled total.

    total: (L, N); use: (L, K+1) or (K+1,), use per added case; a, b: (L,) or
    scalar, the number of added cases is Poisson with an unknown rate that is
    Gamma(a, b) (mean a/b), that is negative binomial.
    """
    return _joined(total, negative_binomial_total(np.atleast_2d(use), a, b))


def with_known_rate_add_ons(total: np.ndarray, use: np.ndarray, rate: np.ndarray) -> np.ndarray:
    """Like `with_add_ons`, when the mean number of added cases is known: (L,) or scalar."""
    return _joined(total, poisson_total(np.atleast_2d(use), rate))


def negative_binomial_total(use: np.ndarray, a: np.ndarray, b: np.ndarray, *, largest: int | None = None) -> np.ndarray:
    """Pieces used by a negative binomial number of cases: (L, K+1) gives (L, N).

    largest: totals beyond so many pieces are of no interest; N is then at most largest + 1.

    Its generating function is (b / (b + 1 - phi))^a with phi that of one case.
    Computed by Panjer's recursion, which for this family adds positive terms
    only; it stops when every line has less than 1e-12 left.

    Source: Panjer 1981; Klugman, Panjer & Willmot, Loss Models (from memory).
    Raises ValueError for a or b not above zero.
    """
    use = _summing_to_one(use)
    a, b = (np.broadcast_to(np.asarray(x, float), len(use)) for x in (a, b))
    if not ((a > 0).all() and (b > 0).all()):
        raise ValueError("The Gamma parameters of a case rate lie above zero.")
    log_none = a * -np.log1p((1.0 - use[:, 0]) / b)
    return _compound(use, log_none, lambda share: (1.0 / (b + 1.0), (a * share - 1.0) / (b + 1.0)), largest)


def poisson_total(use: np.ndarray, rate: np.ndarray) -> np.ndarray:
    """Pieces used by a Poisson number of cases with known mean `rate`: (L, K+1) gives (L, N).

    Source: Panjer 1981, as `negative_binomial_total`.
    """
    use = _summing_to_one(use)
    rate = np.broadcast_to(np.asarray(rate, float), len(use))
    if not (rate >= 0).all():
        raise ValueError("A mean number of cases is never negative.")
    return _compound(use, -rate * (1.0 - use[:, 0]), lambda share: (np.zeros_like(rate), rate * share))


def _summing_to_one(use: np.ndarray) -> np.ndarray:
    """Rows without the rounding error of their sum: many cases would multiply it, and the last 1e-12 never arrive."""
    use = np.asarray(use, float)
    return use / use.sum(axis=1, keepdims=True)


def _compound(use: np.ndarray, log_none: np.ndarray, slope_and_offset, largest: int | None = None) -> np.ndarray:
    """Panjer's recursion for many lines at once.

    g(q) = sum_k (slope + offset k/q) use_k g(q-k) / (1 - slope use_0). Where the
    chance of no use at all underflows, the count is split into 2^h equal
    independent parts (both families allow it) and the parts are added up.
    """
    halvings = max(0, int(np.ceil(np.log2(max(-log_none.min(initial=0.0), 1.0) / 600.0))))
    share = 0.5**halvings
    slope, offset = slope_and_offset(share)
    k = np.arange(1, use.shape[1])[:, None]
    step = use[:, 1:].T / (1.0 - slope * use[:, 0])
    by_slope, by_offset = slope * step, offset * step * k
    reach = len(k)

    total = np.zeros((reach + 64, len(use)))  # row reach + q holds g(q); the rows before it stay zero
    total[reach] = np.exp(log_none * share)
    reached = total[reach].copy()
    q = 0
    while reach and (1.0 - reached > SMALLEST).any() and q != largest:
        q += 1
        if q > LARGEST_COMPOUND:
            raise ValueError(f"A case rate is so uncertain that {LARGEST_COMPOUND} pieces do not cover it.")
        if reach + q >= len(total):
            total = np.concatenate([total, np.zeros_like(total)])
        recent = total[q : q + reach][::-1]
        now = np.einsum("kl,kl->l", by_slope + by_offset / q, recent)
        total[reach + q] = now
        reached += now
    pmf = clean(total[reach : reach + q + 1].T.copy())
    for _ in range(halvings):
        pmf = plus(pmf, pmf)[:, : None if largest is None else largest + 1]
    return trimmed(pmf)


def _joined(total: np.ndarray, added: np.ndarray) -> np.ndarray:
    if len(added) == 1:
        added = np.broadcast_to(added, (len(total), added.shape[1]))
    return trimmed(plus(total, added), at_least=total.shape[1])


def trimmed(pmf: np.ndarray, at_least: int = 1) -> np.ndarray:
    """Drop the last columns that hold nothing on any line."""
    held = np.flatnonzero(pmf.any(axis=0))
    return pmf[:, : max(int(held[-1]) + 1 if held.size else 1, at_least)]


def mean(pmf: np.ndarray) -> np.ndarray:
    """Expected pieces: (..., N) gives (...)."""
    return pmf @ np.arange(pmf.shape[-1])


def variance(pmf: np.ndarray) -> np.ndarray:
    """Variance of the pieces: (..., N) gives (...)."""
    q = np.arange(pmf.shape[-1])
    return pmf @ q**2 - (pmf @ q) ** 2


def quantile(pmf: np.ndarray, tau: float | np.ndarray) -> np.ndarray:
    """The smallest number of pieces q with F(q) >= tau.

    pmf: (L, N); tau: scalar, (L,) for a level of each line's own, or (T, 1) or
    (T, L) for several levels. Returns whole pieces, (L,) or (T, L).
    """
    tau = np.asarray(tau, float)
    if not ((tau >= 0.0) & (tau <= 1.0)).all():
        raise ValueError("A service level lies between 0 and 1.")
    n_lines = len(pmf)
    out = np.empty(np.broadcast_shapes(tau.shape, (n_lines,)), int)
    wanted = np.broadcast_to(tau - ROUNDING, out.shape)
    for start in range(0, n_lines, 2048):
        block = slice(start, start + 2048)
        reached = np.cumsum(pmf[block], axis=1)
        reached[:, -1] = np.inf  # what rounding or the noise limit left out lies within the support
        out[..., block] = np.argmax(reached >= wanted[..., block, None], axis=-1)
    return out


def tail(pmf: np.ndarray) -> np.ndarray:
    """P(D > q) for q = 0..N-1, added up from the far end so that small ones keep their precision."""
    beyond = np.zeros_like(pmf)
    beyond[..., :-1] = np.cumsum(pmf[..., :0:-1], axis=-1)[..., ::-1]
    return beyond


def p_short(pmf: np.ndarray, on_hand: int | np.ndarray) -> np.ndarray:
    """P(D > on hand), the chance that the line runs short; below zero on hand it is one.

    pmf: (L, N); on_hand: whole pieces, scalar or (L,), negative where the record owes pieces.
    """
    beyond = np.arange(pmf.shape[-1]) > _whole_pieces(on_hand)[..., None]
    return clean(np.einsum("...q,...q->...", pmf, beyond))


def expected_shortfall(pmf: np.ndarray, on_hand: int | np.ndarray) -> np.ndarray:
    """E(D - on hand)+, the pieces expected to be missing: (L, N) with scalar or (L,) gives (L,)."""
    missing = np.maximum(np.arange(pmf.shape[-1]) - _whole_pieces(on_hand)[..., None], 0.0)
    return clean(np.einsum("...q,...q->...", pmf, missing))


def left_over(pmf: np.ndarray, on_hand: int | np.ndarray) -> np.ndarray:
    """E(on hand - D)+, the pieces expected to be left: (L, N) with scalar or (L,) gives (L,)."""
    left = np.maximum(_whole_pieces(on_hand)[..., None] - np.arange(pmf.shape[-1]), 0.0)
    return clean(np.einsum("...q,...q->...", pmf, left))


def _whole_pieces(on_hand: int | np.ndarray) -> np.ndarray:
    on_hand = np.asarray(on_hand)
    if on_hand.dtype.kind not in "iu":
        raise ValueError("Pieces on hand are whole numbers.")
    return on_hand.astype(np.int64, copy=False)


def _largest_quantity(pmfs: np.ndarray) -> np.ndarray:
    """The greatest quantity each row can use, over all nodes: (H, P, K+1) gives (P,)."""
    possible = (pmfs > 0.0).any(axis=0)
    largest = np.zeros(len(possible), int)
    for quantity in range(1, possible.shape[1]):
        largest[possible[:, quantity]] = quantity
    return largest


def _checked_entries(pmfs, line, pmf_index, n_lines):
    pmfs = np.asarray(pmfs, float)
    if pmfs.ndim == 2:
        pmfs = pmfs[None]
    line, pmf_index = np.asarray(line, np.intp), np.asarray(pmf_index, np.intp)
    if pmfs.ndim != 3 or line.ndim != 1 or line.shape != pmf_index.shape:
        raise ValueError("Wanted: pmfs (P, K+1) or (H, P, K+1), and one line and one pmf row per entry.")
    if line.size and (line.min() < 0 or line.max() >= n_lines):
        raise ValueError("An entry's line lies outside 0..n_lines-1.")
    if line.size and (pmf_index.min() < 0 or pmf_index.max() >= pmfs.shape[1]):
        raise ValueError("An entry's pmf_index lies outside pmfs.")
    if pmfs.size and (pmfs.min() < 0.0 or np.abs(pmfs @ np.ones(pmfs.shape[2]) - 1.0).max() > 1e-8):
        raise ValueError("Each row of pmfs must be a distribution: nothing negative, adding up to one.")
    return pmfs, line, pmf_index


def _checked_weights(node_weights, n_nodes, n_lines):
    if node_weights is None:
        if n_nodes != 1:
            raise ValueError("pmfs with several nodes need node_weights.")
        return np.ones((1, n_lines))
    weights = np.asarray(node_weights, float)
    if weights.ndim == 1:
        weights = weights[:, None]
    if weights.shape[0] != n_nodes or np.abs(weights.sum(axis=0) - 1.0).max(initial=0.0) > 1e-8:
        raise ValueError("node_weights must have one row per node and add up to one.")
    return np.broadcast_to(weights, (n_nodes, n_lines))
