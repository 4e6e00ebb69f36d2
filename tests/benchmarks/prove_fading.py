"""What forgetting gains when practice changes and costs when it does not.

`python -m tests.benchmarks.prove_fading`: departments of 180 days, with a change of practice on day 90 (two
lines in three use more or less from one day to the next) and without, each forecast with several half-lives.
"""

from __future__ import annotations

import argparse
import sys
import time

import numpy as np

from tests.benchmarks.replay import LEARNED, replay
from tests.benchmarks.simulated_department import SimulatedDepartment

N_DAYS, CHANGE_DAY = 180, 90
HALF_LIVES = (np.inf, 180.0, 90.0, 45.0, 30.0)  # days
PERIODS = ((CHANGE_DAY, 110), (110, 140), (140, N_DAYS))  # days of the simulation


def crps_by_period(seed: int, change_day: int | None, half_life_days: float, step: int) -> np.ndarray:
    department = SimulatedDepartment(seed, n_days=N_DAYS, change_day=change_day)
    days = range(CHANGE_DAY - 1, N_DAYS, step)
    result = replay(department, seed, days, models=(LEARNED,), half_life_days=half_life_days)
    day, crps = np.concatenate(result.day), result.pooled(LEARNED).crps
    return np.array([crps[(day >= first) & (day < last)].mean() for first, last in PERIODS])


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--step", type=int, default=4, help="every how manieth evening is forecast")
    options = parser.parse_args(arguments)

    started = time.perf_counter()
    sys.stdout.write(f"CRPS against never forgetting, %; {options.seeds} departments\n")
    periods = "".join(f"{f'day {first}-{last - 1}':>14}" for first, last in PERIODS)
    for name, change_day in (("practice changes on day 90", CHANGE_DAY), ("practice stays", None)):
        sys.stdout.write(f"{name:28}{periods}\n")
        crps = {
            half_life: np.mean(
                [crps_by_period(seed, change_day, half_life, options.step) for seed in range(options.seeds)],
                axis=0,
            )
            for half_life in HALF_LIVES
        }
        for half_life in HALF_LIVES[1:]:
            change = 100 * (crps[half_life] / crps[np.inf] - 1)
            sys.stdout.write(f"  half-life {half_life:4.0f} days".ljust(28))
            sys.stdout.write("".join(f"{value:+14.2f}" for value in change) + "\n")
        sys.stdout.flush()
    sys.stdout.write(f"{time.perf_counter() - started:.0f} s, one process\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
