"""Demand further ahead than tomorrow: many cases that share one unknown habit, and cases not yet published.

The use per case of a case type is known only from so many logged cases. Within
one evening's list that hardly matters; over a storeroom's lead time the same
error repeats in every case, and sums of independent draws are far too narrow.
Here all cases of a group share one unknown pmf, which is Dirichlet(alpha); their
total is a Dirichlet-multinomial sum, computed exactly.
"""

import numpy as np

from restock.forecasting.convolution import BLOCK_VALUES, clean, transform_length
from restock.forecasting.demand import negative_binomial_total, trimmed


def dirichlet_multinomial_total(
    alpha: np.ndarray,
    cases: np.ndarray,
    cancel: float | np.ndarray = 0.0,
    cancel_b: float | np.ndarray | None = None,
) -> np.ndarray:
    """Pieces used by `cases` cases of each group, which share one unknown pmf.

    alpha: (G, K+1), Dirichlet weights of 0..K pieces (prior plus counts);
    cases: (G,) scheduled cases; cancel: scalar or (G,), each case's chance of
    being cancelled; with cancel_b given, the shared rate is Beta(cancel, cancel_b).

    Returns (G, N).
    """
    cases = np.asarray(cases)
    if cancel_b is None:
        happens = binomial_counts(cases, 1.0 - np.asarray(cancel, float))
    else:
        happens = beta_binomial_counts(cases, cancel_b, cancel)
    return total_over_random_cases(alpha, happens)


