"""Holds the search for measured values that go before dropouts against simulated values with known cause.

    python -m benchmarks.covariate_truth null [RECORDS [FIRST]]     how often a value is said to go before that does not
    python -m benchmarks.covariate_truth power [RECORDS [FIRST]]    how often the true one is found, and ranked first

Each record is two hours of two hundred values, some samples a second, none of them alike: values that drift for an
hour, follow cycles, step, spike, rise all day or only jitter; and dropouts that come steadily, in bursts, on duty, ever
more often or by the clock. Arrays from end to end, no frames: `benchmarks.intermittent_truth` does it with frames.
"""

import sys
import time
from collections.abc import Iterator

import numpy as np

from benchmarks.share import share
from busdoc.arrays import Float64Array
from tests.truth.covariate_records import HABITS, STEP_S, draw_dropouts, draw_values, first_order, search, spaced


def _null(n_records: int, first: int, n_values: int = 200, seconds: int = 7200) -> None:
    """Count records with a false finding; each draw of values serves one set of dropouts of each habit."""
    false, tried = dict.fromkeys(HABITS, 0), dict.fromkeys(HABITS, 0)
    all_p: list[float] = []
    for seed in range(first, first + -(-n_records // len(HABITS))):
        rng = np.random.default_rng([seed, 81])
        values = draw_values(rng, n_values, seconds)
        sets_s = [draw_dropouts(rng, habit, int(rng.integers(8, 60)), seconds) for habit in HABITS]
        for habit, at_s, found in zip(HABITS, sets_s, search(values, sets_s, rng), strict=True):
            tried[habit] += bool(found)
            all_p += [one.p for one in found]
            if found and found[0].found:
                false[habit] += 1
                print(f"  seed {seed} {habit}, {len(at_s)} dropouts: {found[0].words} p {found[0].p:.2g}", flush=True)
        if seed % 4 == 3:
            print(f"  up to seed {seed}: {sum(false.values())} of {sum(tried.values())}", flush=True)
    for habit in HABITS:
        print(f"{habit}: {share(false[habit], tried[habit])}")
    for level in (0.01, 0.001, 0.0001):
        print(f"p up to {level:g}: {share(int(np.sum(np.array(all_p) <= level)), len(all_p))}")
    print(f"records with a false finding: {share(sum(false.values()), sum(tried.values()))}")


def _with_cause(rng: np.random.Generator, cause: str, values: Float64Array) -> tuple[Float64Array, int]:
    """Let the first value be the cause of some dropouts; give when, the due ones and others, and how many are due."""
    n = values.shape[1]
    seconds = round(n * STEP_S)
    n_due = int(rng.integers(12, 31))
    if cause == "sag":
        values[0] = 27.2 + 0.3 * first_order(rng, n, 300.0)
        due_s = at_s = draw_dropouts(rng, "steady", n_due, seconds)
        lead_s = float(rng.uniform(0.4, 1.5))
        shallow_s = rng.uniform(70.0, seconds, 2 * len(at_s))
        for t_s, depth in (
            *((t, rng.uniform(3.0, 6.0)) for t in at_s),
            *((t, rng.uniform(0.2, 1.5)) for t in shallow_s),
        ):
            values[0, round((t_s - lead_s) / STEP_S) : round(t_s / STEP_S)] -= depth
    else:
        memory_s = {"temperature 60 s": 60.0, "temperature 300 s": 300.0, "temperature 600 s": 600.0}[cause]
        warm = 55.0 + 9.0 * first_order(rng, n, memory_s / STEP_S)
        values[0] = warm + 0.2 * rng.normal(size=n)
        hot = warm > np.quantile(warm, rng.uniform(0.75, 0.9))
        rate = np.where(hot, 1.0, 0.05) * n_due / max(hot.sum(), 1)
        struck = np.flatnonzero(rng.random(n) < rate)
        at_s = np.asarray(struck * STEP_S, np.float64)
        due_s = np.asarray(at_s[hot[struck]], np.float64)
    others_s = rng.uniform(0.0, seconds, int(rng.integers(0, 1 + len(at_s) // 4)))
    kept_s = spaced(np.concatenate((at_s, others_s)), seconds)
    return kept_s, int(np.isin(kept_s, due_s).sum())


def _power(n_records: int, first: int, n_values: int = 200, seconds: int = 7200) -> None:
    for cause in ("sag", "temperature 60 s", "temperature 300 s", "temperature 600 s"):
        right = found_at_all = tried = 0
        for seed in range(first, first + n_records):
            rng = np.random.default_rng([seed, 82])
            values = draw_values(rng, n_values, seconds)
            at_s, n_due = _with_cause(rng, cause, values)
            if n_due < 10:
                continue
            found = search(values, [at_s], rng)[0]
            tried += 1
            right += found[0].found and found[0].name == "Signal0"
            found_at_all += any(one.found and one.name == "Signal0" for one in found)
        print(f"{cause}: first in {share(right, tried)}; found in {share(found_at_all, tried)}", flush=True)


def _arguments() -> Iterator[int]:
    for at, default in ((2, 60), (3, 0)):
        yield int(sys.argv[at]) if len(sys.argv) > at else default


def main() -> None:
    """Run one of the two, and print."""
    what = sys.argv[1] if len(sys.argv) > 1 else "null"
    started_s = time.perf_counter()
    {"null": _null, "power": _power}[what](*_arguments())
    print(f"{time.perf_counter() - started_s:.0f} s")


if __name__ == "__main__":
    main()
