"""Reads `.blf` captures: binary objects in compressed containers.

Written from the layout as python-can documents it (its `can/io/blf.py`). A file that was cut off or damaged is read as
far as its containers are whole. The format holds wall-clock time without a zone.

Threads inflate the containers ahead. Of a large capture the objects are parsed by a compiled parser, of a small one by
numpy; both give the same.
"""

import struct
import zlib
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from datetime import datetime
from typing import IO, NamedTuple, TypeAlias, cast

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.formats.blf.objects import BASE, MARK, MOST_OBJECT_BYTES, ObjectGrammar, Walked, parse_objects
from busdoc.capture.formats.files import open_bytes
from busdoc.capture.formats.lines import read_into
from busdoc.capture.formats.stretches import Collector
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import ReadBlock, Reading
from busdoc.errors import InputError
from busdoc.kernels.cores import cores, threads

__all__ = ["read_blf"]

_FILE_HEADER = struct.Struct("<4sL8BQQLL8H")
_CONTAINER = struct.Struct("<H6xL4x")
_CONTAINER_TYPE = 10
_AHEAD = 16
"""Containers that are inflated before they are parsed: of 128 KB each, as nearly every recorder writes them."""
_PARSED_BYTES = 1 << 20
"""Of objects that are parsed at once: several containers, since each call costs as much as a thousand frames."""
_PADDING_BYTES = 256
_BLOCK_ROWS = 1 << 16
_FEW_ROWS = 1 << 10

_Parse: TypeAlias = Callable[[UInt8Array, int, int, int], Walked]


class _Content(NamedTuple):
    """What an object of the file holds, inflated, and what is to be said of it."""

    data: bytes
    warning: str = ""