def total_over_random_cases(
    alpha: np.ndarray, case_count: np.ndarray, *, largest: np.ndarray | None = None
) -> np.ndarray:
    """Pieces used by a random number of cases that share one unknown pmf.

    alpha: (G, K+1); case_count: (G, n+1), the distribution of the number of
    cases, for example a beyond-the-list count from `negative_binomial_counts`
    with alpha that of the case mix. Or (D, G, n+1), several such counts for the
    same groups (over one day, two days ...): they cost little more than one.
    largest: (G,) pieces that a total is not going to exceed, n K by default.
    Much is saved where n K is far out of reach; what lies beyond wraps around,
    so it must be as unlikely as the errors that are put up with.

    Returns (G, N) or (D, G, N).

    With p_r(z) = sum_k alpha_k z^(kr) / A, A = sum alpha and c_m = Gamma(A + m) / (Gamma(A) m!),
    the generating function of m cases obeys
    d_m = sum_{r=1..m} w_mr p_r d_(m-r), w_mr = A c_(m-r) / (m c_m), sum_r w_mr = 1.
    Each step averages numbers no larger than one, so rounding does not grow.
    It costs n^2/2 products per transform value; every m <= n comes on the way.

    Source: Newton's identities on prod_k (1 - t z^k)^(-alpha_k); checked against
    enumeration of SciPy's Dirichlet-multinomial.
    """
    alpha, case_count = np.asarray(alpha, float), np.asarray(case_count, float)
    if alpha.ndim != 2 or case_count.ndim not in (2, 3) or len(alpha) != case_count.shape[-2]:
        raise ValueError("Wanted: alpha (G, K+1) and case_count (G, n+1) or (D, G, n+1).")
    if alpha.size and not (alpha.min() >= 0.0 and alpha.sum(axis=1).min() > 0.0):
        raise ValueError("Dirichlet weights are never negative, and some weight must be above zero.")
    possible = (case_count > 0.0).reshape(-1, *case_count.shape[-2:]).any(axis=0)
    most = np.where(possible.any(axis=1), possible.shape[1] - 1 - np.argmax(possible[:, ::-1], axis=1), 0)
    reach = alpha.shape[1] - 1
    top = most * reach if largest is None else np.minimum(most * reach, largest)
    length_of = np.array([transform_length(int(n)) for n in top], dtype=int)
    like_n = _rounded_up(most)
    out = np.zeros((*case_count.shape[:-1], int(top.max(initial=0)) + 1))
    for n, length in np.unique(np.stack([like_n, length_of]), axis=1).T:
        groups = np.flatnonzero((like_n == n) & (length_of == length))
        width = int(top[groups].max()) + 1
        n = int(most[groups].max())
        size = max(1, 4 * BLOCK_VALUES // ((length // 2 + 1) * (n + 1)))
        for start in range(0, len(groups), size):
            block = groups[start : start + size]
            transform = _mixed_transform(alpha[block], case_count[..., block, : n + 1], int(length))
            out[..., block, :width] = np.fft.irfft(transform, int(length))[..., :width]
    return clean(out)


def _mixed_transform(alpha: np.ndarray, case_count: np.ndarray, length: int) -> np.ndarray:
    from scipy.special import gammaln

    n = case_count.shape[-1] - 1
    total = alpha.sum(axis=1, keepdims=True)
    nodes = np.arange(length // 2 + 1)
    full = np.fft.fft(alpha / total, length, axis=1)
    if n:
        power = np.stack([full[:, nodes * r % length] for r in range(1, n + 1)], axis=1)
    m = np.arange(n + 1)
    log_c = gammaln(total + m) - gammaln(total) - gammaln(m + 1.0)

    known = np.empty((len(alpha), n + 1, len(nodes)), complex)
    known[:, 0] = 1.0
    for m in range(1, n + 1):
        r = np.arange(1, m + 1)
        weight = total / m * np.exp(log_c[:, m - r] - log_c[:, m : m + 1])
        np.einsum("gr,grf,grf->gf", weight, power[:, :m], known[:, m - 1 :: -1][:, :m], out=known[:, m])
    counts = case_count.transpose(1, 0, 2) if case_count.ndim == 3 else case_count[:, None]
    mixed = (counts @ known.view(float)).view(complex).transpose(1, 0, 2)  # real times complex
    return mixed if case_count.ndim == 3 else mixed[0]


def _rounded_up(n: np.ndarray) -> np.ndarray:
    """Numbers of cases that are worked out together: steps of an eighth."""
    step = 2 ** np.maximum(np.floor(np.log2(np.maximum(n, 1))).astype(int) - 3, 0)
    return -(-n // step) * step


def beyond_the_list(use: np.ndarray, a: np.ndarray, b: np.ndarray, days: float | np.ndarray = 1.0) -> np.ndarray:
    """Pieces used on days whose case list is not out yet: negative binomial case count times case mix.

    use: (L, K+1) per case, averaged over the mix; a, b: (L,) the daily case rate
    is Gamma(a, b); all `days` share it. Cases are independent given the mix:
    with little history use `total_over_random_cases` instead.
    """
    return negative_binomial_total(use, a, np.asarray(b, float) / days)


def over_days(daily: np.ndarray, days: int) -> np.ndarray:
    """Totals of 0, 1 .. `days` independent days with the same demand: (L, N) gives (days+1, L, N')."""
    if days < 0:
        raise ValueError("A number of days is never negative.")
    n_lines, width = daily.shape
    largest = (width - 1) * days
    length = transform_length(largest)
    out = np.zeros((days + 1, n_lines, largest + 1))
    step = max(1, 4 * BLOCK_VALUES // length)
    for start in range(0, n_lines, step):
        block = slice(start, start + step)
        one = np.fft.rfft(daily[block], length)
        so_far = np.ones_like(one)
        for day in range(days + 1):
            out[day, block] = np.fft.irfft(so_far, length)[:, : largest + 1]
            so_far *= one
    return trimmed(clean(out).reshape(-1, largest + 1)).reshape(days + 1, n_lines, -1)


def binomial_counts(n: np.ndarray, p: float | np.ndarray) -> np.ndarray:
    """Distribution (G, max n + 1) of how many of n cases happen, each with chance p."""
    from scipy.special import gammaln, xlog1py, xlogy

    n = np.asarray(n)[:, None]
    p = np.broadcast_to(np.asarray(p, float), len(n))[:, None]
    m = np.minimum(np.arange(int(n.max(initial=0)) + 1), n)
    log = gammaln(n + 1) - gammaln(m + 1) - gammaln(n - m + 1) + xlogy(m, p) + xlog1py(n - m, -p)
    return np.where(np.arange(m.shape[1]) <= n, np.exp(log), 0.0)


def beta_binomial_counts(n: np.ndarray, a: float | np.ndarray, b: float | np.ndarray) -> np.ndarray:
    """Distribution (G, max n + 1) of how many of n cases happen when they share one rate Beta(a, b)."""
    from scipy.special import betaln, gammaln

    n = np.asarray(n)[:, None]
    a, b = (np.broadcast_to(np.asarray(x, float), len(n))[:, None] for x in (a, b))
    m = np.minimum(np.arange(int(n.max(initial=0)) + 1), n)
    log = gammaln(n + 1) - gammaln(m + 1) - gammaln(n - m + 1) + betaln(m + a, n - m + b) - betaln(a, b)
    return np.where(np.arange(m.shape[1]) <= n, np.exp(log), 0.0)


def negative_binomial_counts(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Distribution (G, n+1) of a Poisson number of cases with an unknown rate that is Gamma(a, b).

    n is the first number beyond which less than 1e-12 is left.
    """
    a = np.atleast_1d(np.asarray(a, float))
    return negative_binomial_total(np.broadcast_to([0.0, 1.0], (len(a), 2)), a, b)
