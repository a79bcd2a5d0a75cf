"""Reads a text line by line, by its grammar alone."""

from collections.abc import Callable, Iterator
from functools import partial

from busdoc.capture.formats.grammar import ByLine, Grammar, Parsed
from busdoc.capture.formats.lines import LONG_LINE, MOST_LINE_BYTES, numbered_lines
from busdoc.capture.formats.rows import FrameLine, FrameRows, judge_line
from busdoc.capture.reading import ReadBlock, Reading

__all__ = ["frames_of_grammar", "frames_of_lines", "read_text"]

_BOM = b"\xef\xbb\xbf"
"""An editor's mark before the first line."""
_BLOCK_ROWS = 1 << 16
_FEW_ROWS = 1 << 10
"""Where only the beginning of a file is looked at."""


def read_text(parse: Callable[[str], Parsed], line: bytes) -> Parsed:
    """Have a line read as text, without what surrounds it; a field that is no number is a reason too."""
    if len(line) > MOST_LINE_BYTES:
        return LONG_LINE
    text = line.removeprefix(_BOM).strip(b"\0 \t\r\n").decode("utf-8", "replace")
    try:
        return parse(text) if text else None
    except (ValueError, IndexError, OverflowError):  # a field that is no number, or not there
        return "a field that is missing or no number"


def frames_of_lines(reading: Reading, parse: Callable[[str], Parsed], chunk_bytes: int) -> Iterator[ReadBlock]:
    """Yield the frames of a text whose lines `parse` understands, whatever lines stood before.

    `parse` gives a line's frame, or why it is none, or None for a line that need not be one.
    """
    return frames_of_grammar(reading, ByLine(partial(read_text, parse)), chunk_bytes)


def frames_of_grammar(reading: Reading, grammar: Grammar, chunk_bytes: int) -> Iterator[ReadBlock]:
    """Yield the frames of a text line by line."""
    rows = FrameRows()
    number_of = reading.number_of
    block_rows = _BLOCK_ROWS if reading.chunk_bytes is None else _FEW_ROWS
    for line, content, last in numbered_lines(reading, chunk_bytes):
        parsed = grammar.read(content)
        channel = number_of.get(parsed.channel) if isinstance(parsed, FrameLine) else None
        if channel is None:
            judge_line(reading, rows, line, content, parsed, last=last)
        else:
            rows.add(line, channel, parsed)  # type: ignore[arg-type]  # only a frame has a channel
        if len(rows) >= block_rows:
            reading.n_frames += len(rows)
            yield rows.take()
    reading.n_frames += len(rows)
    yield rows.take()
