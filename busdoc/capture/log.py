"""Reads `.log` captures, straight from bytes.

Small inputs are parsed line by line in Python, which costs nothing to load; large ones by the compiled parser of
`busdoc.capture.log_kernel`. Both give the same columns, and the same lines skipped with the same words.
"""

from binascii import unhexlify
from collections.abc import Iterator

from busdoc.capture.frames import FrameFlag
from busdoc.capture.lines import LONG_LINE, MOST_LINE_BYTES, numbered_chunks
from busdoc.capture.log_line import LogLine, parse_line
from busdoc.capture.reading import LATEST_NS, ReadBlock, Reading
from busdoc.capture.rows import FrameRows

__all__ = ["read_log"]

_CHUNK_BYTES = 1 << 20

_POINT = ord(".")
_LATEST_US = LATEST_NS // 1000

TOO_MANY_CHANNELS = "a channel beyond the 256th"


def read_log(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.log` capture's frames in file order; lines that are no frames are counted in `reading`."""
    if reading.compiled:
        from busdoc.capture.log_threads import read_log_compiled  # loads numba: 0.3 s

        yield from read_log_compiled(reading)
        return
    rows = _LogRows(reading)
    for first_line, chunk in numbered_chunks(reading, reading.chunk_bytes or _CHUNK_BYTES):
        block = rows.parse(chunk, first_line)
        reading.n_frames += len(block.frames)
        yield block


class _LogRows:
    """Parses chunks of whole lines; remembers how channels and identifiers were written."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._rows = FrameRows()
        self._channel_of: dict[bytes, int] = {}
        self._id_of: dict[bytes, tuple[int, int]] = {}

    def parse(self, chunk: bytes, first_line: int) -> ReadBlock:
        if b"\r" in chunk:
            chunk = chunk.replace(b"\r\n", b"\n")
        lines = chunk.split(b"\n")
        unfinished = lines.pop()
        add = self._rows.add
        channel_of = self._channel_of
        id_of = self._id_of
        for number, line in enumerate(lines, first_line):
            # The common line: six decimals, a known channel, plain data. Whatever is odd about it raises or looks up
            # to nothing, and goes to the grammar.
            try:
                time, channel, frame = line.split(b" ")
                id_text, data = frame.split(b"#")
                id_, flags = id_of[id_text]
                seconds, decimals = time[1:-8], time[-7:-1]
                if time[:: len(time) - 1] != b"()" or time[-8] != _POINT or len(data) > 16:
                    raise ValueError
                if not (seconds.isdigit() and decimals.isdigit() and len(seconds) <= 10):  # int() takes 1_0 and +1
                    raise ValueError
                t_us = int(seconds) * 1_000_000 + int(decimals)
                if t_us > _LATEST_US:
                    raise ValueError
                payload = unhexlify(data)
                add(number, t_us * 1000, channel_of[channel], id_, flags, len(payload), payload)
            except (ValueError, KeyError, IndexError):
                self._odd(number, line, last=False)
        if unfinished:
            self._odd(first_line + len(lines), unfinished, last=True)
        return self._rows.take()

    def _odd(self, number: int, line: bytes, *, last: bool) -> None:
        parsed = judge_line(self._reading, number, line, last=last)
        if parsed is None:
            return
        channel = add_line(self._reading, self._rows, number, parsed)
        if channel is None:
            return
        parts = line.split(b" ")
        is_common = len(parts) == 3 and parts[0].endswith(b")") and parts[1] == parsed.channel.encode()
        if is_common and len(self._id_of) < 1 << 16:  # known from now on
            self._channel_of[parts[1]] = channel
            self._id_of[parts[2].partition(b"#")[0]] = (
                parsed.id,
                parsed.flags & (FrameFlag.EXTENDED | FrameFlag.ERROR),
            )


def read_line(line: bytes) -> LogLine | str | None:
    """Parse a line by the grammar, as `parse_line`; the length of lines is bounded too."""
    return LONG_LINE if len(line) > MOST_LINE_BYTES else parse_line(line)


def judge_line(reading: Reading, number: int, line: bytes, *, last: bool) -> LogLine | None:
    """Parse a line by the grammar and count it when it is no frame; half a line at the end is only told."""
    parsed = read_line(line)
    if not isinstance(parsed, str):
        if last and parsed is None and b"\0" in line:
            reading.warn("it ends in NUL bytes, as after a power cut; all lines before them are used.")
        return parsed
    if last:
        reading.warn("it ends in the middle of a line, as after a power cut; all lines before it are used.")
    else:
        reading.skip(number, parsed)
    return None


def add_line(reading: Reading, rows: FrameRows, number: int, parsed: LogLine) -> int | None:
    """Add a line's frame; give its channel, or None when that is one too many, which is counted."""
    channel = reading.channel(parsed.channel)
    if channel is None:
        reading.skip(number, TOO_MANY_CHANNELS)
    else:
        rows.add(number, parsed.t_ns, channel, parsed.id, parsed.flags, parsed.length, parsed.payload)
    return channel
