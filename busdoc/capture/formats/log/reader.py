"""Reads `.log` captures, straight from bytes.

Two parsers share the work, chosen by size: `busdoc.capture.formats.log.columns` needs nothing but numpy and is at once
there, `busdoc.capture.formats.log.kernel` is ten times as fast but takes a third of a second to load. Both give the
same columns, and the same lines skipped with the same words.
"""

import sys
from collections.abc import Iterator

from busdoc.capture.formats.files import open_bytes
from busdoc.capture.formats.grammar import ByLine
from busdoc.capture.formats.lines import two_buffers, whole_lines
from busdoc.capture.formats.log.columns import parse_columns
from busdoc.capture.formats.log.line import parse_line
from busdoc.capture.formats.stretches import Collector, split_unfinished, unfinished_stretch
from busdoc.capture.formats.text.threads import Parse, read_text_compiled
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["read_log"]

_CHUNK_BYTES = 1 << 20


def read_log(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.log` capture's frames in file order; lines that are no frames are counted in `reading`."""
    if reading.compiled and sys.byteorder == "little":  # the compiled parser takes words as such a processor holds them
        yield from read_text_compiled(reading, ByLine(parse_line), _load)
        return
    chunk_bytes = reading.chunk_bytes or _CHUNK_BYTES
    collector = Collector(reading, ByLine(parse_line))
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
                yield collector.collect(unfinished_stretch(unfinished))


def _load() -> Parse:
    from busdoc.capture.formats.log.kernel import parse_log  # loads LLVM: 30 ms

    return parse_log
