"""What unlogged use costs a forecast and what the correction wins back: `python -m tests.benchmarks.prove_capture`.

Lines of eight cases of one kind, forecast from a log in which each piece was written down with probability
kappa; half of what is lost goes missing as whole entries. The capture rate itself is estimated from simulated
cycle counts. Coverage of the 95% quantile less the forecast's own F(q), in points.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np

from restock.forecasting.capture import capture, learn_corrected
from restock.forecasting.horizon import dirichlet_multinomial_total
from restock.forecasting.standards import standard_pmf
from restock.forecasting.usage import History, learn
from tests.benchmarks.judging import quantile
from tests.benchmarks.true_use import K_MAX, Circumstances, ExactlyOne, Overdispersed, Syringe

N_TYPES, CASES_LOGGED, CASES_AHEAD, COUNTED_PIECES = 40, 25, 8, 250
KAPPAS = (1.0, 0.95, 0.90, 0.80)
LEVEL = 0.95


def case_types(rng: np.random.Generator) -> tuple[tuple[str, ...], np.ndarray]:
    """Names of three lines and their true pmfs (lines, case types, K+1)."""
    effect = rng.normal(0, 0.35, N_TYPES)
    every = np.ones(5)
    lines = (
        ExactlyOne(0.03, 0.05, every.astype(bool), effect, 0.0),
        Syringe(2.5 * every, effect, 0.0),
        Overdispersed(1.5 * every, effect, 0.0),
    )
    nothing = np.zeros(N_TYPES, dtype=int)
    at = Circumstances(
        np.arange(N_TYPES),
        nothing,
        nothing,
        nothing,
        nothing,
        nothing,
        np.zeros((N_TYPES, 1)),
        np.zeros((N_TYPES, 1)),
    )
    return tuple(line.kind for line in lines), np.stack([line.pmf(at)[:, 0] for line in lines])


def logged_of(used: np.ndarray, kappa: float, rng: np.random.Generator) -> np.ndarray:
    """Pieces logged: an entry survives with probability sqrt(kappa), and so does each piece in it."""
    part = np.sqrt(kappa)
    return rng.binomial(used, part) * (rng.random(used.shape) < part)


def gaps(kappa: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Coverage gap of one drawn department, (lines,), learned from the raw log and corrected."""
    _, truth = case_types(rng)
    used = _draw(truth, CASES_LOGGED, rng)
    logged = logged_of(used, kappa, rng)
    counts = np.stack([(logged == k).sum(axis=-1) for k in range(K_MAX + 1)], axis=-1).astype(float)
    standard = standard_pmf(1.0, np.array([1.0, 2.0, 1.0])[:, None], K_MAX)
    history = History(counts, np.zeros(N_TYPES, dtype=int), np.broadcast_to(standard, counts.shape))

    gone = np.full(len(truth), COUNTED_PIECES)
    found = capture(gone, rng.binomial(gone, kappa))
    ahead = _draw(truth, CASES_AHEAD * 200, rng).reshape(*truth.shape[:2], 200, CASES_AHEAD).sum(axis=-1)
    result = []
    for learned in (learn(history), learn_corrected(history, kappa=found.mean)):
        alpha = learned.alpha.reshape(-1, K_MAX + 1)
        total = dirichlet_multinomial_total(alpha, np.full(len(alpha), CASES_AHEAD))
        cdf = np.cumsum(total, axis=-1).reshape(*truth.shape[:2], -1)
        q = quantile(cdf, LEVEL)
        promised = np.take_along_axis(cdf, q[..., None], axis=-1)[..., 0]
        covered = (ahead <= q[..., None]).mean(axis=-1)
        result.append(100 * (covered - promised).mean(axis=1))
    return result[0], result[1]


def _draw(pmf: np.ndarray, n: int, rng: np.random.Generator) -> np.ndarray:
    cdf = np.cumsum(pmf, axis=-1)[..., None, :-1]
    return (rng.random((*pmf.shape[:-1], n, 1)) > cdf).sum(axis=-1)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--departments", type=int, default=20)
    options = parser.parse_args(arguments)
    names, _ = case_types(np.random.default_rng(0))
    sys.stdout.write(f"coverage less F(q) at {LEVEL:.0%}, points: {' / '.join(names)}\n")
    sys.stdout.write(f"{'kappa':8}{'raw log':>26}{'corrected':>26}\n")
    for kappa in KAPPAS:
        rng = np.random.default_rng([17, round(100 * kappa)])
        found = [gaps(kappa, rng) for _ in range(options.departments)]
        columns = (np.mean([pair[i] for pair in found], axis=0) for i in range(2))
        text = "".join(f"{' / '.join(f'{gap:+.1f}' for gap in column):>26}" for column in columns)
        sys.stdout.write(f"{kappa:<8.2f}{text}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
