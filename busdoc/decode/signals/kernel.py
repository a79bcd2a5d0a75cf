"""The compiled path of decoding: the same as `busdoc.decode.signals.signals` and `signal_fold`, for millions of frames.

The kernels and all that they call stand in this one file, since numba's cache does not see a change in another.
"""

from typing import Any

import numba
import numpy as np

from busdoc.capture.frames import EXTENDED, FrameFlag
from busdoc.decode.database.parameter_range import SignalStatus
from busdoc.decode.signals.plan import Field
from busdoc.decode.signals.state import EXACT_BITS, FEW, Count, Measure, Policy

__all__ = ["decode_rows", "fold_rows", "group_rows", "match_streams"]

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
_EXACT_BITS = EXACT_BITS
_ALWAYS, _FEW_VALUED = int(Policy.ALWAYS), int(Policy.FEW_VALUED)

_NO_SIGNALS = int(FrameFlag.ERROR | FrameFlag.REMOTE)


@numba.njit("uint64(uint64)", cache=True, nogil=True)
def _swapped(word: Any) -> Any:
    """Reverse the bytes of a word."""
    word = ((word & np.uint64(0x00FF00FF00FF00FF)) << np.uint64(8)) | (
        (word >> np.uint64(8)) & np.uint64(0x00FF00FF00FF00FF)
    )
    word = ((word & np.uint64(0x0000FFFF0000FFFF)) << np.uint64(16)) | (
        (word >> np.uint64(16)) & np.uint64(0x0000FFFF0000FFFF)
    )
    return (word << np.uint64(32)) | (word >> np.uint64(32))


@numba.njit("uint64(uint64, uint64, int64, uint8[::1], int64[::1], uint64)", cache=True, nogil=True)
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


@numba.njit("float64(uint64, int64[::1], uint64[::1], uint32[::1])", cache=True, nogil=True)
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


@numba.njit("int64(uint64, int64[::1], uint64[::1], uint64[::1], uint8[::1])", cache=True, nogil=True)
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


@numba.njit("boolean(int64[::1], int64[:, ::1], uint64)", cache=True, nogil=True)
def _in_branch(row: Any, branches: Any, selected: Any) -> Any:
    number = np.int64(selected)
    for at in range(row[_BRANCH_FROM], row[_BRANCH_TO]):  # noqa: SIM110  # numba knows no generators
        if branches[at, 0] <= number <= branches[at, 1]:
            return True
    return False


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
        key = (np.int64(channel[at]) << 32) | (np.int64(flags[at] & EXTENDED) << 31) | np.int64(identifier[at])
        place = ((key * np.int64(0x9E3779B97F4A7C1)) >> np.int64(20)) & last
        while keys[place] != key and keys[place] != -1:
            place = (place + 1) & last
        found[at] = streams[place] if keys[place] == key else np.int32(-2)


@numba.njit("void(int32[::1], int64[::1], int64[::1])", cache=True, nogil=True)
def group_rows(stream_of: Any, edges: Any, rows: Any) -> None:
    """Sort frames by stream, those of one stream in order: counting, since the streams are few.

    Parameters
    ----------
    stream_of : (frames,) -1 for none
    edges : (streams + 1,) where each stream's rows begin: written
    rows : (frames,) or more: written, as far as frames have streams
    """
    edges[:] = 0
    for at in range(len(stream_of)):
        edges[stream_of[at] + 1] += 1
    total = np.int64(0)
    edges[0] = 0
    for stream in range(1, len(edges)):
        total += edges[stream]
        edges[stream] = total
    place = edges.copy()
    for at in range(len(stream_of)):
        stream = stream_of[at]
        if stream >= 0:
            rows[place[stream]] = at
            place[stream] += 1


