"""What the log misses: pieces gone from the cart against pieces logged, and use put right for it.

Counts tell what truly went (opening + added - closing). Each piece that went was logged with probability
kappa, the capture rate. Learning from the raw log would forecast too little, by as much as is missed.
Demand that was cut off because the cart ran out is missed in another way: only "at least q" is known.

Both are put right inside the model by expectation-maximisation (Dempster, Laird & Rubin 1977, JRSS B 39:1-38):
the forecast says which true counts may lie behind a logged one, and is then learned from those.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from restock.forecasting.size_runs import binomial_table
from restock.forecasting.usage import History, Learned, Weights, learn

SEARCHES = 2  # times the weights are chosen anew, on counts that were put right with the weights before
ROUNDS = 60  # a bound; the change a round makes decides
TOLERANCE = 1e-3  # probability that a round still moves in the mean cell of a line; the last of it only roughens
SMALLEST_BELIEF = 1e-12  # what was logged did happen, however firmly the forecast ruled it out


@dataclass(frozen=True)
class Capture:
    """Capture rate of each line; arrays of one shape.

    mean: posterior mean. low, high: central 95% interval. multiplier: E[1/kappa], by which a logged rate is
    multiplied to expect the true one; infinite where nothing at all was logged under so weak a prior.
    """

    mean: np.ndarray
    low: np.ndarray
    high: np.ndarray
    multiplier: np.ndarray


def capture(gone: np.ndarray | float, logged: np.ndarray | float, prior: tuple[float, float] = (1.0, 1.0)) -> Capture:
    """Capture rate from cycle counts.

    gone: pieces that left by count. logged: those of them that were logged; a log of more than went (a
    miscount, a double entry) is taken as complete. prior: Beta (a, b). Beta posterior by conjugacy;
    E[1/kappa] = (a + b - 1) / (a - 1) of the posterior. Raises ValueError for negative pieces.
    """
    from scipy.special import betaincinv

    gone, logged = np.asarray(gone, dtype=float), np.asarray(logged, dtype=float)
    if not ((gone >= 0).all() and (logged >= 0).all()):
        raise ValueError("Pieces gone and pieces logged cannot be negative.")
    a = prior[0] + np.minimum(logged, gone)
    b = prior[1] + np.maximum(gone - logged, 0.0)
    above_one = a > 1
    return Capture(
        mean=a / (a + b),
        low=betaincinv(a, b, 0.025),
        high=betaincinv(a, b, 0.975),
        multiplier=np.where(above_one, (a + b - 1) / np.where(above_one, a - 1, 1.0), np.inf),
    )


def true_counts(counts: np.ndarray, pmf: np.ndarray, kappa: np.ndarray) -> np.ndarray:
    """Logged counts moved to the true counts that may lie behind them: the expectation step for lost pieces.

    counts: (lines, cells, K+1), cases by pieces logged. pmf: same shape, believed distribution of true use.
    kappa: (lines,), probability that a piece used is logged, above 0. Returns (lines, cells, K+1) with the
    same number of cases.
    """
    pmf = np.maximum(pmf, SMALLEST_BELIEF)
    logged_given_true = binomial_table(kappa, counts.shape[-1] - 1)
    expected_log = np.einsum("lcq,lqk->lck", pmf, logged_given_true, optimize=True)
    per_belief = counts / expected_log
    return pmf * np.einsum("lck,lqk->lcq", per_belief, logged_given_true, optimize=True)


def uncut_counts(cut_off: np.ndarray, pmf: np.ndarray) -> np.ndarray:
    """Cases that used all there was, moved to what they may have wanted: "at least q" spread over q and above.

    cut_off: (lines, cells, K+1), cases for which the cart ran out after q pieces. pmf: same shape.
    Returns (lines, cells, K+1) with the same number of cases. Lost sales: Agrawal & Smith 1996 (from memory).
    """
    pmf = np.maximum(pmf, SMALLEST_BELIEF)
    at_least = np.cumsum(pmf[..., ::-1], axis=-1)[..., ::-1]
    return pmf * np.cumsum(cut_off / at_least, axis=-1)


def learn_corrected(
    history: History,
    *,
    kappa: np.ndarray | None = None,
    cut_off: np.ndarray | None = None,
    weights: Weights | None = None,
) -> Learned:
    """Learn from a log that misses pieces, cases whose demand was cut off, or both.

    kappa: (lines,), capture rate, above 0 and at most 1; None if the log is complete.
    cut_off: (lines, cells, K+1), cases (not among `history.counts`) that used q pieces and found no more.
    weights: chosen before on the corrected log; given, the search for better ones is left out.
    Returns what `learn` returns; its own_cases count every case once. With neither it is `learn`.
    Lines with a complete log are not touched. Raises ValueError for a kappa out of range, or a cut_off of
    another shape or with negative entries.
    """
    counts = history.counts
    kappa = np.ones(len(counts)) if kappa is None else np.asarray(kappa, dtype=float)
    cut_off = np.zeros(counts.shape) if cut_off is None else cut_off
    if kappa.shape != counts.shape[:1] or not ((kappa > 0) & (kappa <= 1)).all():
        raise ValueError("There must be one capture rate for each line, above 0 and at most 1.")
    if cut_off.shape != counts.shape or not (cut_off >= 0).all():
        raise ValueError("Cut-off cases must be (lines, cells, K+1) like the counts, none negative.")

    unsure = cut_off.any(axis=-1)
    unsure[kappa < 1] |= counts[kappa < 1].any(axis=-1)
    rows = np.flatnonzero(unsure.any(axis=-1))
    if not rows.size:
        return learn(history, weights)
    certain = np.broadcast_to(~unsure.any(axis=-1)[:, None], unsure.shape)
    learned = learn(history, weights, wanted=None if weights is None else certain | unsure)
    part = replace(history, counts=counts[rows], standard=history.standard[rows])
    chosen = weights and of_lines(weights, rows)
    corrected = _maximise(part, kappa[rows], cut_off[rows], unsure[rows], of_lines(learned, rows), chosen)
    return put_lines(learned, rows, corrected)


def _maximise(
    history: History,
    kappa: np.ndarray,
    cut_off: np.ndarray,
    unsure: np.ndarray,
    learned: Learned,
    weights: Weights | None,
) -> Learned:
    """Starting from `learned`. unsure: (lines, cells), the cells whose counts have to be put right."""
    lossy = np.flatnonzero(kappa < 1)
    for _ in range(1 if weights else SEARCHES):
        for _ in range(ROUNDS):
            believed = learned.pmf
            logged = history.counts.copy()
            logged[lossy] = true_counts(history.counts[lossy], believed[lossy], kappa[lossy])
            likely = logged + uncut_counts(cut_off, believed)
            corrected = replace(history, counts=likely)
            learned = learn(corrected, learned.weights, wanted=unsure)  # what is certain needs no belief yet
            moved = np.abs(learned.pmf - believed).sum(axis=-1).mean(axis=-1)
            if moved.max() < TOLERANCE:
                break
        learned = learn(corrected, weights)
    return learned


def of_lines(whole: object, rows: np.ndarray) -> object:
    """Some lines of arrays, or of a dataclass of arrays."""
    if isinstance(whole, np.ndarray):
        return whole[rows]
    return replace(whole, **{field.name: of_lines(getattr(whole, field.name), rows) for field in fields(whole)})


def put_lines(whole: object, rows: np.ndarray, part: object) -> object:
    """A copy of arrays, or of a dataclass of arrays, in which some lines are replaced."""
    if isinstance(whole, np.ndarray):
        result = whole.copy()
        result[rows] = part
        return result
    names = [field.name for field in fields(whole)]
    return replace(whole, **{name: put_lines(getattr(whole, name), rows, getattr(part, name)) for name in names})
