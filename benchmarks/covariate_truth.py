"""Holds the search for measured values that go before dropouts against simulated values with known cause.

    python -m benchmarks.covariate_truth null [RECORDS [FIRST]]     how often a value is said to go before that does not
    python -m benchmarks.covariate_truth power [RECORDS [FIRST]]    how often the true one is found, and ranked first

Each record is two hours of two hundred values, some samples a second, none of them alike: values that drift for an
hour, follow cycles, step, spike, rise all day or only jitter; and dropouts that come steadily, in bursts, on duty, ever
more often or by the clock. Arrays from end to end, no frames: `benchmarks.intermittent_truth` does it with frames.
"""

import sys
import time
from collections.abc import Iterator, Sequence

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.decode.signals.cells import CellRows, CellSeries, cells_of
from busdoc.intermittent.binomial import binomial_interval
from busdoc.intermittent.dropouts import Dropouts, Watched
from busdoc.intermittent.multiple_testing import holm
from busdoc.intermittent.precursors.covariate import Covariate, find_covariates
from busdoc.intermittent.precursors.covariate_features import plan_cells

__all__ = ["HABITS", "draw_dropouts", "draw_values", "search"]

_NS = 10**9
_STEP_S = 0.4
_AWAY_S = 6.0
HABITS = ("steady", "bursts", "duty", "rising", "clock")


def _first_order(rng: np.random.Generator, n: int, memory: float) -> Float64Array:
    from scipy.signal import lfilter

    stay = float(np.exp(-1.0 / memory))
    pushes = rng.normal(0.0, np.sqrt(1.0 - stay**2), n)
    return np.asarray(lfilter([1.0], [1.0, -stay], pushes, zi=np.array([stay * rng.normal()]))[0], np.float64)


def _one_value(rng: np.random.Generator, kind: int, seconds: int) -> Float64Array:
    """Draw one value a second, by its kind."""
    at = np.arange(seconds, dtype=np.float64)
    memory = float(np.exp(rng.uniform(np.log(2.0), np.log(3000.0))))
    if kind <= 3:
        cycle = np.sin(2 * np.pi * (at / (seconds * rng.uniform(0.05, 1.5)) + rng.random()))
        return _first_order(rng, seconds, memory) + float(rng.choice((0.0, 0.5, 1.5))) * cycle
    if kind == 4:  # all day one way, like a tank or an engine that warms up
        return np.exp(-at / (seconds * rng.uniform(0.1, 1.0))) + 0.02 * _first_order(rng, seconds, memory)
    if kind == 5:  # steps between a few levels
        return np.asarray(np.round(1.5 * _first_order(rng, seconds, memory)), np.float64)
    if kind == 6:  # spikes
        quiet = rng.random(seconds) > rng.choice((0.001, 0.01, 0.05))
        spikes = np.where(quiet, 0.0, rng.exponential(1.0, seconds))
        return np.asarray(spikes + 0.01 * rng.normal(size=seconds), np.float64)
    return np.asarray((at / float(rng.uniform(5.0, 900.0))) % 1.0)  # a working cycle


def draw_values(rng: np.random.Generator, n_values: int, seconds: int) -> Float64Array:
    """(s, n) Draw values of all kinds, with a sensor's noise, two or three a second."""
    coarse = np.array([_one_value(rng, int(rng.integers(8)), seconds + 1) for _ in range(n_values)])
    at = np.arange(round(seconds / _STEP_S))
    left = (at * _STEP_S).astype(np.int64)
    share = at * _STEP_S - left
    fine = coarse[:, left] * (1.0 - share) + coarse[:, left + 1] * share
    noise = rng.choice((0.0, 0.02, 0.3), n_values)[:, None]
    return np.asarray(fine + noise * rng.normal(size=fine.shape), np.float64)


def _spaced(at_s: Float64Array, seconds: int) -> Float64Array:
    kept: list[float] = []
    for t in np.sort(at_s).tolist():
        if 70.0 < t < seconds - 5.0 and (not kept or t - kept[-1] > 2.0 * _AWAY_S):
            kept.append(t)
    return np.array(kept)


