"""The objects of a `.blf` capture: the grammar of one, and the parser in numpy of a stretch of them.

Written from the layout as python-can documents it (its `can/io/blf.py`).
"""

import struct
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array
from busdoc.capture.error_frame import bus_error, bus_error_of_code, linux_class
from busdoc.capture.formats.grammar import Parsed
from busdoc.capture.formats.rows import TIME_OUT_OF_RANGE, FrameLine
from busdoc.capture.formats.stretches import Stretch
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, LENGTH_OF_CODE, REMOTE, TRANSMITTED, FrameBlock
from busdoc.capture.reading import LATEST_NS, MOST_CHANNELS

__all__ = [
    "BASE",
    "EXTENDED_BIT",
    "ID_MASK",
    "LAYOUTS",
    "MARK",
    "MOST_OBJECT_BYTES",
    "ObjectGrammar",
    "Walked",
    "parse_objects",
]

BASE = struct.Struct("<4sHHLL")
"""Mark, size of the header, its version, size of the object, kind."""
_TIME_1 = struct.Struct("<LHHq")
_TIME_2 = struct.Struct("<LBxHqQ")
_CLASSICAL = struct.Struct("<HBBL8s")
_FD = struct.Struct("<HBBLLBBB5x64s")
_FD_64 = struct.Struct("<BBBBLLLLLLLHBBL")
_ERROR = struct.Struct("<HH")
_ERROR_EXT = struct.Struct("<HHLBBBxLLH2x8s")

_PLAIN = np.dtype(
    [
        ("base", "V16"),
        ("clock", "<u4"),
        ("client", "<u2"),
        ("version", "<u2"),
        ("t", "<i8"),
        ("channel", "<u2"),
        ("marks", "u1"),
        ("code", "u1"),
        ("id", "<u4"),
        ("data", "u1", 8),
    ]
)
"""A classical frame whole, as nearly every recorder writes it."""

MARK = b"LOBJ"
_TEN_MICROSECONDS = 1
MOST_OBJECT_BYTES = 64 << 20
EXTENDED_BIT = 0x80000000
ID_MASK = 0x1FFFFFFF


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Walked:
    """What became of a stretch of objects."""

    stretch: Stretch
    end: int
    """Where what was not parsed begins."""
    more: bool = False
    """Whether there are more whole objects there, for which the parser had no room."""
    damaged: bool
    """Whether bytes that belong to no object were stepped over."""


class ObjectGrammar:
    """Reads one object that is a frame.

    Parameters
    ----------
    start_ns : what times count from
    """

    layout: tuple[object, ...] | None = ()

    def __init__(self, start_ns: int) -> None:
        self.start_ns = start_ns

    def follow(self, t_ns: Int64Array) -> BoolArray | None:
        """Nothing that later objects depend on."""

    def read(self, line: bytes) -> Parsed:
        """Read a whole object; None for one that is no frame."""
        _, _, version, _, kind = BASE.unpack_from(line)
        layout = LAYOUTS.get(kind)
        if layout is None:
            return None
        try:
            time = _TIME_1 if version == 1 else _TIME_2
            clock = time.unpack_from(line, BASE.size)
            t_ns = clock[3] * (10_000 if clock[0] == _TEN_MICROSECONDS else 1) + self.start_ns
            if abs(t_ns) > LATEST_NS:
                return TIME_OUT_OF_RANGE
            return layout(t_ns, line, BASE.size + time.size)
        except (struct.error, IndexError):
            return "an object that is too short"


def parse_objects(buffer: UInt8Array, start: int, stop: int, start_ns: int) -> Walked:
    """Parse the objects that are whole; one after the other, the classical frames of the usual layout by columns."""
    data = buffer[start:stop].tobytes()
    at, number, damaged = 0, 0, False
    plain_at: list[int] = []
    plain_number: list[int] = []
    odd: list[tuple[int, bytes]] = []
    while True:
        found = data.find(MARK, at)
        if found < 0:
            at = max(at, len(data) - 3)
            break
        damaged = damaged or found - at > 8
        at = found
        if len(data) - at < BASE.size:
            break
        _, _, version, size, kind = BASE.unpack_from(data, at)
        if not BASE.size <= size <= MOST_OBJECT_BYTES:
            at += len(MARK)
            continue
        if at + size > len(data):
            break
        if size == _PLAIN.itemsize and version == 1 and kind in (1, 86):
            plain_at.append(at)
            plain_number.append(number)
        elif kind in LAYOUTS:
            odd.append((number, data[at : at + size]))
        number += 1
        at += size
    frames, kept, names, not_plain = _plain(
        data, np.array(plain_at, np.int64), np.array(plain_number, np.int64), start_ns
    )
    stretch = Stretch(frames=frames, line_of_row=kept, names=names, odd=sorted(odd + not_plain), n_lines=number)
    return Walked(stretch=stretch, end=start + at, damaged=damaged)


