"""What signals read over time: the shapes that a scenario gives to the signals of its database.

A shape is a function from times to physical values; NaN is 'not available'. Shapes that depend on what happened
(a sensor unplugged, a fault about to show, retries counted) look it up in the recording.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array, UInt8Array
from busdoc.simulation.database import MessageLayout, SignalLayout, pack
from busdoc.simulation.stream import Content

__all__ = [
    "Shape",
    "condition",
    "constant",
    "counted",
    "dropping",
    "message_content",
    "noisy",
    "retries",
    "sagging",
    "sine",
    "steps",
    "while_joined",
]

Shape: TypeAlias = Callable[[Float64Array], Float64Array]


def constant(value: float) -> Shape:
    """Always the same."""
    return lambda times_s: np.full(len(times_s), value)


def sine(low: float, high: float, period_s: float) -> Shape:
    """Up and down, at `low` at time zero."""
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    return lambda times_s: middle - half * np.cos(2.0 * math.pi / period_s * times_s)


def steps(points: Sequence[tuple[float, float]]) -> Shape:
    """Straight lines between (s, value) points."""
    at_s = np.array([point[0] for point in points])
    values = np.array([point[1] for point in points])
    return lambda times_s: np.interp(times_s, at_s, values)


def noisy(shape: Shape, spread: float, rng: np.random.Generator) -> Shape:
    """Add a normal error of each reading."""
    return lambda times_s: shape(times_s) + rng.normal(0.0, spread, len(times_s))


def sagging(shape: Shape, sags: Sequence[tuple[float, float, float]]) -> Shape:
    """Take voltage away, ever more from the beginning to the end of each sag (from s, to s, volts)."""

    def sagged(times_s: Float64Array) -> Float64Array:
        values = shape(times_s)
        for from_s, to_s, volts in sags:
            share = (times_s - from_s) / max(to_s - from_s, 1e-9)
            values = values - np.where((share >= 0.0) & (share < 1.0), volts * share, 0.0)
        return values

    return sagged


def dropping(shape: Shape, drops: Sequence[tuple[float, float, float]]) -> Shape:
    """Take voltage away for as long as each drop lasts (from s, to s, volts)."""

    def dropped(times_s: Float64Array) -> Float64Array:
        values = shape(times_s)
        for from_s, to_s, volts in drops:
            values = values - np.where((times_s >= from_s) & (times_s < to_s), volts, 0.0)
        return values

    return dropped


def while_joined(shape: Shape, log: Sequence[tuple[float, tuple[str, ...]]], controller: str) -> Shape:
    """Not available while the sensor is not joined to the controller; `log` as in `World.joined`."""
    at_s = np.array([entry[0] for entry in log])
    joined = np.array([controller in entry[1] for entry in log], np.bool_)

    def read(times_s: Float64Array) -> Float64Array:
        known: BoolArray = joined[np.maximum(np.searchsorted(at_s, times_s, side="right") - 1, 0)]
        return np.where(known, shape(times_s), math.nan)

    return read


def condition(
    values: Mapping[str, float],
    troubles: Sequence[tuple[float, float]],
    starts_s: Sequence[float],
    falls_s: Sequence[float],
) -> Shape:
    """Read how the controller fares, by `values` of ``running``, ``starting``, ``fault`` and ``retry``.

    ``fault`` from the sign of a trouble to its silence; after a start, ``retry`` for 1.5 s where the last loss was a
    fault's, else ``starting``. What `values` leaves out reads as ``running``.
    """
    running = values.get("running", 0.0)

    def read(times_s: Float64Array) -> Float64Array:
        found = np.full(len(times_s), running)
        for start_s in starts_s:
            by_fault = any(fell_s < start_s for fell_s in falls_s)
            word = "retry" if by_fault and "retry" in values else "starting"
            found[(times_s >= start_s) & (times_s < start_s + 1.5)] = values.get(word, running)
        for sign_s, lost_s in troubles:
            found[(times_s >= sign_s) & (times_s <= lost_s)] = values.get("fault", running)
        return found

    return read


def retries(attempts_s: Sequence[float]) -> Shape:
    """Count the faults that it has had so far."""
    at_s = np.array(sorted(attempts_s))
    return lambda times_s: np.searchsorted(at_s, times_s, side="right").astype(np.float64)


def counted(signal: SignalLayout) -> Callable[[Int64Array], Float64Array]:
    """Roll through the signal's range, one a frame."""
    whole = 1 << signal.length
    return lambda numbers: (numbers % whole).astype(np.float64) * signal.scale + signal.offset


def message_content(
    layout: MessageLayout,
    shapes: Mapping[str, Shape],
    rolling: Sequence[str] = (),
) -> Content:
    """Fill a message's payloads; signals without a shape read 'not available', those in `rolling` count frames."""

    def content(times_s: Float64Array, numbers: Int64Array) -> UInt8Array:
        columns: dict[SignalLayout, Float64Array] = {}
        for name, signal in layout.signals.items():
            if name in rolling:
                columns[signal] = counted(signal)(numbers)
            elif name in shapes:
                columns[signal] = shapes[name](times_s)
            else:
                columns[signal] = np.full(len(times_s), math.nan)
        return pack(columns, len(times_s), rolling)

    return content