@numba.njit(
    "void(int64, boolean, uint64[::1], uint64[::1], int64[::1], int64[::1], uint8[::1], int64[::1], uint64[::1],"
    " uint64[::1], uint8[::1], uint64[::1], uint8[::1])",
    cache=True,
    nogil=True,
)
def _take_out(
    n: Any,
    all_there: Any,
    words: Any,
    swapped: Any,
    lengths: Any,
    long_starts: Any,
    long_bytes: Any,
    row: Any,
    limits: Any,
    named_raw: Any,
    named_status: Any,
    bits: Any,
    judged: Any,
) -> None:
    """Take one signal out of n frames and judge it; the multiplex is not looked at.

    Parameters
    ----------
    all_there : whether every frame is long enough for it
    """
    first, span, mask = row[_FIRST_BYTE], row[_SPAN], limits[0]
    needed = row[_NEEDED]
    if first + span <= 8:
        if row[_LITTLE]:
            down = np.uint64(8 * first + row[_SHIFT])
            for at in range(n):
                bits[at] = (words[at] >> down) & mask
        else:
            down = np.uint64(8 * (8 - first - span) + row[_SHIFT])
            for at in range(n):
                bits[at] = (swapped[at] >> down) & mask
    else:
        for at in range(n):
            bits[at] = np.uint64(0)
            if lengths[at] >= needed:
                bits[at] = _unsigned(words[at], swapped[at], long_starts[at], long_bytes, row, mask)
    if all_there:
        judged[:n] = _VALID
    else:
        for at in range(n):
            judged[at] = _VALID if lengths[at] >= needed else _ABSENT
    if row[_RULED]:
        last_valid = limits[1] if row[_NAMED_FROM] == row[_NAMED_TO] else np.uint64(0)
        for at in range(n):
            if judged[at] == _VALID and (bits[at] > last_valid or row[_NAMED_FROM] != row[_NAMED_TO]):
                judged[at] = _status(bits[at], row, limits, named_raw, named_status)
    if row[_SIGNED]:
        up = np.uint64(64 - row[_LENGTH])
        for at in range(n):
            bits[at] = np.uint64(np.int64(bits[at] << up) >> np.int64(up))


@numba.njit(
    "int64(int64, int64, boolean, int64[::1], uint64[::1], uint8[::1], int64[::1], int64[::1], float64[::1], int64,"
    " int64, float64[::1], int64, int64[::1], int64[::1], int64[::1], uint8[::1], uint8[::1], uint64[::1],"
    " uint32[::1])",
    cache=True,
    nogil=True,
)
def _fold_one(
    slot: Any,
    n: Any,
    all_valid: Any,
    t_ns: Any,
    all_bits: Any,
    judged: Any,
    row: Any,
    count: Any,
    measure: Any,
    policy: Any,
    most_kept: Any,
    factors: Any,
    n_out: Any,
    out_slot: Any,
    out_ns: Any,
    out_bits: Any,
    out_status: Any,
    out_is_status: Any,
    room64: Any,
    room32: Any,
) -> Any:
    """Fold one signal in n frames into its state; give how many changes have been written by now."""
    scale, offset = factors[0], factors[1]
    low, high, total = np.inf, -np.inf, measure[_TOTAL]
    n_valid, n_absent = np.int64(0), np.int64(0)
    first_valid, last_valid = -1, -1
    last_bits, last_status = count[_LAST_BITS], count[_LAST_STATUS]
    n_changes = np.int64(0)
    is_float = row[_FLOAT] != 0
    is_signed = row[_SIGNED] != 0
    keeps_values = policy > _FEW_VALUED or (policy == _FEW_VALUED and count[_DISTINCT] <= _FEW)
    if all_valid and last_status == _VALID and not keeps_values and row[_LENGTH] <= _EXACT_BITS:
        # nothing to keep and nothing to judge: whole numbers, whose sums are exact in any order
        least, most, added = np.int64(all_bits[0]), np.int64(all_bits[0]), np.int64(0)
        for at in range(n):
            bits = np.int64(all_bits[at])
            least = min(least, bits)
            most = max(most, bits)
            added += bits
        n_changes += np.int64(all_bits[0]) != last_bits
        for at in range(1, n):
            n_changes += all_bits[at] != all_bits[at - 1]
        low, high, total = np.float64(least), np.float64(most), total + np.float64(added)
        n_valid, first_valid, last_valid = n, 0, n - 1
        last_bits = np.int64(all_bits[n - 1])
        n = 0
    for at in range(n):
        status = np.int64(judged[at])
        if status == _ABSENT:
            n_absent += 1
            continue
        bits = np.int64(all_bits[at])
        if status == _VALID:
            if is_float:
                number = _number(all_bits[at], row, room64, room32)
            elif is_signed:
                number = np.float64(bits)
            else:
                number = np.float64(all_bits[at])
            if is_float and number != number:
                status = np.int64(_UNAVAILABLE)
                count[_BY_STATUS + _UNAVAILABLE] += 1
            else:
                n_valid += 1
                if number < low:
                    low = number
                if number > high:
                    high = number
                total += number
                if first_valid < 0:
                    first_valid = at
                last_valid = at
        else:
            count[_BY_STATUS + status] += 1
        if bits == last_bits and last_status >= 0:
            continue
        new = last_status < 0
        status_changed = new or last_status != status
        if not new:
            n_changes += 1
            if status_changed:
                count[_STATUS_CHANGES] += 1
        last_bits, last_status = bits, status
        if not status_changed and (policy < _FEW_VALUED or (policy == _FEW_VALUED and count[_DISTINCT] > _FEW)):
            continue
        if policy == _FEW_VALUED and status == _VALID and count[_DISTINCT] <= _FEW:
            known = False
            for place in range(count[_DISTINCT]):
                known = known or count[_VALUES + place] == bits
            if not known:
                if count[_DISTINCT] < _FEW:
                    count[_VALUES + count[_DISTINCT]] = bits
                else:
                    count[_KEPT] = count[_KEPT_STATUS]
                    count[_LOST] = count[_LOST_STATUS]
                count[_DISTINCT] += 1
                if count[_DISTINCT] > _FEW and not status_changed:
                    continue
        if count[_KEPT] >= most_kept:
            count[_LOST] += 1
            count[_LOST_STATUS] += status_changed
            continue
        count[_KEPT] += 1
        count[_KEPT_STATUS] += status_changed
        out_slot[n_out] = slot
        out_ns[n_out] = t_ns[at]
        out_bits[n_out] = bits
        out_status[n_out] = status
        out_is_status[n_out] = status_changed
        n_out += 1
    count[_LAST_BITS], count[_LAST_STATUS] = last_bits, last_status
    count[_CHANGES] += n_changes
    count[_BY_STATUS + _ABSENT] += n_absent
    if n_valid:
        first = _number(all_bits[first_valid], row, room64, room32) * scale + offset
        last = _number(all_bits[last_valid], row, room64, room32) * scale + offset
        lowest, highest = low * scale + offset, high * scale + offset
        if lowest > highest:
            lowest, highest = highest, lowest
        if count[_BY_STATUS] == 0:
            count[_FIRST_NS] = t_ns[first_valid]
            measure[_FIRST], measure[_LOW], measure[_HIGH] = first, lowest, highest
        else:
            measure[_LOW] = min(measure[_LOW], lowest)
            measure[_HIGH] = max(measure[_HIGH], highest)
        measure[_LAST], measure[_TOTAL] = last, total
        count[_LAST_NS] = t_ns[last_valid]
        count[_BY_STATUS] += n_valid
    return n_out


