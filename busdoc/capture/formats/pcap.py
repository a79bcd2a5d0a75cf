"""Reads `.pcap` and `.pcapng` captures of CAN interfaces, as general network tools write them.

Sources: the drafts "PCAP Capture File Format" and "PCAP Next Generation Capture File Format" of the IETF's opsawg, and
the registry of link types: LINKTYPE_CAN_SOCKETCAN (227), LINKTYPE_LINUX_SLL (113) with ARPHRD_CAN. Both byte orders. In
the cooked form the identifier is in the byte order of the file (from memory), else big-endian.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.capture.formats.files import open_bytes
from busdoc.capture.formats.lines import read_into
from busdoc.capture.formats.rows import TOO_MANY_CHANNELS
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, NO_LONG, REMOTE, TRANSMITTED, FrameBlock, LongPayloads
from busdoc.capture.reading import LATEST_NS, ReadBlock, Reading
from busdoc.errors import InputError
from busdoc.times import SECOND_NS

__all__ = ["read_pcap"]

_TICKS_OF_MAGIC = {b"\xa1\xb2\xc3\xd4": 10**6, b"\xa1\xb2\x3c\x4d": SECOND_NS}
_PCAPNG_MAGIC = b"\n\r\r\n"
_SECTION, _INTERFACE, _SIMPLE_PACKET, _PACKET = 0x0A0D0D0A, 1, 3, 6
_NAME, _RESOLUTION, _OFFSET = 2, 9, 14
_SOCKETCAN, _COOKED = 227, 113
_ARPHRD_CAN, _SENT_BY_US = 280, 4
_COOKED_BYTES, _HEAD_BYTES = 16, 8
_FDF_MARK = 0x04
_CHUNK_BYTES = 1 << 20
_MOST_BLOCK_BYTES = 16 << 20
_ODD_RECORD = "a record that is no CAN frame"


@dataclass(slots=True)
class _Interface:
    link: int
    channel: str
    ticks: int = 10**6
    """In a second."""
    offset_ns: int = 0


@dataclass(slots=True)
class _Records:
    """Where the frames of a chunk stand, one entry each."""

    at: list[int] = field(default_factory=list)
    n_bytes: list[int] = field(default_factory=list)
    t_ns: list[int] = field(default_factory=list)
    interface: list[int] = field(default_factory=list)
    number: list[int] = field(default_factory=list)


def read_pcap(reading: Reading) -> Iterator[ReadBlock]:
    """Yield the CAN frames of a network capture in file order; records of other kinds are counted.

    Raises
    ------
    InputError : when the file does not begin as one, or holds no CAN interface
    """
    with open_bytes(reading.file) as file:
        walk = _Walk(reading)
        chunk_bytes = reading.chunk_bytes or _CHUNK_BYTES
        data = b""
        while not reading.is_barren():
            more = _read(file, reading, chunk_bytes)
            data += more
            used = 1
            while used and not walk.is_lost:
                used, records = walk.take(data)
                block = _block(reading, walk, data, records)
                reading.n_frames += len(block.frames)
                if len(block.frames):
                    yield block
                data = data[used:]
            if not more or walk.is_lost:
                break
        if data.strip(b"\0") and not walk.is_lost:
            reading.warn("it ends in the middle of a record, as after a power cut; all before it is used.")


def _read(file: IO[bytes], reading: Reading, n_bytes: int) -> bytes:
    room = bytearray(n_bytes)
    n_read = read_into(file, reading, memoryview(room))
    reading.n_bytes += n_read
    return bytes(memoryview(room)[:n_read])


class _Walk:
    """Goes from record to record; remembers byte order and interfaces."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._number = 0
        self._is_blocks: bool | None = None
        self.order = "<"
        self.interfaces: list[_Interface] = []
        self.is_lost = False
        """Whether a length cannot be, so that the next record is not found."""

    def take(self, data: bytes) -> tuple[int, _Records]:
        """Give how many bytes are whole records, and where their frames stand."""
        records = _Records()
        at = 0
        if self._is_blocks is None:
            if len(data) < 24:
                return 0, records
            self._is_blocks = data.startswith(_PCAPNG_MAGIC)
            at = 0 if self._is_blocks else self._file_header(data)
        try:
            at = self._blocks(data, at, records) if self._is_blocks else self._packets(data, at, records)
        except struct.error:  # a block too short for what it should hold
            self._lose()
        return at, records

    def _lose(self) -> None:
        self.is_lost = True
        self._reading.warn("it is damaged: a record has an impossible length; what was before is used.")

    def _file_header(self, data: bytes) -> int:
        ticks = _TICKS_OF_MAGIC.get(data[:4])
        self.order = ">" if ticks else "<"
        ticks = ticks or _TICKS_OF_MAGIC.get(data[3::-1])
        (link,) = struct.unpack_from(f"{self.order}L", data, 20)
        if ticks is None:
            raise InputError(str(self._reading.file), "a network capture", "another beginning", "Copy it again.")
        self._add(_Interface(link & 0xFFFF, "can0", ticks))
        return 24

    def _packets(self, data: bytes, at: int, records: _Records) -> int:
        head = struct.Struct(f"{self.order}LLLL")
        ticks_ns = SECOND_NS // self.interfaces[0].ticks
        while at + 16 <= len(data):
            seconds, fraction, n_bytes, _ = head.unpack_from(data, at)
            if n_bytes > _MOST_BLOCK_BYTES:
                self._lose()
                break
            if at + 16 + n_bytes > len(data):
                break
            self._note(records, at + 16, n_bytes, seconds * SECOND_NS + fraction * ticks_ns, 0)
            at += 16 + n_bytes
        return at

    def _note(self, records: _Records, at: int, n_bytes: int, t_ns: int, interface: int) -> None:
        self._number += 1
        records.at.append(at)
        records.n_bytes.append(n_bytes)
        records.t_ns.append(min(t_ns, LATEST_NS + 1))
        records.interface.append(interface)
        records.number.append(self._number)

    def _blocks(self, data: bytes, at: int, records: _Records) -> int:
        while at + 12 <= len(data):
            if data.startswith(_PCAPNG_MAGIC, at):  # a section begins, perhaps in the other byte order
                if records.at:
                    return at  # what was found so far is read by the order and the interfaces that held for it
                self.order = ">" if data[at + 8 : at + 12] == b"\x1a\x2b\x3c\x4d" else "<"
                self.interfaces.clear()
            kind, n_bytes = struct.unpack_from(f"{self.order}LL", data, at)
            if n_bytes < 12 or n_bytes % 4 or n_bytes > _MOST_BLOCK_BYTES:
                self._lose()
                return at
            if at + n_bytes > len(data):
                break
            body = at + 8
            if kind == _INTERFACE:
                self._interface(data[body : at + n_bytes - 4])
            elif kind == _PACKET:
                which, high, low, n_kept, _ = struct.unpack_from(f"{self.order}LLLLL", data, body)
                if which < len(self.interfaces) and n_kept <= n_bytes - 32:
                    one = self.interfaces[which]
                    t_ns = (high << 32 | low) * SECOND_NS // one.ticks + one.offset_ns
                    self._note(records, body + 20, n_kept, t_ns, which)
                else:
                    self._number += 1
                    self._reading.skip(self._number, "a record of no interface, or longer than its block")
            elif kind == _SIMPLE_PACKET:
                self._number += 1
                self._reading.skip(self._number, "a record without a time")
            at += n_bytes
        return at

    def _interface(self, body: bytes) -> None:
        link, _, _ = struct.unpack_from(f"{self.order}HHL", body)
        one = _Interface(link, f"can{len(self.interfaces)}")
        at = 8
        while at + 4 <= len(body):
            code, n_bytes = struct.unpack_from(f"{self.order}HH", body, at)
            value = body[at + 4 : at + 4 + n_bytes]
            if code == _NAME and value:
                one.channel = value.decode("utf-8", "replace").rstrip("\0")[:32]
            elif code == _RESOLUTION and value:
                one.ticks = 1 << min(value[0] & 0x7F, 63) if value[0] & 0x80 else 10 ** min(value[0], 18)
            elif code == _OFFSET and len(value) == 8:
                one.offset_ns = max(-LATEST_NS, min(struct.unpack(f"{self.order}q", value)[0] * SECOND_NS, LATEST_NS))
            elif code == 0:
                break
            at += 4 + (n_bytes + 3) // 4 * 4
        self._add(one)

    def _add(self, one: _Interface) -> None:
        self.interfaces.append(one)
        if one.link not in (_SOCKETCAN, _COOKED):
            self._reading.warn(f"it has an interface that is not CAN (link type {one.link}), which is left out.")


