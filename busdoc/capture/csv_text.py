"""Reads `.csv` captures: ``timestamp,arbitration_id,extended,remote,error,dlc,data``, the data in base 64.

The layout has no channel, no direction and no FD mark: what is longer than 8 bytes must be FD.
"""

from base64 import b64decode
from collections.abc import Iterator

from busdoc.capture.error_frame import linux_class
from busdoc.capture.frames import FrameFlag
from busdoc.capture.reading import LATEST_NS, ReadBlock, Reading
from busdoc.capture.rows import FrameLine, frames_of_lines
from busdoc.capture.times import nanoseconds, nanoseconds_of_float

__all__ = ["plain_frame", "read_csv"]

_CHUNK_BYTES = 1 << 18
_ONLY_CHANNEL = "0"


def read_csv(reading: Reading) -> Iterator[ReadBlock]:
    """Yield a `.csv` capture's frames."""
    return frames_of_lines(reading, _parse, reading.chunk_bytes or _CHUNK_BYTES)


def _parse(text: str) -> FrameLine | str | None:
    fields = text.split(",")
    if fields[0] == "timestamp":
        return None
    if len(fields) != 7:
        return "not seven fields"
    try:
        t_ns = nanoseconds(fields[0])
    except ValueError:
        t_ns = nanoseconds_of_float(float(fields[0]))  # small times are written like 1e-05
    marks = fields[2:5]
    if not all(mark in ("0", "1") for mark in marks):
        return "a mark that is neither 0 nor 1"
    return plain_frame(
        t_ns,
        int(fields[1], 0),
        extended=marks[0] == "1",
        remote=marks[1] == "1",
        error=marks[2] == "1",
        length=int(fields[5]),
        payload=b64decode(fields[6], validate=True),
    )


def plain_frame(
    t_ns: int, id_: int, *, extended: bool, remote: bool, error: bool, length: int, payload: bytes
) -> FrameLine | str:
    """Give a frame of a layout without channel and FD mark, or what is wrong with it."""
    if abs(t_ns) > LATEST_NS:
        return "a time out of range"
    if error:
        class_bits, detail = linux_class(id_, payload)
        return FrameLine(t_ns, _ONLY_CHANNEL, class_bits, int(FrameFlag.ERROR), 8, detail)
    if not 0 <= id_ <= (0x1FFFFFFF if extended else 0x7FF):
        return "an identifier out of range"
    flags = int(FrameFlag.EXTENDED) if extended else 0
    if remote:
        flags |= int(FrameFlag.REMOTE)
        return FrameLine(t_ns, _ONLY_CHANNEL, id_, flags, length, b"") if 0 <= length <= 8 else "a length out of range"
    if not 0 <= length <= 64:
        return "a length out of range"
    if len(payload) != length:
        return "a length that is not that of its data"
    flags |= int(FrameFlag.FD) if length > 8 else 0
    return FrameLine(t_ns, _ONLY_CHANNEL, id_, flags, length, payload)
