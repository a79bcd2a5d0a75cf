"""The compiled path of decoding: the same as `busdoc.decode.signals` and `signal_fold`, for millions of frames.

The kernels and all that they call stand in this one file, since numba's cache does not see a change in another.
"""

from typing import Any

import numba
import numpy as np

from busdoc.capture.frames import FrameFlag
from busdoc.decode.parameter_range import SignalStatus
from busdoc.decode.signal_plan import Field
from busdoc.decode.signal_state import FEW, Count, Measure, Policy

__all__ = ["decode_rows", "fold_rows", "match_streams"]

_VALID = int(SignalStatus.VALID)
_UNAVAILABLE = int(SignalStatus.NOT_AVAILABLE)
_ERROR = int(SignalStatus.ERROR)
_ABSENT = int(SignalStatus.ABSENT)
_RESERVED = int(SignalStatus.RESERVED)

_FIRST_BYTE, _SHIFT, _SPAN, _NEEDED = Field.FIRST_BYTE, Field.SHIFT, Field.SPAN, Field.NEEDED
_LITTLE, _LENGTH, _SIGNED, _FLOAT = Field.LITTLE, Field.LENGTH, Field.SIGNED, Field.FLOAT
_MULTIPLEXER, _BRANCH_FROM, _BRANCH_TO = Field.MULTIPLEXER, Field.BRANCH_FROM, Field.BRANCH_TO
_NAMED_FROM, _NAMED_TO, _RULED = Field.NAMED_FROM, Field.NAMED_TO, Field.RULED

_BY_STATUS, _FIRST_NS, _LAST_NS, _LAST_BITS = Count.BY_STATUS, Count.FIRST_NS, Count.LAST_NS, Count.LAST_BITS
_LAST_STATUS, _CHANGES, _STATUS_CHANGES = Count.LAST_STATUS, Count.CHANGES, Count.STATUS_CHANGES
_DISTINCT, _VALUES = Count.DISTINCT, Count.VALUES
_KEPT, _KEPT_STATUS, _LOST, _LOST_STATUS = Count.KEPT, Count.KEPT_STATUS, Count.LOST, Count.LOST_STATUS
_LOW, _HIGH, _TOTAL, _FIRST, _LAST = Measure.LOW, Measure.HIGH, Measure.TOTAL, Measure.FIRST, Measure.LAST
_FEW = FEW
_ALWAYS, _FEW_VALUED = int(Policy.ALWAYS), int(Policy.FEW_VALUED)

_NO_SIGNALS = int(FrameFlag.ERROR | FrameFlag.REMOTE)
_EXTENDED = int(FrameFlag.EXTENDED)


@numba.njit("uint64(uint64)", cache=True, nogil=True, inline="always")
def _swapped(word: Any) -> Any:
    """Reverse the bytes of a word."""
    word = ((word & np.uint64(0x00FF00FF00FF00FF)) << np.uint64(8)) | (
        (word >> np.uint64(8)) & np.uint64(0x00FF00FF00FF00FF)
    )
    word = ((word & np.uint64(0x0000FFFF0000FFFF)) << np.uint64(16)) | (
        (word >> np.uint64(16)) & np.uint64(0x0000FFFF0000FFFF)
    )
    return (word << np.uint64(32)) | (word >> np.uint64(32))


@numba.njit("uint64(uint64, uint64, int64, uint8[::1], int64[::1], uint64)", cache=True, nogil=True, inline="always")
def _unsigned(word: Any, swapped: Any, long_start: Any, long_bytes: Any, row: Any, mask: Any) -> Any:
    """Take a signal's bits as an unsigned number."""
    first, span, shift = row[_FIRST_BYTE], row[_SPAN], row[_SHIFT]
    if first + span <= 8:
        if row[_LITTLE]:
            return (word >> np.uint64(8 * first + shift)) & mask
        return (swapped >> np.uint64(8 * (8 - first - span) + shift)) & mask
    number = np.uint64(0)
    for place in range(span):
        at = first + place if row[_LITTLE] else first + span - 1 - place
        byte = np.uint64(long_bytes[long_start + at])
        up = 8 * place - shift
        if up >= 0:
            number |= byte << np.uint64(up)
        else:
            number |= byte >> np.uint64(-up)
    return number & mask