def draw_dropouts(rng: np.random.Generator, habit: str, n: int, seconds: int) -> Float64Array:
    """(d,) Draw about n dropouts by a habit."""
    if habit == "steady":
        at_s = rng.uniform(0.0, seconds, n)
    elif habit == "bursts":
        at_s = rng.choice(rng.uniform(0.0, seconds, max(3, n // 4)), n) + rng.exponential(60.0, n)
    elif habit == "duty":
        on = np.flatnonzero(
            np.sin(np.arange(seconds) * 2 * np.pi / (seconds * rng.uniform(0.1, 0.6)) + rng.random()) > 0.3
        )
        at_s = rng.choice(on, n) + rng.random(n)
    elif habit == "rising":
        at_s = seconds * rng.random(n) ** (1.0 / 3.0)
    else:
        at_s = np.linspace(0.0, seconds, n) + rng.normal(0.0, 2.0, n) + rng.uniform(0.0, seconds / n)
    return _spaced(at_s, seconds)


def _dropouts(at_s: Float64Array, seconds: int, rng: np.random.Generator) -> Dropouts:
    period_ns = 100_000_000
    lost_ns = (at_s * _NS).astype(np.int64)
    seen_ns = lost_ns - rng.integers(0, period_ns, len(at_s))
    spans = [(int(t), int(t) + round(_AWAY_S * _NS)) for t in seen_ns]
    return Dropouts(
        controllers=("hopper",),
        last_seen_ns=seen_ns,
        onset_ns=seen_ns + period_ns,
        over_ns=seen_ns + round(_AWAY_S * _NS),
        watched=Watched.between(0, seconds * _NS, spans),
    )


def search(values: Float64Array, sets_s: Sequence[Float64Array], rng: np.random.Generator) -> list[list[Covariate]]:
    """Hold the values against each set of dropouts; corrected for all of them, the strongest first.

    Parameters
    ----------
    values : (s, n) every 0.4 s
    sets_s : times of dropouts, each set by itself
    """
    n_values, n = values.shape
    seconds = round(n * _STEP_S)
    sets = [_dropouts(at_s, seconds, rng) for at_s in sets_s]
    plan = plan_cells(0, seconds * _NS, sets, n_values)
    t_ns: Int64Array = np.round(np.arange(n) * _STEP_S * _NS).astype(np.int64)
    rows, cell = CellRows(n_values, plan.edges_ns), cells_of(t_ns, plan.edges_ns)
    for row in range(n_values):
        rows.take(row, cell, values[row])
    series = [
        CellSeries(name=f"Signal{k}", unit="V", low=rows.low[k], high=rows.high[k], last=rows.last[k])
        for k in range(n_values)
    ]
    return [_ranked(find_covariates([one], series, plan)) for one in sets]


def _ranked(found: Sequence[Covariate]) -> list[Covariate]:
    p_holm = holm(np.array([one.p for one in found]))
    corrected = [one.corrected(float(p), 1.0) for one, p in zip(found, p_holm, strict=True)]
    return sorted(corrected, key=lambda one: (-round(one.explained, 3) if one.found else 1.0, one.p))


def _share(k: int, n: int) -> str:
    low, high = binomial_interval(k, n)
    return f"{k} of {n} = {100 * k / max(n, 1):.1f} % ({100 * low:.1f} to {100 * high:.1f})"


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
        print(f"{habit}: {_share(false[habit], tried[habit])}")
    for level in (0.01, 0.001, 0.0001):
        print(f"p up to {level:g}: {_share(int(np.sum(np.array(all_p) <= level)), len(all_p))}")
    print(f"records with a false finding: {_share(sum(false.values()), sum(tried.values()))}")


def _with_cause(rng: np.random.Generator, cause: str, values: Float64Array) -> tuple[Float64Array, int]:
    """Let the first value be the cause of some dropouts; give when, the due ones and others, and how many are due."""
    n = values.shape[1]
    seconds = round(n * _STEP_S)
    n_due = int(rng.integers(12, 31))
    if cause == "sag":
        values[0] = 27.2 + 0.3 * _first_order(rng, n, 300.0)
        due_s = at_s = draw_dropouts(rng, "steady", n_due, seconds)
        lead_s = float(rng.uniform(0.4, 1.5))
        shallow_s = rng.uniform(70.0, seconds, 2 * len(at_s))
        for t_s, depth in (
            *((t, rng.uniform(3.0, 6.0)) for t in at_s),
            *((t, rng.uniform(0.2, 1.5)) for t in shallow_s),
        ):
            values[0, round((t_s - lead_s) / _STEP_S) : round(t_s / _STEP_S)] -= depth
    else:
        memory_s = {"temperature 60 s": 60.0, "temperature 300 s": 300.0, "temperature 600 s": 600.0}[cause]
        warm = 55.0 + 9.0 * _first_order(rng, n, memory_s / _STEP_S)
        values[0] = warm + 0.2 * rng.normal(size=n)
        hot = warm > np.quantile(warm, rng.uniform(0.75, 0.9))
        rate = np.where(hot, 1.0, 0.05) * n_due / max(hot.sum(), 1)
        struck = np.flatnonzero(rng.random(n) < rate)
        at_s = np.asarray(struck * _STEP_S, np.float64)
        due_s = np.asarray(at_s[hot[struck]], np.float64)
    others_s = rng.uniform(0.0, seconds, int(rng.integers(0, 1 + len(at_s) // 4)))
    kept_s = _spaced(np.concatenate((at_s, others_s)), seconds)
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
        print(f"{cause}: first in {_share(right, tried)}; found in {_share(found_at_all, tried)}", flush=True)


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
