"""Which frames fill which cells, laid out as numbers that compiled code goes by.

Whole numbers within the first 8 bytes are taken out frame by frame. What is multiplexed, a float, or further behind is
left to the general way of decoding, stream by stream.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array, UInt64Array
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.database.parameter_range import SignalStatus
from busdoc.decode.signals.plan import Field, SignalPlan, plan_of
from busdoc.decode.signals.streams import hashed

__all__ = ["CellTable", "Part", "lay_out"]

_MOST_BITS = 62
"""An unsigned number of so many bits is a whole number with a sign as well."""
_NS_A_MS = 1e6


class Part:
    """Columns of `CellTable.parts`; plain numbers, which compiled code takes as constants."""

    DOWN = 0
    """Bits to shift right: the word of the first 8 bytes, or the same with its bytes reversed."""
    MASK = 1
    LAST_VALID = 2
    """The greatest raw number that is a value; like the mask, the 64 bits of an unsigned number."""
    NEEDED = 3
    """Payload bytes that a frame must have."""
    SIGN = 4
    """Of a signed value, the bits above it; else 0."""
    REVERSED = 5
    NAMED_FROM = 6
    NAMED_TO = 7
    """Its rows of `named_raw`."""
    PLAIN = 8
    """Neither reversed nor signed, and no raw number has a name that matters: as most are, and quicker."""
    COUNT = 9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellTable:
    """The v values of s streams."""

    keys: Int64Array
    """(places,) an open hash table of streams' numbers; -1: a free place."""
    stream_of_key: Int64Array
    """(places,)"""
    first_value: Int64Array
    """(s + 1,) where each stream's values begin; they end with its interval, where that is wanted."""
    is_apart: BoolArray
    """(s,) its signals are to be decoded in the general way."""
    interval_of: Int64Array
    """(s,) the number of its interval; -1: not wanted."""
    parts: Int64Array
    """(v, Part.COUNT)"""
    named_raw: UInt64Array
    named_valid: BoolArray
    """Raw numbers whose name decides whether they are values."""
    factors: Float64Array
    """(v, 3) scale, divisor, offset."""
    row_of: Int64Array
    """(v,) which row of cells each fills."""
    key_of: tuple[int, ...]
    """(s,) the streams' numbers."""


def lay_out(
    plans: Mapping[int, tuple[Message, Int64Array]], interval_of: Mapping[int, int], first_row: int
) -> CellTable:
    """Lay out what is wanted of each stream.

    Parameters
    ----------
    plans : by the stream's number: a message, and the row of each of its signals; -1: not wanted
    interval_of : by the stream's number: the number of its interval, where that is wanted
    first_row : of the interval with number 0
    """
    key_of = tuple(dict.fromkeys((*plans, *interval_of)))
    first_value, is_apart = [0], []
    parts: list[Int64Array] = []
    named: list[tuple[int, bool]] = []
    factors: list[tuple[float, float, float]] = []
    row_of: list[int] = []
    for key in key_of:
        message, rows = plans.get(key, (None, np.empty(0, np.int64)))
        plan = None if message is None else plan_of(message)
        apart = plan is not None and not all(_is_plain(plan, at) for at in range(len(plan.signals)))
        is_apart.append(apart)
        for at, signal in enumerate(() if plan is None or apart else plan.signals):
            assert plan is not None
            if rows[at] < 0:
                continue
            own = [(raw, status == SignalStatus.VALID) for raw, status in signal.named_status.items()]
            parts.append(_part(plan, at, len(named), len(own)))
            named += own
            factors.append((signal.scale, 1.0, signal.offset))
            row_of.append(int(rows[at]))
        if key in interval_of:
            parts.append(np.zeros(Part.COUNT, np.int64))
            factors.append((1.0, _NS_A_MS, 0.0))
            row_of.append(first_row + interval_of[key])
        first_value.append(len(row_of))
    keys, stream_of_key = hashed({key: stream for stream, key in enumerate(key_of)})
    return CellTable(
        keys=keys,
        stream_of_key=stream_of_key.astype(np.int64),
        first_value=np.array(first_value, np.int64),
        is_apart=np.array(is_apart, np.bool_),
        interval_of=np.array([interval_of.get(key, -1) for key in key_of], np.int64),
        parts=np.array(parts, np.int64).reshape(-1, Part.COUNT),
        named_raw=np.array([raw for raw, _ in named], np.uint64),
        named_valid=np.array([valid for _, valid in named], np.bool_),
        factors=np.array(factors, np.float64).reshape(-1, 3),
        row_of=np.array(row_of, np.int64),
        key_of=key_of,
    )


def _is_plain(plan: SignalPlan, at: int) -> bool:
    """Tell whether a signal is a whole number in the first 8 bytes of every frame, and any of it is a finite value."""
    row, signal = plan.layout[at], plan.signals[at]
    if row[Field.FLOAT] or row[Field.MULTIPLEXER] >= 0 or row[Field.FIRST_BYTE] + row[Field.SPAN] > 8:
        return False
    return (signal.signed or signal.length <= _MOST_BITS) and _most(signal) < float(np.finfo(np.float32).max)


def _most(signal: Signal) -> float:
    """Give a bound on the size of a signal's values."""
    return abs(signal.scale) * 2.0**signal.length + abs(signal.offset)


def _part(plan: SignalPlan, at: int, named_from: int, n_named: int) -> Int64Array:
    row = plan.layout[at]
    first, span, shift = int(row[Field.FIRST_BYTE]), int(row[Field.SPAN]), int(row[Field.SHIFT])
    is_little = bool(row[Field.LITTLE])
    part = np.zeros(Part.COUNT, np.int64)
    part[Part.DOWN] = 8 * first + shift if is_little else 8 * (8 - first - span) + shift
    mask, last_valid = plan.limits[at, :2]
    part[[Part.MASK, Part.LAST_VALID]] = np.array([mask, min(mask, last_valid)], np.uint64).view(np.int64)
    part[Part.REVERSED] = not is_little
    part[Part.NEEDED] = int(row[Field.NEEDED])
    part[Part.SIGN] = 64 - int(row[Field.LENGTH]) if row[Field.SIGNED] else 0
    part[Part.NAMED_FROM], part[Part.NAMED_TO] = named_from, named_from + n_named
    part[Part.PLAIN] = is_little and not row[Field.SIGNED] and not n_named
    return part