@numba.njit("float64(uint64)", cache=True, nogil=True)
def _half(bits: Any) -> Any:
    """Read an IEEE 754 number of 16 bits."""
    sign = -1.0 if bits >> np.uint64(15) & np.uint64(1) else 1.0
    exponent = np.int64(bits >> np.uint64(10) & np.uint64(31))
    fraction = np.float64(bits & np.uint64(1023))
    if exponent == 0:
        return sign * fraction * 2.0**-24
    if exponent == 31:
        return sign * np.inf if fraction == 0.0 else np.nan
    return sign * (1.0 + fraction / 1024.0) * 2.0 ** (exponent - 15)


@numba.njit("float64(uint64, int64[::1], uint64[::1], uint32[::1])", cache=True, nogil=True, inline="always")
def _number(bits: Any, row: Any, room64: Any, room32: Any) -> Any:
    """Give a raw number as float64, not scaled yet; the rooms are one word each, to read bits as floats."""
    if row[_FLOAT]:
        if row[_LENGTH] == 64:
            room64[0] = bits
            return room64.view(np.float64)[0]
        if row[_LENGTH] == 32:
            room32[0] = np.uint32(bits)
            return np.float64(room32.view(np.float32)[0])
        return _half(bits)
    if row[_SIGNED]:
        return np.float64(np.int64(bits))
    return np.float64(bits)


@numba.njit("int64(uint64, int64[::1], uint64[::1], uint64[::1], uint8[::1])", cache=True, nogil=True, inline="always")
def _status(number: Any, row: Any, limits: Any, named_raw: Any, named_status: Any) -> Any:
    """Judge a raw number by the ranges, then by its name."""
    for named in range(row[_NAMED_FROM], row[_NAMED_TO]):
        if number == named_raw[named]:
            return np.int64(named_status[named])
    if number <= limits[1]:
        return _VALID
    if number >= limits[3]:
        return _UNAVAILABLE
    if number >= limits[2]:
        return _ERROR
    return _RESERVED


@numba.njit("boolean(int64[::1], int64[:, ::1], uint64)", cache=True, nogil=True, inline="always")
def _in_branch(row: Any, branches: Any, selected: Any) -> Any:
    number = np.int64(selected)
    for at in range(row[_BRANCH_FROM], row[_BRANCH_TO]):  # noqa: SIM110  # numba knows no generators
        if branches[at, 0] <= number <= branches[at, 1]:
            return True
    return False