def _block(reading: Reading, walk: _Walk, data: bytes, records: _Records) -> ReadBlock:
    """Read the frames of a chunk by whole columns."""
    if not records.at:
        return ReadBlock(frames=FrameBlock.empty(), first_line=1)
    text = np.frombuffer(data + bytes(_COOKED_BYTES + _HEAD_BYTES + 64), np.uint8)
    at, n_bytes = np.array(records.at, np.int64), np.array(records.n_bytes, np.int64)
    t_ns, number = np.array(records.t_ns, np.int64), np.array(records.number, np.int64)
    which = np.array(records.interface, np.int64)
    link = np.array([one.link for one in walk.interfaces], np.int64)[which]
    # over the cooked head, which says what the frame is and who sent it
    is_cooked = link == _COOKED
    kind = _word(text, at + 2, 2)
    good = (link == _SOCKETCAN) | (is_cooked & (kind == _ARPHRD_CAN))
    is_sent = is_cooked & (_word(text, at, 2) == _SENT_BY_US)
    at = at + np.where(is_cooked, _COOKED_BYTES, 0)
    n_bytes = n_bytes - np.where(is_cooked, _COOKED_BYTES, 0)
    # the frame's own head
    word = _word(text, at, 4)
    if walk.order == "<":
        word = np.where(is_cooked, _word(text, at, 4, little=True), word)
    length, marks = text[at + 4].astype(np.int64), text[at + 5].astype(np.int64)
    is_fd = (marks & _FDF_MARK != 0) | (length > 8)
    is_error, is_remote = word & 0x20000000 != 0, word & 0x40000000 != 0
    flags = np.where(word & 0x80000000 != 0, EXTENDED, 0) | np.where(is_remote, REMOTE, 0)
    flags |= np.where(is_fd, FD | np.where(marks & 1, BRS, 0) | np.where(marks & 2, ESI, 0), 0)
    flags = np.where(is_error, ERROR, flags) | np.where(is_sent, TRANSMITTED, 0)
    id_ = word & 0x1FFFFFFF
    good &= (n_bytes >= _HEAD_BYTES) & (length <= 64) & (np.abs(t_ns) <= LATEST_NS)
    good &= is_remote | (n_bytes - _HEAD_BYTES >= length)  # else the capture kept only its beginning
    good &= is_error | (flags & EXTENDED != 0) | (id_ <= 0x7FF)
    length = np.where(is_remote, np.minimum(length, 8), length)
    # channels by their first frame
    channel = np.zeros(len(at), np.int64)
    for one in dict.fromkeys(which[good].tolist()):
        own = reading.channel(walk.interfaces[one].channel)
        channel[which == one] = -1 if own is None else own
    for row in np.flatnonzero(~good | (channel < 0)):
        reading.skip(int(number[row]), _ODD_RECORD if not good[row] else TOO_MANY_CHANNELS)
    kept = np.flatnonzero(good & (channel >= 0))
    payload = text[(at[kept] + _HEAD_BYTES)[:, None] + np.arange(64)] if len(kept) else np.zeros((0, 64), np.uint8)
    n_payload = np.where(is_remote, 0, length)[kept]
    payload = np.where(np.arange(64) < n_payload[:, None], payload, 0).astype(np.uint8)
    frames = FrameBlock(
        t_ns=t_ns[kept],
        channel=channel[kept].astype(np.uint8),
        id=id_[kept].astype(np.uint32),
        flags=flags[kept].astype(np.uint16),
        length=length[kept].astype(np.uint8),
        data=np.ascontiguousarray(payload[:, :8]),
        long=_long(payload, n_payload),
    )
    return ReadBlock(frames=frames, first_line=int(number[0]), lines=number[kept])


def _word(text: UInt8Array, at: Int64Array, n_bytes: int, *, little: bool = False) -> Int64Array:
    """Read a number of so many bytes at each place."""
    number = np.zeros(len(at), np.int64)
    for k in range(n_bytes):
        number = number << 8 | text[at + (n_bytes - 1 - k if little else k)]
    return number


def _long(payload: UInt8Array, n_payload: Int64Array) -> LongPayloads:
    row = np.flatnonzero(n_payload > 8)
    if not len(row):
        return NO_LONG
    n_bytes = n_payload[row]
    start = np.concatenate((np.zeros(1, np.int64), np.cumsum(n_bytes)))
    return LongPayloads(row=row, start=start, bytes=payload[row][np.arange(64) < n_bytes[:, None]])
