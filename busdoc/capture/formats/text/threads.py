"""Reads large text captures: threads run a compiled parser ahead of whoever takes the blocks."""

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.formats.files import open_bytes
from busdoc.capture.formats.grammar import Grammar
from busdoc.capture.formats.lines import new_buffer, whole_lines
from busdoc.capture.formats.stretches import Collector, Stretch, split_unfinished, unfinished_stretch
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import ReadBlock, Reading
from busdoc.kernels.cores import cores, threads

__all__ = ["Parse", "read_text_compiled"]

_CHUNK_BYTES = 4 << 20
_LINES_AT_A_TIME = 256
"""Lines of a header, or of a layout that the compiled parser does not know, that go to the grammar at once."""
_LOOK_BYTES = 1 << 16
_MOST_CHANGES = 16
"""A file that changes its layout more often than this within a chunk is read line by line for the rest of it."""

Parse: TypeAlias = Callable[[UInt8Array, int, int, tuple[object, ...]], tuple[Stretch, int]]
"""Parses whole lines of a buffer from one offset to another under a layout; gives a piece, and how far it came."""


@dataclass(slots=True)
class _Ahead:
    buffer: UInt8Array
    n_whole: int
    unfinished: bytes
    layout: tuple[object, ...] | None
    pieces: "Future[list[Stretch]] | None"
    has_head: bool
    """Whether the file's first lines stand in it, which a grammar reads better than a parser that knows no header."""


def read_text_compiled(reading: Reading, grammar: Grammar, load: Callable[[], Parse]) -> Iterator[ReadBlock]:
    """Yield a capture's frames in file order; the same blocks' content as from the grammar line by line.

    Parameters
    ----------
    load : gives the compiled parser; called in a thread while the first piece is read
    """
    chunk_bytes = reading.chunk_bytes or _CHUNK_BYTES
    spare: list[UInt8Array] = []

    def next_buffer() -> UInt8Array:
        return spare.pop() if spare else new_buffer(chunk_bytes)

    n_threads = max(1, min(4, cores()))
    collector = Collector(reading, grammar)
    ahead: deque[_Ahead | None] = deque()
    with open_bytes(reading.file) as file, threads(n_threads, "text") as pool:
        loading = pool.submit(load)

        def collect_next() -> Iterator[ReadBlock]:
            made = ahead.popleft()
            if made is None:
                collector.skip_long_line()
                return
            yield from _collected(made, grammar, collector, loading)
            spare.append(made.buffer)

        is_first = True
        for chunk in whole_lines(file, reading, chunk_bytes, next_buffer):
            if chunk is None:
                ahead.append(None)
            else:
                buffer, n_bytes = chunk
                n_whole, unfinished = split_unfinished(buffer, n_bytes)
                layout = grammar.layout
                pieces = None
                if layout is not None and n_whole and not is_first:
                    pieces = pool.submit(_parse_whole, loading, buffer, n_whole, layout)
                ahead.append(_Ahead(buffer, n_whole, unfinished, layout, pieces, has_head=is_first))
            while len(ahead) > (0 if is_first else n_threads):  # the header says how all that follows is to be read
                yield from collect_next()
            is_first = False
        while ahead:
            yield from collect_next()


def _parse_whole(
    loading: "Future[Parse]", buffer: UInt8Array, n_whole: int, layout: tuple[object, ...]
) -> list[Stretch]:
    parse = loading.result()
    pieces = []
    start = 0
    while start < n_whole:
        piece, start = parse(buffer, start, n_whole, layout)
        pieces.append(piece)
    return pieces


def _collected(made: _Ahead, grammar: Grammar, collector: Collector, loading: "Future[Parse]") -> Iterator[ReadBlock]:
    """Collect a chunk; what was parsed under a layout that no longer holds is parsed anew."""
    ready = deque([] if made.pieces is None else made.pieces.result())
    layout = made.layout
    start, n_changes = 0, 0
    if made.has_head and made.n_whole:
        piece, start = _lines_as_they_are(made.buffer, 0, made.n_whole)
        yield collector.collect(piece)
        start = start if collector.cut_at is None else collector.cut_at
    while start < made.n_whole:
        if grammar.layout != layout:
            ready.clear()
            layout = grammar.layout
            n_changes += 1
        if ready:
            piece, end = ready.popleft(), None
        elif layout is None or n_changes > _MOST_CHANGES:
            piece, end = _lines_as_they_are(made.buffer, start, made.n_whole)
        else:
            piece, end = loading.result()(made.buffer, start, made.n_whole, layout)
        yield collector.collect(piece)
        if collector.cut_at is not None:
            start = collector.cut_at
            ready.clear()
        elif end is not None:
            start = end
        elif not ready:
            start = made.n_whole
    if made.unfinished:
        yield collector.collect(unfinished_stretch(made.unfinished))


def _lines_as_they_are(buffer: UInt8Array, start: int, stop: int) -> tuple[Stretch, int]:
    """Give a few lines as a piece in which every one of them is odd, and where they end."""
    n_looked = _LOOK_BYTES
    newline = np.flatnonzero(buffer[start : min(stop, start + n_looked)] == ord("\n"))
    while not len(newline):
        n_looked *= 2
        newline = np.flatnonzero(buffer[start : min(stop, start + n_looked)] == ord("\n"))
    ends = (newline[:_LINES_AT_A_TIME] + start + 1).tolist()
    odd = []
    first = start
    for line, end in enumerate(ends):
        odd.append((line, buffer[first : end - 1].tobytes()))
        first = end
    empty = FrameBlock.empty()
    no_rows = np.empty(0, np.int64)
    return Stretch(frames=empty, line_of_row=no_rows, names=[], odd=odd, odd_ends=ends, n_lines=len(ends)), ends[-1]
