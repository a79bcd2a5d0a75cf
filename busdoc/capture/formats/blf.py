"""Reads `.blf` captures: binary objects in compressed containers.

Written from the layout as python-can documents it (its `can/io/blf.py`). A file that was cut off or damaged is read as
far as its containers are whole. The format holds wall-clock time without a zone.
"""

import struct
import zlib
from collections.abc import Iterator
from datetime import datetime
from typing import IO

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.error_frame import bus_error, bus_error_of_code, linux_class
from busdoc.capture.formats.files import open_bytes
from busdoc.capture.formats.lines import read_into
from busdoc.capture.formats.rows import FrameLine, FrameRows, judge_line
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, LENGTH_OF_CODE, REMOTE, TRANSMITTED, FrameBlock
from busdoc.capture.reading import LATEST_NS, ReadBlock, Reading
from busdoc.errors import InputError

__all__ = ["read_blf"]

_FILE_HEADER = struct.Struct("<4sL8BQQLL8H")
_BASE = struct.Struct("<4sHHLL")
_CONTAINER = struct.Struct("<H6xL4x")
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

_MARK = b"LOBJ"
_CONTAINER_TYPE = 10
_TEN_MICROSECONDS = 1
_MOST_OBJECT_BYTES = 64 << 20
_EXTENDED_BIT = 0x80000000
_ID_MASK = 0x1FFFFFFF
_BLOCK_ROWS = 1 << 16
_FEW_ROWS = 1 << 10


