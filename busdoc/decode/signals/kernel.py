"""The compiled path of `busdoc.decode.signals.watch`: the same as `busdoc.decode.signals.fold`, for millions of frames.

The kernels and all that they call stand in this one file.
"""

from typing import Any, NamedTuple

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array, UInt32Array, UInt64Array
from busdoc.capture.frames import EXTENDED, FrameFlag
from busdoc.decode.database.parameter_range import SignalStatus
from busdoc.decode.signals.plan import Field
from busdoc.decode.signals.state import EXACT_BITS, FEW, Count, Measure, Policy
from busdoc.kernels.compiled import compiled

__all__ = ["Frames", "Order", "Out", "Plan", "Room", "State", "fold_rows", "group_rows", "match_streams", "room_for"]

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


class Order(NamedTuple):
    """Which frames are whose, and whose the streams are."""

    rows: Int64Array
    """(frames,) those of one stream after one another, each in the order of time."""
    edges: Int64Array
    """(streams + 1,) where each stream's rows begin."""
    owner_of: UInt8Array
    """(streams,) the thread that folds it."""
    first_slot: Int64Array
    """(streams + 1,) where each stream's signals begin."""


class Frames(NamedTuple):
    """The columns of a block; see `busdoc.decode.signals.payload`."""

    t_ns: Int64Array
    words: UInt64Array
    lengths: UInt8Array
    long_starts: Int64Array
    """Empty where no signal needs them."""
    long_bytes: UInt8Array


class Plan(NamedTuple):
    """The arrays of `SignalPlan`, all streams' signals after one another."""

    layout: Int64Array
    limits: UInt64Array
    factors: Float64Array
    branches: Int64Array
    named_raw: UInt64Array
    named_status: UInt8Array


class State(NamedTuple):
    """The arrays of `SignalState`."""

    policy: UInt8Array
    most_kept: Int64Array
    counts: Int64Array
    measures: Float64Array


class Out(NamedTuple):
    """Room for changes; the columns of `Changes`."""

    slot: Int64Array
    t_ns: Int64Array
    bits: Int64Array
    status: UInt8Array
    is_status: UInt8Array


class Near(NamedTuple):
    """Some frames of one stream, brought together."""

    t_ns: Int64Array
    words: UInt64Array
    swapped: UInt64Array
    """The words with their bytes reversed."""
    lengths: Int64Array
    long_starts: Int64Array


class Taken(NamedTuple):
    """One signal in those frames, and one word of each size, to read bits as floats."""

    bits: UInt64Array
    judged: UInt8Array
    """`SignalStatus` values."""
    room64: UInt64Array
    room32: UInt32Array


class Room(NamedTuple):
    """What the work on some frames of one stream needs; made by `room_for`."""

    near: Near
    taken: Taken
    selected_bits: UInt64Array
    """(signals, frames) of a multiplexed message."""
    selected_absent: UInt8Array


def room_for(at_once: int, n_signals: int) -> Room:
    """Make room for the frames of a stream that are gathered, so that each signal then runs through them.

    Parameters
    ----------
    n_signals : that a message has at most
    """
    t_ns, lengths = (np.empty(at_once, np.int64) for _ in range(2))
    words, swapped, bits = (np.empty(at_once, np.uint64) for _ in range(3))
    near = Near(t_ns, words, swapped, lengths, np.full(at_once, -1, np.int64))
    taken = Taken(bits, np.empty(at_once, np.uint8), np.zeros(1, np.uint64), np.zeros(1, np.uint32))
    return Room(near, taken, np.empty((n_signals, at_once), np.uint64), np.empty((n_signals, at_once), np.uint8))


def _signature(name: str) -> Any:
    """Give the signature of one of the kernels that take records."""
    import numba
    from numba import boolean, float64, int64, uint8, uint32, uint64

    record: Any = numba.types.BaseTuple.from_types  # untyped
    order = record((int64[::1], int64[::1], uint8[::1], int64[::1]), Order)
    frames = record((int64[::1], uint64[::1], uint8[::1], int64[::1], uint8[::1]), Frames)
    plan = record((int64[:, ::1], uint64[:, ::1], float64[:, ::1], int64[:, ::1], uint64[::1], uint8[::1]), Plan)
    state = record((uint8[::1], int64[::1], int64[:, ::1], float64[:, ::1]), State)
    out = record((int64[::1], int64[::1], int64[::1], uint8[::1], uint8[::1]), Out)
    near = record((int64[::1], uint64[::1], uint64[::1], int64[::1], int64[::1]), Near)
    taken = record((uint64[::1], uint8[::1], uint64[::1], uint32[::1]), Taken)
    room = record((near, taken, uint64[:, ::1], uint8[:, ::1]), Room)
    if name == "_take_out":
        return numba.void(int64, boolean, near, uint8[::1], plan, int64, taken)
    if name == "_fold_one":
        return int64(int64, int64, boolean, near, plan, taken, state, out, int64)
    if name == "_gather":
        return int64(int64, int64[::1], frames, near)
    three = record((int64, int64, int64))
    return three(int64, int64, int64, order, frames, plan, state, out, room)