@numba.njit(
    "UniTuple(int64, 3)(int64, int64, int64, int64, int64[::1], int64[::1], uint8[::1], int64[::1], int64[::1],"
    " uint64[::1], uint8[::1], int64[::1], uint8[::1],"
    " int64[:, ::1], uint64[:, ::1], float64[:, ::1], int64[:, ::1], uint64[::1], uint8[::1], uint8[::1], int64[::1],"
    " int64[:, ::1], float64[:, ::1], int64[::1], int64[::1], int64[::1], uint8[::1], uint8[::1])",
    cache=True,
    nogil=True,
)
def fold_rows(
    stream: Any,
    done: Any,
    owner: Any,
    at_once: Any,
    rows: Any,
    edges: Any,
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
    out_slot: Any,
    out_ns: Any,
    out_bits: Any,
    out_status: Any,
    out_is_status: Any,
) -> Any:
    """Fold the frames of the streams that `owner` has into their state, until they end or the room for changes does.

    Parameters
    ----------
    stream, done : where to go on: the stream, and how many of its rows are folded
    at_once : frames of a stream that are gathered, so that each signal then runs through them with its state at hand

    Returns
    -------
    the stream and its rows folded, to go on from, and how many changes were written
    """
    room64, room32 = np.zeros(1, np.uint64), np.zeros(1, np.uint32)
    near_word, near_swapped = np.empty(at_once, np.uint64), np.empty(at_once, np.uint64)
    near_length, near_start = np.empty(at_once, np.int64), np.full(at_once, -1, np.int64)
    near_ns = np.empty(at_once, np.int64)
    bits, judged = np.empty(at_once, np.uint64), np.empty(at_once, np.uint8)
    selected_bits = np.empty((1, at_once), np.uint64)
    selected_absent = np.empty((1, at_once), np.uint8)
    n_out = 0
    n_streams = len(first_slot) - 1
    while stream < n_streams:
        n_signals = first_slot[stream + 1] - first_slot[stream]
        if owner_of[stream] != owner or edges[stream] + done >= edges[stream + 1]:
            stream, done = stream + 1, 0
            continue
        n = min(at_once, edges[stream + 1] - edges[stream] - done)
        if n_out + n * n_signals > len(out_slot):
            return stream, done, n_out
        first_row = edges[stream] + done
        least = np.int64(64)
        for at in range(n):
            frame = rows[first_row + at]
            near_word[at] = words[frame]
            near_swapped[at] = _swapped(words[frame])
            near_length[at] = lengths[frame]
            least = min(least, near_length[at])
            near_ns[at] = t_ns[frame]
            if len(long_starts):
                near_start[at] = long_starts[frame]
        first = first_slot[stream]
        multiplexed = False
        for slot in range(first, first + n_signals):
            multiplexed = multiplexed or layout[slot, _MULTIPLEXER] >= 0
        if multiplexed and len(selected_bits) < n_signals:
            selected_bits = np.empty((n_signals, at_once), np.uint64)
            selected_absent = np.empty((n_signals, at_once), np.uint8)
        for slot in range(first, first + n_signals):
            row = layout[slot]
            all_there = least >= row[_NEEDED]
            _take_out(
                n,
                all_there,
                near_word,
                near_swapped,
                near_length,
                near_start,
                long_bytes,
                row,
                limits[slot],
                named_raw,
                named_status,
                bits,
                judged,
            )
            if multiplexed:
                selector = row[_MULTIPLEXER]
                for at in range(n):
                    if selector >= 0 and (
                        selected_absent[selector, at] or not _in_branch(row, branches, selected_bits[selector, at])
                    ):
                        judged[at] = _ABSENT
                    selected_bits[slot - first, at] = bits[at]
                    selected_absent[slot - first, at] = judged[at] == _ABSENT
            all_valid = all_there and not multiplexed and not row[_RULED] and not row[_FLOAT]
            n_out = _fold_one(
                slot,
                n,
                all_valid,
                near_ns,
                bits,
                judged,
                row,
                counts[slot],
                measures[slot],
                np.int64(policy[slot]),
                most_kept[slot],
                factors[slot],
                n_out,
                out_slot,
                out_ns,
                out_bits,
                out_status,
                out_is_status,
                room64,
                room32,
            )
        done += n
    return stream, done, n_out