def _plain(
    data: bytes, at: Int64Array, number: Int64Array, start_ns: int
) -> tuple[FrameBlock, Int64Array, list[tuple[int, str]], list[tuple[int, bytes]]]:
    """Take classical frames of the usual layout by whole columns: they are nearly all of a capture.

    Returns
    -------
    The frames, the number of each, their channels as in `Stretch`, and the objects that are none after all
    """
    whole = np.frombuffer(data, np.uint8)[at[:, None] + np.arange(_PLAIN.itemsize)].view(_PLAIN)[:, 0]
    unit_ns = np.where(whole["clock"] == _TEN_MICROSECONDS, 10_000, 1)
    good = np.abs(whole["t"]) <= LATEST_NS // unit_ns - abs(start_ns) // unit_ns
    # channels by their first frame
    raw, first_row, which = np.unique(whole["channel"], return_index=True, return_inverse=True)
    by_row = np.argsort(first_row)
    own = np.empty(len(raw), np.int64)
    own[by_row] = np.arange(len(raw))
    channel = own[which.ravel()]
    good &= channel < MOST_CHANNELS
    odd = [(int(number[row]), data[at[row] : at[row] + _PLAIN.itemsize]) for row in np.flatnonzero(~good)]
    whole, channel, number = whole[good], channel[good], number[good]
    met, first_row = np.unique(channel, return_index=True)
    names = [(0, "")] * int(met.max() + 1 if len(met) else 0)
    for own_number, row in zip(met.tolist(), first_row.tolist(), strict=True):
        names[own_number] = (row, channel_name(int(whole["channel"][row])))
    id_ = whole["id"] & ID_MASK
    flags = np.where((whole["id"] & EXTENDED_BIT != 0) | (id_ > 0x7FF), EXTENDED, 0)
    is_remote = whole["marks"] & 0x80 != 0
    flags |= np.where(whole["marks"] & 0x01, TRANSMITTED, 0) | np.where(is_remote, REMOTE, 0)
    length = np.minimum(whole["code"], 8)
    payload = whole["data"].copy()
    payload[np.arange(8) >= np.where(is_remote, 0, length)[:, None]] = 0
    frames = FrameBlock(
        t_ns=whole["t"] * unit_ns[good] + start_ns,
        channel=channel.astype(np.uint8),
        id=id_.astype(np.uint32),
        flags=flags.astype(np.uint16),
        length=length.astype(np.uint8),
        data=payload,
    )
    return frames, number, names, odd


def channel_name(number: int) -> str:
    """Name a channel; the format counts from 1."""
    return str(number - 1)


def _frame(t_ns: int, channel: int, id_: int, flags: int, length: int, payload: bytes) -> FrameLine:
    is_extended = id_ & EXTENDED_BIT or id_ & ID_MASK > 0x7FF  # what does not fit 11 bits cannot be such
    flags |= EXTENDED if is_extended else 0
    id_ &= ID_MASK
    if flags & REMOTE:
        return FrameLine(t_ns, channel_name(channel), id_, flags, min(length, 8), b"")
    return FrameLine(t_ns, channel_name(channel), id_, flags, length, payload[:length])


def _classical(t_ns: int, data: bytes, at: int) -> FrameLine:
    channel, marks, code, id_, payload = _CLASSICAL.unpack_from(data, at)
    flags = (TRANSMITTED if marks & 0x01 else 0) | (REMOTE if marks & 0x80 else 0)
    return _frame(t_ns, channel, id_, flags, min(code, 8), payload)


def _fd(t_ns: int, data: bytes, at: int) -> FrameLine:
    channel, marks, code, id_, _, _, fd_marks, n_valid, payload = _FD.unpack_from(data, at)
    flags = (TRANSMITTED if marks & 0x01 else 0) | (REMOTE if marks & 0x80 else 0)
    flags |= (FD if fd_marks & 1 else 0) | (BRS if fd_marks & 2 else 0) | (ESI if fd_marks & 4 else 0)
    return _frame(t_ns, channel, id_, flags, _length(code, flags), payload[:n_valid])


def _fd_64(t_ns: int, data: bytes, at: int) -> FrameLine:
    channel, code, n_valid, _, id_, _, marks, *_, direction, extra_at, _ = _FD_64.unpack_from(data, at)
    flags = (REMOTE if marks & 0x10 else 0) | (TRANSMITTED if direction else 0)
    flags |= (FD if marks & 0x1000 else 0) | (BRS if marks & 0x2000 else 0) | (ESI if marks & 0x4000 else 0)
    first = at + _FD_64.size
    payload = data[first : min(first + n_valid, extra_at or len(data))]
    return _frame(t_ns, channel, id_, flags, _length(code, flags), payload)


def _length(code: int, flags: int) -> int:
    length = LENGTH_OF_CODE[min(code, 15)]
    return length if flags & FD else min(length, 8)


def _error(t_ns: int, data: bytes, at: int) -> FrameLine:
    channel, _ = _ERROR.unpack_from(data, at)
    class_bits, detail = bus_error()
    return FrameLine(t_ns, channel_name(channel), class_bits, ERROR, 8, detail)


def _error_ext(t_ns: int, data: bytes, at: int) -> FrameLine:
    channel, _, marks, code, position, _, _, id_, _, payload = _ERROR_EXT.unpack_from(data, at)
    is_described = marks or code or position  # where not, python-can keeps class bits in the identifier
    class_bits, detail = bus_error_of_code(code) if is_described else linux_class(id_ & ID_MASK, payload)
    return FrameLine(t_ns, channel_name(channel), class_bits, ERROR, 8, detail)


LAYOUTS = {1: _classical, 86: _classical, 100: _fd, 101: _fd_64, 2: _error, 73: _error_ext}
"""How each type of object that is a frame is laid out; all others are stepped over."""