@compiled("uint64(uint64)")
def _swapped(word: Any) -> Any:
    """Reverse the bytes of a word."""
    word = ((word & np.uint64(0x00FF00FF00FF00FF)) << np.uint64(8)) | (
        (word >> np.uint64(8)) & np.uint64(0x00FF00FF00FF00FF)
    )
    word = ((word & np.uint64(0x0000FFFF0000FFFF)) << np.uint64(16)) | (
        (word >> np.uint64(16)) & np.uint64(0x0000FFFF0000FFFF)
    )
    return (word << np.uint64(32)) | (word >> np.uint64(32))


@compiled("uint64(uint64, uint64, int64, uint8[::1], int64[::1], uint64)")
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


@compiled("float64(uint64)")
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


@compiled("float64(uint64, int64[::1], uint64[::1], uint32[::1])")
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


@compiled("int64(uint64, int64[::1], uint64[::1], uint64[::1], uint8[::1])")
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


@compiled("boolean(int64[::1], int64[:, ::1], uint64)")
def _in_branch(row: Any, branches: Any, selected: Any) -> Any:
    number = np.int64(selected)
    for at in range(row[_BRANCH_FROM], row[_BRANCH_TO]):  # noqa: SIM110  # numba knows no generators
        if branches[at, 0] <= number <= branches[at, 1]:
            return True
    return False


@compiled("void(uint8[::1], uint32[::1], uint16[::1], int64[::1], int32[::1], int32[::1])")
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