@numba.njit(cache=True, nogil=True)  # compiled when first called, since a watch never calls it
def decode_rows(
    rows: Any,
    at_once: Any,
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
    all_status: Any,
) -> None:
    """Decode all signals of a message into `values`, `all_bits` and `all_status`, each (signals, rows).

    `words` is of the whole block; `lengths`, and `long_starts` where there are any, are of the rows.
    """
    room64, room32 = np.zeros(1, np.uint64), np.zeros(1, np.uint32)
    near_word, near_swapped = np.empty(at_once, np.uint64), np.empty(at_once, np.uint64)
    near_length, near_start = np.empty(at_once, np.int64), np.full(at_once, -1, np.int64)
    for start in range(0, len(rows), at_once):
        n = min(at_once, len(rows) - start)
        least = np.int64(64)
        for at in range(n):
            frame = rows[start + at]
            near_word[at] = words[frame]
            near_swapped[at] = _swapped(words[frame])
            near_length[at] = lengths[start + at]
            least = min(least, near_length[at])
            if len(long_starts):
                near_start[at] = long_starts[start + at]
        for signal in range(len(layout)):
            row, scale, offset = layout[signal], factors[signal, 0], factors[signal, 1]
            bits = all_bits[signal, start : start + n]
            status = all_status[signal, start : start + n]
            value = values[signal, start : start + n]
            all_there = least >= row[_NEEDED]
            _take_out(
                n,
                all_there,
                near_word,
                near_swapped,
                near_length,
                near_start,
                long_bytes,
                row,
                limits[signal],
                named_raw,
                named_status,
                bits,
                status,
            )
            selector = row[_MULTIPLEXER]
            if selector >= 0:
                for at in range(n):
                    if all_status[selector, start + at] == _ABSENT or not _in_branch(
                        row, branches, all_bits[selector, start + at]
                    ):
                        status[at] = _ABSENT
            if row[_FLOAT]:
                for at in range(n):
                    number = _number(bits[at], row, room64, room32)
                    if status[at] == _VALID and number != number:
                        status[at] = _UNAVAILABLE
                    value[at] = number * scale + offset
            elif row[_SIGNED]:
                for at in range(n):
                    value[at] = np.float64(np.int64(bits[at])) * scale + offset
            else:
                for at in range(n):
                    value[at] = np.float64(bits[at]) * scale + offset
            if all_there and selector < 0 and not row[_RULED] and not row[_FLOAT]:
                continue
            for at in range(n):
                if status[at] != _VALID:
                    value[at] = np.nan
                if status[at] == _ABSENT:
                    bits[at] = np.uint64(0)
