"""How far from its old phase a stream came back after a silence, and how well that is known.

A controller that kept running sends as if nothing had happened: its frames fall on whole periods after those before
the silence. The phase of either side is the one that most of its frames agree on; what it is worth shrinks with the
jitter, the clock's drift over the silence and the step of the recorder's clock.
"""

import math

import numpy as np

from busdoc.arrays import Float64Array, Int64Array
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.streams.silence import Silence

__all__ = ["phase_error"]

_FLAT_SPREAD = 0.2
"""Periods: a phase that is known no better tells nothing."""
_CLOCK_DRIFT = 20e-6
"""How much a controller's clock may wander from its own mean rate (temperature; common practice for crystals)."""
_AGREE = 0.75
"""Least share of the frames around a silence that keep one phase: streams that also send on change have none."""
_BEST_KNOWN = 0.016
"""Periods: a phase that fits by chance must not outweigh another that does not fit."""
_FINEST_NS = 200_000
"""Nobody knows a phase better than a frame keeps the wire (0.6 ms for the longest at 250 kbit/s)."""
_NEAR = 0.15
"""Periods: arrivals no further apart have one phase …"""
_BELONGS = 0.2
"""… and those no further from it belong to it."""
_FAR = 7
"""Frames so far apart show whether a phase wanders."""
_MEDIAN_OF_SQUARE = 0.4549364
"""Of a standard normal variable: the median of chi-square with one degree of freedom."""
_FEW_SPREAD = 0.05
"""Periods: the spread of two arrivals, which show none of their own."""
_MAD_TO_SIGMA = 1.4826
"""1 / Phi^-1(3/4): a median absolute deviation as a standard deviation, for a normal spread."""


def phase_error(stream: CyclicStream, silence: Silence) -> tuple[float, float] | None:
    """Give how far from its old phase a stream came back, and the standard deviation of that, in periods.

    Returns
    -------
    (error, spread): -0.5 <= error <= 0.5; None when the stream's period is not fixed, when too few frames are around
    the silence, or when the phase cannot have been kept for so long.
    """
    mean = stream.mean_period()
    if mean is None:
        return None
    mean_ns, n_mean = mean

    # the frames around the silence, counted from its start, up to the next long pause on either side
    zero_ns = silence.from_ns
    before = _unbroken(silence.before_ns[::-1], stream.deadline_ns)[::-1] - zero_ns
    after = _unbroken(silence.after_ns, stream.deadline_ns) - zero_ns
    if len(before) < 4 or len(after) < 2:
        return None

    # the phase on either side, where most frames agree on one
    before_phase, before_spread, n_before = _mean_phase(before / mean_ns)
    after_phase, after_spread, n_after = _mean_phase(after / mean_ns)
    if n_before < max(3, _AGREE * len(before)) or n_after < max(2, _AGREE * len(after)):
        return None

    # how well the difference is known: the jitter of both sides, the clock's drift over the silence, and no better than
    # the finest that any recorder tells
    tick_ns = int(np.gcd(np.gcd.reduce(before), np.gcd.reduce(after)))
    spread = max(before_spread, after_spread, _FINEST_NS / mean_ns, 0.5 * tick_ns / mean_ns)
    periods = float(after[0]) / mean_ns
    drifted = periods * (_CLOCK_DRIFT + spread / n_mean)
    wandered = _wandering(_of_phase(before / mean_ns, before_phase), _of_phase(after / mean_ns, after_phase), periods)
    known = math.sqrt(
        spread**2 * (1.0 / n_before + 1.0 / n_after) * 2.0 + drifted**2 + (0.25 * spread) ** 2 + wandered**2
    )
    known = max(known, _BEST_KNOWN)
    if known > _FLAT_SPREAD:
        return None
    error = after_phase - before_phase
    return error - round(error), known


def _wandering(before: Float64Array, after: Float64Array, periods: float) -> float:
    """Give how far the phase may have wandered over a silence, judged by how it wanders among the frames around it.

    A task that is due at fixed times spreads by its jitter, however far apart two frames are. One that sets its timer
    anew after each frame walks: the variance grows with their distance. And a period that was another one here than in
    the mean over the recording runs away with it.

    Parameters
    ----------
    before, after : (n,) arrivals in periods
    periods : the length of the silence
    """
    apart = [(_from_whole(one, 1), _from_whole(one, _FAR)) for one in (before, after)]
    near = np.concatenate([pair[0] for pair in apart])
    far = np.concatenate([pair[1] for pair in apart])
    if len(near) < 3 or not len(far):
        return 0.0
    near_variance, far_variance = (float(np.median(one**2)) / _MEDIAN_OF_SQUARE for one in (near, far))
    walk = max(0.0, far_variance - near_variance) / (_FAR - 1)
    drift = max(0.0, float(np.median(far)) ** 2 - near_variance / len(far)) / _FAR**2
    return math.sqrt(periods * walk + periods**2 * drift)


def _of_phase(arrivals: Float64Array, phase: float) -> Float64Array:
    """Give the arrivals, in periods, that belong to a phase."""
    error = arrivals - phase
    return arrivals[np.abs(error - np.round(error)) < _BELONGS]


def _from_whole(phase: Float64Array, apart: int) -> Float64Array:
    """Give by how much frames so many places apart are off a whole number of periods; (n - apart,)."""
    if len(phase) <= apart:
        return np.empty(0)
    step = phase[apart:] - phase[:-apart]
    return step - np.round(step)


def _unbroken(t_ns: Int64Array, deadline_ns: int) -> Int64Array:
    """Give the arrivals up to the first silence among them; (n,) int64, ns, ascending or descending."""
    long = np.flatnonzero(np.abs(np.diff(t_ns)) > deadline_ns)
    return t_ns[: long[0] + 1] if len(long) else t_ns


def _mean_phase(phase: Float64Array) -> tuple[float, float, int]:
    """Give the mean phase of arrivals, in periods, its spread, and how many arrivals agree on it.

    Some arrivals may be off (a first frame on start, extra frames on change): the phase is the one most agree on.

    Parameters
    ----------
    phase : (n,) arrivals in periods
    """
    # for each arrival, how many others are near it on the circle; the one with the most is the centre
    phase = phase - np.floor(phase)
    apart = phase[:, None] - phase[None, :]
    apart -= np.round(apart)
    agree = (np.abs(apart) < _NEAR).sum(axis=1)
    centre = phase[int(np.argmax(agree))]
    # the median of those around the centre is the phase, their median deviation its spread
    error = phase - centre
    error -= np.round(error)
    near = np.abs(error) < _BELONGS
    mean = float(np.median(error[near]))
    spread = float(_MAD_TO_SIGMA * np.median(np.abs(error[near] - mean))) if near.sum() > 2 else _FEW_SPREAD
    return centre + mean, spread, int(near.sum())
