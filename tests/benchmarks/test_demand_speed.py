"""Speed of the demand sums. Skipped by default; run with `pytest tests/benchmarks --benchmark-only`.

Times are CPU seconds, which other programs on the machine disturb least. Ratios
hold within one run. `python -m tests.benchmarks.demand_ratios` prints them as a table.
"""

import time

import numpy as np
import pytest

from tests.benchmarks.demand_ratios import Department, ManyLines, best_of, peak_bytes, ratios

pytestmark = pytest.mark.benchmark(timer=time.process_time)


def test_exact_sums_beat_a_loop_tenfold_and_sampling_150_fold(benchmark):
    found = benchmark.pedantic(ratios, rounds=1)

    benchmark.extra_info["over_loop"] = round(found.over_loop, 1)
    benchmark.extra_info["over_sampling"] = round(found.over_sampling)
    assert found.differing_from_loop == 0
    assert found.over_loop >= 10
    assert found.over_sampling >= 150


def test_a_department_is_added_up_within_50_ms(benchmark):
    department = Department.invented()

    benchmark.pedantic(department.total, rounds=15, warmup_rounds=2)

    assert benchmark.stats["min"] < 0.050


def test_a_whole_evening_of_decisions_for_a_department(benchmark):
    department = Department.invented()

    given = benchmark.pedantic(department.evening, rounds=15, warmup_rounds=2)

    assert given.sum() <= department.stock.sum()


@pytest.mark.parametrize("n_lines", [1_000, 10_000, 100_000])
def test_cost_and_memory_grow_with_the_lines(benchmark, n_lines):
    lines = ManyLines.invented(n_lines)
    few = ManyLines(lines.pmfs, lines.index[: n_lines // 4])

    answer = benchmark.pedantic(lines.batched, rounds=5, warmup_rounds=1)

    seconds, quarter = best_of(3, lines.batched, few.batched)
    assert seconds < 8 * quarter  # linear would be 4; leave room for a busy machine
    assert np.bincount(answer).size < 49
    assert peak_bytes(lines.batched) < 24 * 2**20 + n_lines * 1_000  # bytes; the answer itself is 392 a line