@compiled("void(int32[::1], int64[::1], int64[::1], int64[::1])")
def group_rows(stream_of: Any, edges: Any, place: Any, rows: Any) -> None:
    """Sort frames by stream, those of one stream in order: counting, since the streams are few.

    Parameters
    ----------
    stream_of : (frames,) -1 for none
    edges : (streams + 1,) where each stream's rows begin: written
    place : (streams + 1,) room
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
    for stream in range(len(edges)):  # one by one: of arrays at once, numba would make a copy
        place[stream] = edges[stream]
    for at in range(len(stream_of)):
        stream = stream_of[at]
        if stream >= 0:
            rows[place[stream]] = at
            place[stream] += 1


@compiled(_signature)
def _take_out(n: Any, all_there: Any, near: Any, long_bytes: Any, plan: Any, slot: Any, taken: Any) -> None:
    """Take one signal out of n frames and judge it; the multiplex is not looked at.

    Parameters
    ----------
    all_there : whether every frame is long enough for it
    """
    words, swapped, lengths, bits, judged = near.words, near.swapped, near.lengths, taken.bits, taken.judged
    row, limits = plan.layout[slot], plan.limits[slot]
    first, span, mask = row[_FIRST_BYTE], row[_SPAN], limits[0]
    needed = row[_NEEDED]
    # its bits: in one word nearly always, in either order of bytes; else byte by byte
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
                bits[at] = _unsigned(words[at], swapped[at], near.long_starts[at], long_bytes, row, mask)
    # is it there, and is the number a value
    if all_there:
        judged[:n] = _VALID
    else:
        for at in range(n):
            judged[at] = _VALID if lengths[at] >= needed else _ABSENT
    if row[_RULED]:
        last_valid = limits[1] if row[_NAMED_FROM] == row[_NAMED_TO] else np.uint64(0)
        for at in range(n):
            if judged[at] == _VALID and (bits[at] > last_valid or row[_NAMED_FROM] != row[_NAMED_TO]):
                judged[at] = _status(bits[at], row, limits, plan.named_raw, plan.named_status)
    # a negative number's sign reaches up to bit 63
    if row[_SIGNED]:
        up = np.uint64(64 - row[_LENGTH])
        for at in range(n):
            bits[at] = np.uint64(np.int64(bits[at] << up) >> np.int64(up))


@compiled(_signature)
def _fold_one(
    slot: Any, n: Any, all_valid: Any, near: Any, plan: Any, taken: Any, state: Any, out: Any, n_out: Any
) -> Any:
    """Fold one signal in n frames into its state; give how many changes have been written by now."""
    t_ns, all_bits, judged, row = near.t_ns, taken.bits, taken.judged, plan.layout[slot]
    count, measure, most_kept = state.counts[slot], state.measures[slot], state.most_kept[slot]
    policy = np.int64(state.policy[slot])
    scale, offset = plan.factors[slot, 0], plan.factors[slot, 1]
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
        # count what each frame holds, and follow the range of the values
        status = np.int64(judged[at])
        if status == _ABSENT:
            n_absent += 1
            continue
        bits = np.int64(all_bits[at])
        if status == _VALID:
            if is_float:
                number = _number(all_bits[at], row, taken.room64, taken.room32)
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
        # a change: of the value, or of what the number means
        if bits == last_bits and last_status >= 0:
            continue
        new = last_status < 0
        status_changed = new or last_status != status
        if not new:
            n_changes += 1
            if status_changed:
                count[_STATUS_CHANGES] += 1
        last_bits, last_status = bits, status
        # of a signal with many values only changes of status are kept; that it has many may show only here
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
        # keep it, if there is room
        if count[_KEPT] >= most_kept:
            count[_LOST] += 1
            count[_LOST_STATUS] += status_changed
            continue
        count[_KEPT] += 1
        count[_KEPT_STATUS] += status_changed
        out.slot[n_out] = slot
        out.t_ns[n_out] = t_ns[at]
        out.bits[n_out] = bits
        out.status[n_out] = status
        out.is_status[n_out] = status_changed
        n_out += 1
    count[_LAST_BITS], count[_LAST_STATUS] = last_bits, last_status
    count[_CHANGES] += n_changes
    count[_BY_STATUS + _ABSENT] += n_absent
    # scale the few numbers that the summary needs; a negative scale turns the range round
    if n_valid:
        first = _number(all_bits[first_valid], row, taken.room64, taken.room32) * scale + offset
        last = _number(all_bits[last_valid], row, taken.room64, taken.room32) * scale + offset
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


@compiled(_signature)
def _gather(n: Any, rows: Any, frames: Any, near: Any) -> Any:
    """Bring the first n rows together; give the shortest payload."""
    least = np.int64(64)
    for at in range(n):
        frame = rows[at]
        near.words[at] = frames.words[frame]
        near.swapped[at] = _swapped(frames.words[frame])
        near.lengths[at] = frames.lengths[frame]
        least = min(least, near.lengths[at])
        near.t_ns[at] = frames.t_ns[frame]
        if len(frames.long_starts):
            near.long_starts[at] = frames.long_starts[frame]
    return least


@compiled(_signature)
def fold_rows(
    stream: Any, done: Any, owner: Any, order: Any, frames: Any, plan: Any, state: Any, out: Any, room: Any
) -> Any:
    """Fold the frames of the streams that `owner` has into their state, until they end or the room for changes does.

    Parameters
    ----------
    stream, done : where to go on: the stream, and how many of its rows are folded
    owner : of `order.owner_of`
    order, frames, plan, state, out : `Order`, `Frames`, `Plan`, `State`, `Out`; the last two are written
    room : `Room`, written

    Returns
    -------
    the stream and its rows folded, to go on from, and how many changes were written
    """
    near, taken, at_once = room.near, room.taken, len(room.near.t_ns)
    bits, judged = taken.bits, taken.judged
    rows, edges, first_slot, layout = order.rows, order.edges, order.first_slot, plan.layout
    selected_bits, selected_absent = room.selected_bits, room.selected_absent
    n_out = 0
    n_streams = len(first_slot) - 1
    while stream < n_streams:
        # the next frames of the stream, or the next stream; one that may overflow the room waits for the next call
        n_signals = first_slot[stream + 1] - first_slot[stream]
        if order.owner_of[stream] != owner or edges[stream] + done >= edges[stream + 1]:
            stream, done = stream + 1, 0
            continue
        n = min(at_once, edges[stream + 1] - edges[stream] - done)
        if n_out + n * n_signals > len(out.slot):
            return stream, done, n_out
        least = _gather(n, rows[edges[stream] + done : edges[stream + 1]], frames, near)
        first = first_slot[stream]
        multiplexed = False
        for slot in range(first, first + n_signals):
            multiplexed = multiplexed or layout[slot, _MULTIPLEXER] >= 0
        # each signal in turn: take it out, ask the multiplexer before it whether it is there, fold it
        for slot in range(first, first + n_signals):
            row = layout[slot]
            all_there = least >= row[_NEEDED]
            _take_out(n, all_there, near, frames.long_bytes, plan, slot, taken)
            if multiplexed:
                selector = row[_MULTIPLEXER]
                for at in range(n):
                    if selector >= 0 and (
                        selected_absent[selector, at] or not _in_branch(row, plan.branches, selected_bits[selector, at])
                    ):
                        judged[at] = _ABSENT
                    selected_bits[slot - first, at] = bits[at]
                    selected_absent[slot - first, at] = judged[at] == _ABSENT
            all_valid = all_there and not multiplexed and not row[_RULED] and not row[_FLOAT]
            n_out = _fold_one(slot, n, all_valid, near, plan, taken, state, out, n_out)
        done += n
    return stream, done, n_out