@numba.njit(
    "void(int64[::1], uint64[::1], uint8[::1], int64[::1], uint8[::1], int64[:, ::1], uint64[:, ::1], float64[:, ::1],"
    " int64[:, ::1], uint64[::1], uint8[::1], float64[:, ::1], uint64[:, ::1], uint8[:, ::1])",
    cache=True,
    nogil=True,
)
def decode_rows(
    rows: Any,
    words: Any,
    lengths: Any,
    long_starts: Any,
    long_bytes: Any,
    layout: Any,
    limits: Any,
    factors: Any,
    branches: Any,
    named_raw: Any,
    named_status: Any,
    values: Any,
    all_bits: Any,
    status: Any,
) -> None:
    """Decode all signals of a message into `values`, `all_bits` and `status`, each (signals, rows)."""
    room64, room32 = np.zeros(1, np.uint64), np.zeros(1, np.uint32)
    for at in range(len(rows)):
        frame = rows[at]
        word, length = words[frame], np.int64(lengths[frame])
        swapped = _swapped(word)
        long_start = long_starts[frame] if len(long_starts) else np.int64(-1)
        for signal in range(len(layout)):
            row = layout[signal]
            present = length >= row[_NEEDED]
            selector = row[_MULTIPLEXER]
            if present and selector >= 0:
                present = status[selector, at] != _ABSENT and _in_branch(row, branches, all_bits[selector, at])
            if not present:
                values[signal, at], all_bits[signal, at], status[signal, at] = np.nan, 0, _ABSENT
                continue
            bits = _unsigned(word, swapped, long_start, long_bytes, row, limits[signal, 0])
            judged = _status(bits, row, limits[signal], named_raw, named_status) if row[_RULED] else _VALID
            if row[_SIGNED]:
                up = np.uint64(64 - row[_LENGTH])
                bits = np.uint64(np.int64(bits << up) >> np.int64(up))
            number = _number(bits, row, room64, room32)
            if row[_FLOAT] and number != number:
                judged = _UNAVAILABLE
            all_bits[signal, at] = bits
            status[signal, at] = judged
            values[signal, at] = number * factors[signal, 0] + factors[signal, 1] if judged == _VALID else np.nan


@numba.njit("void(uint8[::1], uint32[::1], uint16[::1], int64[::1], int32[::1], int32[::1])", cache=True, nogil=True)
def match_streams(channel: Any, identifier: Any, flags: Any, keys: Any, streams: Any, found: Any) -> None:
    """Find each frame's stream in an open hash table of a power of two places; -1: not watched, -2: never met.

    Parameters
    ----------
    keys, streams : (places,) `stream_key` and what to give for it; a key of -1 is a free place
    found : (frames,) the answer
    """
    last = np.int64(len(keys) - 1)
    for at in range(len(identifier)):
        if flags[at] & _NO_SIGNALS:
            found[at] = -1
            continue
        key = (np.int64(channel[at]) << 32) | (np.int64(flags[at] & _EXTENDED) << 31) | np.int64(identifier[at])
        place = ((key * np.int64(0x9E3779B97F4A7C1)) >> np.int64(20)) & last
        while keys[place] != key and keys[place] != -1:
            place = (place + 1) & last
        found[at] = streams[place] if keys[place] == key else np.int32(-2)