def read_blf(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.blf` capture's frames in file order.

    Raises
    ------
    InputError : when the file does not begin as one
    """
    block_rows = _BLOCK_ROWS if reading.chunk_bytes is None else _FEW_ROWS
    with open_bytes(reading.file) as file:
        objects = _Objects(reading, _start_ns(file, reading))
        for content in _contents(file, reading):
            objects.parse(content)
            if objects.n_waiting >= block_rows:
                yield objects.take()
            elif not objects.n_waiting and reading.is_barren():
                break
        yield objects.take()


def _read(file: IO[bytes], reading: Reading, n_bytes: int) -> bytes:
    piece = bytearray(n_bytes)
    return bytes(memoryview(piece)[: read_into(file, reading, memoryview(piece))])


def _start_ns(file: IO[bytes], reading: Reading) -> int:
    """Read the file header; give the Unix time that object times count from, 0 where there is no date."""
    header = _read(file, reading, _FILE_HEADER.size)
    if len(header) < _FILE_HEADER.size or not header.startswith(b"LOGG"):
        raise InputError(str(reading.file), "a .blf capture", "a file that ends in its header", "Copy it again.")
    fields = _FILE_HEADER.unpack(header)
    _read(file, reading, min(max(0, fields[1] - _FILE_HEADER.size), 1 << 16))
    year, month, _, day, hour, minute, second, milli = fields[14:22]
    if not year:
        return 0
    try:
        return reading.unix_ns(datetime(year, month, day, hour, minute, second)) + int(milli) * 1_000_000
    except (ValueError, OverflowError):
        reading.warn("its start time is no date; times count from the start of the file.")
        return 0


def _contents(file: IO[bytes], reading: Reading) -> Iterator[bytes]:
    """Yield the stream of objects as the containers hold it; an object that stands alone comes as it is."""
    while True:
        base = _read(file, reading, _BASE.size)
        if len(base) < _BASE.size:
            if base.strip(b"\0"):
                reading.warn("it ends in the middle of an object, as after a power cut; all before it is used.")
            return
        mark, _, _, size, kind = _BASE.unpack(base)
        if mark != _MARK or not _BASE.size <= size <= _MOST_OBJECT_BYTES:
            reading.warn("it is damaged: where an object should begin stands something else; what was before is used.")
            return
        content = _read(file, reading, size - _BASE.size)
        _read(file, reading, size % 4)
        reading.n_bytes += size
        if len(content) < size - _BASE.size:
            reading.warn("it ends in the middle of a container, as after a power cut; all before it is used.")
            return
        if kind != _CONTAINER_TYPE:
            yield base + content + bytes(size % 4)
            continue
        yield _inflated(content, reading)


def _inflated(content: bytes, reading: Reading) -> bytes:
    """Give what a container holds; nothing, and a warning, when it is damaged."""
    if len(content) < _CONTAINER.size:
        reading.warn("a container is too short to hold anything; it is left out.")
        return b""
    method, unpacked_size = _CONTAINER.unpack_from(content)
    packed = content[_CONTAINER.size :]
    if method == 0:
        return packed
    if method == 2 and unpacked_size <= _MOST_OBJECT_BYTES:
        try:
            return zlib.decompressobj().decompress(packed, _MOST_OBJECT_BYTES)
        except zlib.error:
            pass
    reading.warn("a container is damaged, or packed in a way that is not known; it is left out.")
    return b""


class _Objects:
    """Parses the stream of objects; they go across containers, so what is left of one waits for the next."""

    def __init__(self, reading: Reading, start_ns: int) -> None:
        self._reading = reading
        self._start_ns = start_ns
        self._tail = b""
        self._number = 0
        self._rows = FrameRows()
        self._columns: list[ReadBlock] = []
        self.n_waiting = 0
        """Frames parsed and not taken."""

    def parse(self, content: bytes) -> None:
        """Parse the objects that are whole now."""
        data = self._tail + content
        at = 0
        plain_at: list[int] = []
        plain_number: list[int] = []
        while True:
            found = data.find(_MARK, at)
            if found < 0:
                self._tail = data[max(at, len(data) - 3) :]
                break
            if found - at > 8:
                self._reading.warn("bytes between objects are damaged; they are stepped over.")
            at = found
            if len(data) - at < _BASE.size:
                self._tail = data[at:]
                break
            _, _, version, size, kind = _BASE.unpack_from(data, at)
            if not _BASE.size <= size <= _MOST_OBJECT_BYTES:
                at += len(_MARK)
                continue
            if at + size > len(data):
                self._tail = data[at:]
                break
            self._number += 1
            if size == _PLAIN.itemsize and version == 1 and kind in (1, 86):
                plain_at.append(at)
                plain_number.append(self._number)
            else:
                self._judge(kind, version, data[at : at + size])
            at += size
        if plain_at:
            self._plain(data, np.array(plain_at, np.int64), np.array(plain_number, np.int64))
        self.n_waiting = len(self._rows) + sum(len(block.frames) for block in self._columns)

    def take(self) -> ReadBlock:
        """Give what was parsed, in file order."""
        block = self._rows.take()
        for columns in self._columns:
            block = ReadBlock.join(block, columns)
        lines = block.all_lines()
        if self._columns and len(lines):
            order = np.argsort(lines, kind="stable")
            block = ReadBlock(frames=block.frames.take(order), first_line=int(lines[order[0]]), lines=lines[order])
        self._columns = []
        self.n_waiting = 0
        self._reading.n_frames += len(block.frames)
        return block

    def _plain(self, data: bytes, at: Int64Array, number: Int64Array) -> None:
        """Take classical frames of the usual layout by whole columns: they are nearly all of a capture."""
        whole = np.frombuffer(data, np.uint8)[at[:, None] + np.arange(_PLAIN.itemsize)].view(_PLAIN)[:, 0]
        unit_ns = np.where(whole["clock"] == _TEN_MICROSECONDS, 10_000, 1)
        is_odd = np.abs(whole["t"]) > LATEST_NS // unit_ns - abs(self._start_ns) // unit_ns
        channel = np.zeros(len(at), np.int64)
        for stored in np.unique(whole["channel"]).tolist():
            own = self._reading.channel(_channel(stored))
            here = whole["channel"] == stored
            channel[here] = 0 if own is None else own
            is_odd |= here & (own is None)
        id_ = whole["id"] & _ID_MASK
        flags = np.where((whole["id"] & _EXTENDED_BIT != 0) | (id_ > 0x7FF), EXTENDED, 0)
        is_remote = whole["marks"] & 0x80 != 0
        flags |= np.where(whole["marks"] & 0x01, TRANSMITTED, 0) | np.where(is_remote, REMOTE, 0)
        length = np.minimum(whole["code"], 8)
        payload = whole["data"].copy()
        payload[np.arange(8) >= np.where(is_remote, 0, length)[:, None]] = 0
        columns = FrameBlock(
            t_ns=whole["t"] * unit_ns + self._start_ns,
            channel=channel.astype(np.uint8),
            id=id_.astype(np.uint32),
            flags=flags.astype(np.uint16),
            length=length.astype(np.uint8),
            data=payload,
        )
        for row in np.flatnonzero(is_odd):
            self._judge(1, 1, whole[row].tobytes())
        kept = columns.take(~is_odd) if is_odd.any() else columns
        self._columns.append(ReadBlock(frames=kept, first_line=1, lines=number[~is_odd]))

    def _judge(self, kind: int, version: int, data: bytes) -> None:
        layout = _LAYOUTS.get(kind)
        if layout is None:
            return
        try:
            time = _TIME_1 if version == 1 else _TIME_2
            clock = time.unpack_from(data, _BASE.size)
            t_ns = clock[3] * (10_000 if clock[0] == _TEN_MICROSECONDS else 1)
            t_ns += self._start_ns
            parsed: FrameLine | str = "a time out of range"
            if abs(t_ns) <= LATEST_NS:
                parsed = layout(t_ns, data, _BASE.size + time.size)
        except (struct.error, IndexError):
            parsed = "an object that is too short"
        judge_line(self._reading, self._rows, self._number, b"", parsed, last=False)


def _channel(number: int) -> str:
    """Name a channel; the format counts from 1."""
    return str(number - 1)


def _frame(t_ns: int, channel: int, id_: int, flags: int, length: int, payload: bytes) -> FrameLine:
    is_extended = id_ & _EXTENDED_BIT or id_ & _ID_MASK > 0x7FF  # what does not fit 11 bits cannot be such
    flags |= EXTENDED if is_extended else 0
    id_ &= _ID_MASK
    if flags & REMOTE:
        return FrameLine(t_ns, _channel(channel), id_, flags, min(length, 8), b"")
    return FrameLine(t_ns, _channel(channel), id_, flags, length, payload[:length])


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
    return FrameLine(t_ns, _channel(channel), class_bits, ERROR, 8, detail)


def _error_ext(t_ns: int, data: bytes, at: int) -> FrameLine:
    channel, _, marks, code, position, _, _, id_, _, payload = _ERROR_EXT.unpack_from(data, at)
    is_described = marks or code or position  # where not, python-can keeps class bits in the identifier
    class_bits, detail = bus_error_of_code(code) if is_described else linux_class(id_ & _ID_MASK, payload)
    return FrameLine(t_ns, _channel(channel), class_bits, ERROR, 8, detail)


_LAYOUTS = {1: _classical, 86: _classical, 100: _fd, 101: _fd_64, 2: _error, 73: _error_ext}
"""How each type of object that is a frame is laid out; all others are stepped over."""
