"""The grammar of `.csv` captures: ``timestamp,arbitration_id,extended,remote,error,dlc,data``, the data in base 64.

The layout has no channel, no direction and no FD mark: what is longer than 8 bytes must be FD.
"""

from binascii import a2b_base64

from busdoc.capture.error_frame import linux_class
from busdoc.capture.formats.grammar import Parsed
from busdoc.capture.formats.rows import TIME_OUT_OF_RANGE, FrameLine
from busdoc.capture.frames import ERROR, EXTENDED, FD, REMOTE
from busdoc.capture.reading import LATEST_NS
from busdoc.times import nanoseconds, nanoseconds_of_float

__all__ = ["ONLY_CHANNEL", "parse_row", "plain_frame"]

ONLY_CHANNEL = "0"
_MARKS = frozenset(("000", "001", "010", "011", "100", "101", "110", "111"))


def parse_row(text: str) -> Parsed:
    """Read one row as text that is not empty."""
    fields = text.split(",")
    if fields[0] == "timestamp":
        return None
    if len(fields) != 7:
        return "not seven fields"
    time, id_text, extended, remote, error, length, data = fields
    try:
        t_ns = nanoseconds(time)
    except ValueError:
        t_ns = nanoseconds_of_float(float(time))  # small times are written like 1e-05
    if extended + remote + error not in _MARKS:
        return "a mark that is neither 0 nor 1"
    payload = a2b_base64(data, strict_mode=True) if data else b""
    return plain_frame(t_ns, int(id_text, 0), extended == "1", remote == "1", error == "1", int(length), payload)


def plain_frame(
    t_ns: int, id_: int, extended: bool, remote: bool, error: bool, length: int, payload: bytes
) -> FrameLine | str:
    """Give a frame of a layout without channel and FD mark, or what is wrong with it."""
    if not -LATEST_NS <= t_ns <= LATEST_NS:
        return TIME_OUT_OF_RANGE
    if error:
        class_bits, detail = linux_class(id_, payload)
        return FrameLine(t_ns, ONLY_CHANNEL, class_bits, ERROR, 8, detail)
    if not 0 <= id_ <= (0x1FFFFFFF if extended else 0x7FF):
        return "an identifier out of range"
    if not 0 <= length <= (8 if remote else 64):
        return "a length out of range"
    flags = EXTENDED if extended else 0
    if remote:
        return FrameLine(t_ns, ONLY_CHANNEL, id_, flags | REMOTE, length, b"")
    if len(payload) != length:
        return "a length that is not that of its data"
    if length > 8:
        flags |= FD
    return FrameLine(t_ns, ONLY_CHANNEL, id_, flags, length, payload)
