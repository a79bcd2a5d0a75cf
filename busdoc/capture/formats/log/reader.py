"""Reads `.log` captures, straight from bytes.

Two parsers share the work, chosen by size: `busdoc.capture.formats.log.columns` needs nothing but numpy and is at once
there, `busdoc.capture.formats.log.threads` is ten times as fast but takes a third of a second to load. Both give the
same columns, and the same lines skipped with the same words.
"""

import sys
from collections.abc import Iterator

from busdoc.capture.formats.files import open_bytes
from busdoc.capture.formats.lines import two_buffers, whole_lines
from busdoc.capture.formats.log.columns import parse_columns
from busdoc.capture.formats.log.pieces import LogCollector, split_unfinished, unfinished_piece
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["read_log"]

_CHUNK_BYTES = 1 << 20


def read_log(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.log` capture's frames in file order; lines that are no frames are counted in `reading`."""
    if reading.compiled and sys.byteorder == "little":  # the compiled parser takes words as such a processor holds them
        from busdoc.capture.formats.log.threads import read_log_compiled  # loads numba: 0.3 s

        yield from read_log_compiled(reading)
        return
    chunk_bytes = reading.chunk_bytes or _CHUNK_BYTES
    collector = LogCollector(reading)
    with open_bytes(reading.file) as file:
        for chunk in whole_lines(file, reading, chunk_bytes, two_buffers(chunk_bytes)):
            if chunk is None:
                collector.skip_long_line()
                continue
            buffer, n_bytes = chunk
            n_whole, unfinished = split_unfinished(buffer, n_bytes)
            if n_whole:
                yield collector.collect(parse_columns(buffer, n_whole))
            if unfinished:
                yield collector.collect(unfinished_piece(unfinished))
