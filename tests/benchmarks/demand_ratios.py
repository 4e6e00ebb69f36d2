# ruff: noqa: T201 (a command that prints a table)
"""How fast demand is added up, as ratios within one run: `python -m tests.benchmarks.demand_ratios`.

CPU seconds of this process depend on the machine; each figure is the best of
several repetitions, taken in turns, and the ratios are what to read. The slow
methods are measured on the first lines and scaled to all of them, which the
table says. The inputs are invented: random pmfs on 0..6 pieces, eight cases a line.
"""

import time
import tracemalloc
from dataclasses import dataclass

import numpy as np

from restock.forecasting.allocation import allocate
from restock.forecasting.demand import (
    expected_shortfall,
    p_short,
    quantile,
    total_over_cases,
    with_add_ons,
)

PIECES, CASES_PER_LINE, DISTINCT_PMFS, LEVEL = 6, 8, 24_000, 0.95
LOOP_LINES, SAMPLED_LINES, SAMPLES = 2_000, 200, 10_000


@dataclass(frozen=True)
class ManyLines:
    """pmfs (P, 7); index (L, 8) the pmf of each case of each line."""

    pmfs: np.ndarray
    index: np.ndarray

    @classmethod
    def invented(cls, n_lines: int, seed: int = 1) -> "ManyLines":
        rng = np.random.default_rng(seed)
        pmfs = rng.dirichlet(np.full(PIECES + 1, 0.6), DISTINCT_PMFS)
        return cls(pmfs, rng.integers(0, DISTINCT_PMFS, (n_lines, CASES_PER_LINE)))

    def entries(self) -> tuple:
        n_lines = len(self.index)
        return self.pmfs, np.repeat(np.arange(n_lines), CASES_PER_LINE), self.index.ravel(), n_lines

    def batched(self) -> np.ndarray:
        return quantile(total_over_cases(*self.entries()), LEVEL)

    def looped(self, n_lines: int) -> np.ndarray:
        """One np.convolve per case and line."""
        answer = np.empty(n_lines, int)
        for line in range(n_lines):
            total = self.pmfs[self.index[line, 0]]
            for row in self.index[line, 1:]:
                total = np.convolve(total, self.pmfs[row])
            answer[line] = np.argmax(np.cumsum(total) >= LEVEL - 1e-10)
        return answer

    def sampled(self, n_lines: int, seed: int = 2) -> np.ndarray:
        """Monte Carlo, tuned: 32-bit uniforms of a fast generator, thresholds compared at once, 8-bit sums."""
        rng = np.random.Generator(np.random.SFC64(seed))
        thresholds = np.cumsum(self.pmfs, axis=1)[:, :-1].astype(np.float32)
        uniform = np.empty(SAMPLES, np.float32)
        beyond, answer = np.empty(SAMPLES, bool), np.empty(n_lines, int)
        for line in range(n_lines):
            total = np.zeros(SAMPLES, np.uint8)
            for row in self.index[line]:
                rng.random(out=uniform, dtype=np.float32)
                for threshold in thresholds[row]:
                    np.greater(uniform, threshold, out=beyond)
                    np.add(total, beyond, out=total)
            answer[line] = np.argmax(np.cumsum(np.bincount(total)) >= LEVEL * SAMPLES)
        return answer


@dataclass(frozen=True)
class Department:
    """12 carts x 400 lines, 60 case types, 3 to 8 cases a cart; a tenth of the lines share a room-day effect."""

    pmfs: np.ndarray
    node_weights: np.ndarray
    line: np.ndarray
    index: np.ndarray
    cancel: np.ndarray
    use: np.ndarray
    level: np.ndarray
    on_hand: np.ndarray
    stock: np.ndarray

    N_LINES = 12 * 400

    @classmethod
    def invented(cls, seed: int = 3) -> "Department":
        rng = np.random.default_rng(seed)
        used = rng.random((400, 60)) < 0.6  # many consumables play no part in many case types
        pmfs = rng.dirichlet([3.0, 2.0, 1.0, 0.5, 0.3, 0.2, 0.1], (400, 60))
        pmfs = np.where(used[..., None], pmfs, np.eye(PIECES + 1)[0])
        nodes, weights = np.polynomial.hermite_e.hermegauss(7)
        sigma = np.where(np.arange(400) % 10 == 0, 0.2, 0.0)[:, None, None]
        tilted = pmfs * np.exp(nodes[:, None, None, None] * sigma * np.arange(PIECES + 1))
        tilted = np.where(sigma > 0, tilted / tilted.sum(axis=-1, keepdims=True), pmfs)
        cart_of_case = np.repeat(np.arange(12), rng.integers(3, 9, 12))
        kind, cancel = rng.integers(0, 60, cart_of_case.size), rng.uniform(0.02, 0.12, cart_of_case.size)
        item = np.arange(400)
        return cls(
            pmfs=tilted.reshape(7, -1, PIECES + 1),
            node_weights=weights / weights.sum(),
            line=(cart_of_case[:, None] * 400 + item).ravel(),
            index=(item * 60 + kind[:, None]).ravel(),
            cancel=np.repeat(cancel, 400),
            use=np.tile(pmfs.mean(axis=1), (12, 1)),
            level=rng.choice([0.95, 0.98, 0.999], cls.N_LINES),
            on_hand=rng.integers(0, 15, cls.N_LINES),
            stock=rng.integers(20, 200, 400),
        )

    def total(self) -> np.ndarray:
        return total_over_cases(
            self.pmfs, self.line, self.index, self.N_LINES, self.cancel, node_weights=self.node_weights
        )

    def evening(self) -> np.ndarray:
        """Everything an evening's plan asks of the core: totals, add-ons, levels, chances, scarce stock."""
        demand = with_add_ons(self.total(), self.use, 1.8, 3.0)
        wanted = np.maximum(quantile(demand, self.level) - self.on_hand, 0)
        p_short(demand, self.on_hand)
        expected_shortfall(demand, self.on_hand)
        group = np.tile(np.arange(400), 12)
        return allocate(demand, self.on_hand, wanted, group, self.stock).given


