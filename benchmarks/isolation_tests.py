"""How many tests and how much time the proposed tests take to the culprit, against the two plain procedures.

Run ``python -m benchmarks.isolation_tests [first seed] [machines]`` from the project's root. Hands take `HAND_S` for a
plug, power `POWER_S`; every way of working pays the same.
"""

import sys
from collections.abc import Callable

import numpy as np

from busdoc.isolation.proposals.gain import fewest_tests, one_at_a_time_tests
from tests.truth.fault_finding import Cost, find_by_proposals, find_one_at_a_time


def _mean(costs: list[Cost], what: Callable[[Cost], float]) -> float:
    return float(np.mean([what(cost) for cost in costs]))


def main(first_seed: int = 70_000, machines: int = 40) -> None:
    """Print the table."""
    seeds = range(first_seed, first_seed + machines)
    print("fault          n   bound+1  tests  one at a time (formula)   time s  one at a time   right")
    for name, rate_hz, dwell_s in (("hard", np.inf, 8.0), ("1 in 20 s", 1 / 20, 60.0), ("1 in 60 s", 1 / 60, 180.0)):
        for n in (4, 8, 12, 16):
            ours = [find_by_proposals(n, seed, rate_hz) for seed in seeds]
            plain = [find_one_at_a_time(n, seed, rate_hz, dwell_s) for seed in seeds]
            print(
                f"{name:12s} {n:3d} {fewest_tests(n) + 1:8d} {_mean(ours, lambda c: c.tests):7.2f}"
                f" {_mean(plain, lambda c: c.tests):9.2f} ({one_at_a_time_tests(n):5.2f})"
                f" {_mean(ours, lambda c: c.time_s):17.0f} {_mean(plain, lambda c: c.time_s):12.0f}"
                f"   {_mean(ours, lambda c: c.right):.0%} against {_mean(plain, lambda c: c.right):.0%}"
            )


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
