"""Drawn values and dropouts with known truth, as arrays: no frames.

Hundreds of values, some samples a second, none of them alike: they drift for an hour, follow cycles, step, spike, rise
all day or only jitter; and dropouts come steadily, in bursts, on duty, ever more often or by the clock.
"""

from collections.abc import Sequence

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.decode.signals.cells import CellRows, CellSeries, cells_of
from busdoc.intermittent.dropouts import Dropouts, Watched
from busdoc.intermittent.multiple_testing import holm
from busdoc.intermittent.precursors.covariate import Covariate, find_covariates
from busdoc.intermittent.precursors.covariate_features import plan_cells

__all__ = ["HABITS", "STEP_S", "draw_dropouts", "draw_values", "first_order", "search", "spaced"]

_NS = 10**9
STEP_S = 0.4
_AWAY_S = 6.0
HABITS = ("steady", "bursts", "duty", "rising", "clock")


def first_order(rng: np.random.Generator, n: int, memory: float) -> Float64Array:
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
        return first_order(rng, seconds, memory) + float(rng.choice((0.0, 0.5, 1.5))) * cycle
    if kind == 4:  # all day one way, like a tank or an engine that warms up
        return np.exp(-at / (seconds * rng.uniform(0.1, 1.0))) + 0.02 * first_order(rng, seconds, memory)
    if kind == 5:  # steps between a few levels
        return np.asarray(np.round(1.5 * first_order(rng, seconds, memory)), np.float64)
    if kind == 6:  # spikes
        quiet = rng.random(seconds) > rng.choice((0.001, 0.01, 0.05))
        spikes = np.where(quiet, 0.0, rng.exponential(1.0, seconds))
        return np.asarray(spikes + 0.01 * rng.normal(size=seconds), np.float64)
    return np.asarray((at / float(rng.uniform(5.0, 900.0))) % 1.0)  # a working cycle


def draw_values(rng: np.random.Generator, n_values: int, seconds: int) -> Float64Array:
    """(s, n) Draw values of all kinds, with a sensor's noise, two or three a second."""
    coarse = np.array([_one_value(rng, int(rng.integers(8)), seconds + 1) for _ in range(n_values)])
    at = np.arange(round(seconds / STEP_S))
    left = (at * STEP_S).astype(np.int64)
    share = at * STEP_S - left
    fine = coarse[:, left] * (1.0 - share) + coarse[:, left + 1] * share
    noise = rng.choice((0.0, 0.02, 0.3), n_values)[:, None]
    return np.asarray(fine + noise * rng.normal(size=fine.shape), np.float64)


def spaced(at_s: Float64Array, seconds: int) -> Float64Array:
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
    return spaced(at_s, seconds)


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
    seconds = round(n * STEP_S)
    sets = [_dropouts(at_s, seconds, rng) for at_s in sets_s]
    plan = plan_cells(0, seconds * _NS, sets, n_values)
    t_ns: Int64Array = np.round(np.arange(n) * STEP_S * _NS).astype(np.int64)
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