def best_of(repeats: int, *tasks) -> list[float]:
    """Least CPU seconds of each task, taken in turns so that a busy moment hits all of them.

    CPU time leaves out the turns that other programs take; every method here runs on one core.
    """
    least = [np.inf] * len(tasks)
    for _ in range(repeats):
        for at, task in enumerate(tasks):
            began = time.process_time()
            task()
            least[at] = min(least[at], time.process_time() - began)
    return least


def peak_bytes(task) -> int:
    tracemalloc.start()
    task()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


@dataclass(frozen=True)
class Ratios:
    lines: int
    batched_seconds: float
    loop_seconds: float
    sampling_seconds: float
    differing_from_loop: int
    wrong_when_sampled: float

    @property
    def over_loop(self) -> float:
        return self.loop_seconds / self.batched_seconds

    @property
    def over_sampling(self) -> float:
        return self.sampling_seconds / self.batched_seconds


def ratios(n_lines: int = 100_000, repeats: int = 5) -> Ratios:
    lines = ManyLines.invented(n_lines)
    batched, loop, sampling = best_of(
        repeats, lines.batched, lambda: lines.looped(LOOP_LINES), lambda: lines.sampled(SAMPLED_LINES)
    )
    exact = lines.batched()
    return Ratios(
        lines=n_lines,
        batched_seconds=batched,
        loop_seconds=loop * n_lines / LOOP_LINES,
        sampling_seconds=sampling * n_lines / SAMPLED_LINES,
        differing_from_loop=int((exact[:LOOP_LINES] != lines.looped(LOOP_LINES)).sum()),
        wrong_when_sampled=float((exact[:SAMPLED_LINES] != lines.sampled(SAMPLED_LINES)).mean()),
    )


def main() -> None:
    found = ratios()
    print(f"95% quantile of {found.lines:,} lines x {CASES_PER_LINE} cases, {DISTINCT_PMFS:,} pmfs on 0..{PIECES}")
    rows = [
        ("batched, exact (this tool)", found.batched_seconds, "all lines"),
        ("np.convolve, line by line", found.loop_seconds, f"{LOOP_LINES:,} lines, scaled"),
        (f"{SAMPLES:,} samples, tuned", found.sampling_seconds, f"{SAMPLED_LINES:,} lines, scaled"),
    ]
    for name, seconds, how in rows:
        print(f"  {name:<28}{seconds:>9.3f} s {seconds / found.batched_seconds:>8.1f} x   {how}")
    print(f"  quantiles that differ from np.convolve: {found.differing_from_loop} of {LOOP_LINES:,}")
    print(f"  quantiles that sampling gets wrong: {found.wrong_when_sampled:.1%}")

    print("Growth (total and quantile)")
    for n_lines in (1_000, 10_000, 100_000, 1_000_000):
        lines = ManyLines.invented(n_lines)
        (seconds,) = best_of(1 if n_lines > 100_000 else 5, lines.batched)
        peak = peak_bytes(lines.batched)
        per_line = 1e6 * seconds / n_lines
        print(f"  {n_lines:>9,} lines{seconds:>9.4f} s {per_line:>7.2f} us a line, peak {peak / 2**20:>7,.0f} MiB")

    department = Department.invented()
    total, evening = best_of(7, department.total, department.evening)
    print(f"Department of 12 carts x 400 lines, {department.line.size:,} case entries")
    print(f"  totals {1e3 * total:.1f} ms; totals, add-ons, levels, chances and scarce stock {1e3 * evening:.1f} ms")
    print(f"  peak {peak_bytes(department.evening) / 2**20:,.0f} MiB")


if __name__ == "__main__":
    main()