@numba.njit(
    "UniTuple(int64, 2)(int64, int64, int32[::1], uint8[::1], int64[::1], int64[::1], uint64[::1], uint8[::1],"
    " int64[::1], uint8[::1],"
    " int64[:, ::1], uint64[:, ::1], float64[:, ::1], int64[:, ::1], uint64[::1], uint8[::1], uint8[::1], int64[::1],"
    " int64[:, ::1], float64[:, ::1], int64[::1], int64[::1], int64[::1], int64[::1], uint8[::1], uint8[::1])",
    cache=True,
    nogil=True,
)
def fold_rows(
    start: Any,
    owner: Any,
    stream_of: Any,
    owner_of: Any,
    first_slot: Any,
    t_ns: Any,
    words: Any,
    lengths: Any,
    long_starts: Any,
    long_bytes: Any,
    layout: Any,
    limits: Any,
    factors: Any,
    branches: Any,
    named_raw: Any,
    named_status: Any,
    policy: Any,
    most_kept: Any,
    counts: Any,
    measures: Any,
    frames: Any,
    out_slot: Any,
    out_ns: Any,
    out_bits: Any,
    out_status: Any,
    out_is_status: Any,
) -> Any:
    """Fold the frames of the streams that `owner` has into their state, until they end or the room for changes does.

    Returns
    -------
    the frame to go on from, and how many changes were written
    """
    room64, room32 = np.zeros(1, np.uint64), np.zeros(1, np.uint32)
    most_signals = 1
    for stream in range(len(first_slot) - 1):
        most_signals = max(most_signals, first_slot[stream + 1] - first_slot[stream])
    bits_of = np.zeros(most_signals, np.uint64)
    absent = np.zeros(most_signals, np.uint8)
    n_out = np.int64(0)
    last_out = len(out_slot) - most_signals
    for at in range(start, len(stream_of)):
        stream = stream_of[at]
        if stream < 0 or owner_of[stream] != owner:
            continue
        if n_out > last_out:
            return np.int64(at), n_out
        frames[stream] += 1
        word, length = words[at], np.int64(lengths[at])
        swapped = _swapped(word)
        long_start = long_starts[at] if len(long_starts) else np.int64(-1)
        first = first_slot[stream]
        for slot in range(first, first_slot[stream + 1]):
            row = layout[slot]
            count = counts[slot]
            present = length >= row[_NEEDED]
            selector = row[_MULTIPLEXER]
            if present and selector >= 0:
                present = not absent[selector] and _in_branch(row, branches, bits_of[selector])
            absent[slot - first] = not present
            if not present:
                count[_BY_STATUS + _ABSENT] += 1
                continue
            bits = _unsigned(word, swapped, long_start, long_bytes, row, limits[slot, 0])
            judged = _status(bits, row, limits[slot], named_raw, named_status) if row[_RULED] else np.int64(_VALID)
            if row[_SIGNED]:
                up = np.uint64(64 - row[_LENGTH])
                bits = np.uint64(np.int64(bits << up) >> np.int64(up))
            number = _number(bits, row, room64, room32)
            if row[_FLOAT] and number != number:
                judged = np.int64(_UNAVAILABLE)
            bits_of[slot - first] = bits
            count[_BY_STATUS + judged] += 1
            if judged == _VALID:
                measure = measures[slot]
                value = number * factors[slot, 0] + factors[slot, 1]
                if count[_BY_STATUS] == 1:
                    count[_FIRST_NS] = t_ns[at]
                    measure[_FIRST] = value
                    measure[_LOW] = value
                    measure[_HIGH] = value
                elif value < measure[_LOW]:
                    measure[_LOW] = value
                elif value > measure[_HIGH]:
                    measure[_HIGH] = value
                measure[_TOTAL] += number
                measure[_LAST] = value
                count[_LAST_NS] = t_ns[at]
            if count[_LAST_STATUS] >= 0 and np.int64(bits) == count[_LAST_BITS]:
                continue
            new = count[_LAST_STATUS] < 0
            status_changed = new or count[_LAST_STATUS] != judged
            if not new:
                count[_CHANGES] += 1
                if status_changed:
                    count[_STATUS_CHANGES] += 1
            count[_LAST_BITS] = np.int64(bits)
            count[_LAST_STATUS] = judged
            if policy[slot] == _FEW_VALUED and judged == _VALID and count[_DISTINCT] <= _FEW:
                known = False
                for place in range(count[_DISTINCT]):
                    known = known or count[_VALUES + place] == np.int64(bits)
                if not known:
                    if count[_DISTINCT] < _FEW:
                        count[_VALUES + count[_DISTINCT]] = np.int64(bits)
                    else:
                        count[_KEPT] = count[_KEPT_STATUS]
                        count[_LOST] = count[_LOST_STATUS]
                    count[_DISTINCT] += 1
            if not (
                status_changed or policy[slot] == _ALWAYS or (policy[slot] == _FEW_VALUED and count[_DISTINCT] <= _FEW)
            ):
                continue
            if count[_KEPT] >= most_kept[slot]:
                count[_LOST] += 1
                count[_LOST_STATUS] += status_changed
                continue
            count[_KEPT] += 1
            count[_KEPT_STATUS] += status_changed
            out_slot[n_out] = slot
            out_ns[n_out] = t_ns[at]
            out_bits[n_out] = np.int64(bits)
            out_status[n_out] = judged
            out_is_status[n_out] = status_changed
            n_out += 1
    return np.int64(len(stream_of)), n_out