def read_blf(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.blf` capture's frames in file order.

    Raises
    ------
    InputError : when the file does not begin as one
    """
    block_rows = _BLOCK_ROWS if reading.chunk_bytes is None else _FEW_ROWS
    with open_bytes(reading.file) as file, threads(min(4, cores()), "blf") as pool:
        start_ns = _start_ns(file, reading)
        loading = pool.submit(_load, reading.compiled)
        objects = _Objects(reading, start_ns, loading)
        inflated = _inflated_fast if reading.compiled else _inflated
        for content in _inflated_ahead(file, reading, pool, inflated):
            if content.warning:
                objects.parse()  # what the objects before it tell is told before it
                reading.warn(content.warning)
            objects.add(content.data)
            if objects.n_waiting >= block_rows:
                yield objects.take()
            elif not objects.n_waiting and reading.is_barren():
                break
        objects.parse()
        yield objects.take()


def _load(compiled: bool) -> _Parse:
    if not compiled:
        return parse_objects
    from busdoc.capture.formats.blf.kernel import parse_objects_compiled  # loads LLVM: 30 ms

    return parse_objects_compiled


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


def _inflated_ahead(
    file: IO[bytes], reading: Reading, pool: Executor, inflated: Callable[[bytes], _Content]
) -> Iterator[_Content]:
    """Yield the stream of objects as the containers hold it; an object that stands alone comes as it is."""
    ahead: deque[Future[_Content]] = deque()
    for is_container, content in _contents(file, reading):
        ahead.append(pool.submit(inflated if is_container else _Content, content))
        if len(ahead) > _AHEAD:
            yield ahead.popleft().result()
    while ahead:
        yield ahead.popleft().result()


def _contents(file: IO[bytes], reading: Reading) -> Iterator[tuple[bool, bytes]]:
    """Yield the objects of the file as they are stored, and whether each is a container."""
    while True:
        base = _read(file, reading, BASE.size)
        if len(base) < BASE.size:
            if base.strip(b"\0"):
                reading.warn("it ends in the middle of an object, as after a power cut; all before it is used.")
            return
        mark, _, _, size, kind = BASE.unpack(base)
        if mark != MARK or not BASE.size <= size <= MOST_OBJECT_BYTES:
            reading.warn("it is damaged: where an object should begin stands something else; what was before is used.")
            return
        content = _read(file, reading, size - BASE.size)
        _read(file, reading, size % 4)
        reading.n_bytes += size
        if len(content) < size - BASE.size:
            reading.warn("it ends in the middle of a container, as after a power cut; all before it is used.")
            return
        yield (True, content) if kind == _CONTAINER_TYPE else (False, base + content + bytes(size % 4))


_AS_A_RULE_BYTES = 4 << 20
"""Containers hold less (common practice: 128 kB); more is taken from one that says how much it holds."""


def _inflated(content: bytes) -> _Content:
    """Give what a container holds; nothing, and a warning, when it is damaged."""
    if len(content) < _CONTAINER.size:
        return _Content(b"", "a container is too short to hold anything; it is left out.")
    method, unpacked_size = _CONTAINER.unpack_from(content)
    packed = content[_CONTAINER.size :]
    if method == 0:
        return _Content(packed)
    if method == 2 and unpacked_size <= MOST_OBJECT_BYTES:
        try:
            most = max(unpacked_size, _AS_A_RULE_BYTES)  # whatever it says, one that inflates without end is cut short
            return _Content(zlib.decompressobj().decompress(packed, most))
        except zlib.error:
            pass
    return _Content(b"", "a container is damaged, or packed in a way that is not known; it is left out.")


def _inflated_fast(content: bytes) -> _Content:
    """Give the same by a faster library, which has the last word only where a container is whole."""
    from isal import isal_zlib  # 10 ms

    if len(content) < _CONTAINER.size:
        return _inflated(content)
    method, unpacked_size = _CONTAINER.unpack_from(content)
    if method != 2 or not 0 < unpacked_size <= MOST_OBJECT_BYTES:
        return _inflated(content)
    inflater = isal_zlib.decompressobj()
    damage = cast(type[Exception], isal_zlib.error)  # its stub calls it an object
    try:
        data = inflater.decompress(content[_CONTAINER.size :], unpacked_size)
    except damage:
        return _inflated(content)
    return _Content(data) if inflater.eof and len(data) == unpacked_size else _inflated(content)


class _Objects:
    """Parses the stream of objects; they go across containers, so what is left of one waits for the next."""

    def __init__(self, reading: Reading, start_ns: int, loading: "Future[_Parse]") -> None:
        self._reading = reading
        self._start_ns = start_ns
        self._loading = loading
        self._collector = Collector(reading, ObjectGrammar(start_ns))
        self._tail = b""
        self._added: list[bytes] = []
        self._n_added = 0
        self._n_enough = _PARSED_BYTES if reading.chunk_bytes is None else 1
        self._blocks: list[ReadBlock] = []
        self.n_waiting = 0
        """Frames parsed and not taken."""

    def add(self, content: bytes) -> None:
        """Take what follows in the stream, and parse it once there is enough."""
        self._added.append(content)
        self._n_added += len(content)
        if self._n_added >= self._n_enough:
            self.parse()

    def parse(self) -> None:
        """Parse the objects that are whole now."""
        if not self._added:
            return
        n_bytes = len(self._tail) + self._n_added
        data = np.frombuffer(bytearray().join((self._tail, *self._added, bytes(_PADDING_BYTES))), np.uint8)
        self._added, self._n_added = [], 0
        parse = self._loading.result()
        at = 0
        while True:
            walked = parse(data, at, n_bytes, self._start_ns)
            if walked.damaged:
                self._reading.warn("bytes between objects are damaged; they are stepped over.")
            if walked.stretch.n_lines:
                block = self._collector.collect(walked.stretch)
                self._blocks.append(block)
                self.n_waiting += len(block.frames)
            at = walked.end
            if not walked.more:
                break
        self._tail = data[at:n_bytes].tobytes()

    def take(self) -> ReadBlock:
        """Give what was parsed, in file order."""
        blocks, self._blocks, self.n_waiting = self._blocks, [], 0
        blocks = [block for block in blocks if len(block.frames)]
        if not blocks:
            return ReadBlock(frames=FrameBlock.empty(), first_line=1)
        lines = np.concatenate([block.all_lines() for block in blocks])
        frames = FrameBlock.concat([block.frames for block in blocks])
        return ReadBlock(frames=frames, first_line=int(lines[0]), lines=lines)
