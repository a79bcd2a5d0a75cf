"""One line of a `.log` capture, the open SocketCAN text: ``(seconds) channel id#data``.

This is the grammar that counts: the fast parsers take the common lines by themselves, give every other line to
`parse_line`, and are tested against it.
"""

import re

from busdoc.capture.formats.lines import LONG_LINE, MOST_LINE_BYTES
from busdoc.capture.formats.rows import TIME_OUT_OF_RANGE, FrameLine
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TRANSMITTED
from busdoc.capture.reading import LATEST_NS
from busdoc.times import SECOND_NS

__all__ = ["ERROR_BIT", "LONGEST_CHANNEL", "parse_line"]

ERROR_BIT = 0x20000000
"""Bit 29 of an identifier marks an error-message frame (CAN_ERR_FLAG in the Linux header can.h)."""

LONGEST_CHANNEL = 32
"""Linux allows 15 characters for an interface; other recorders write somewhat longer names."""


_TOO_MANY_BITS = 0xC0000000

_LINE = re.compile(
    rb"\(\s*(?P<sign>-?)(?P<seconds>\d+)(?:\.(?P<fraction>\d*))?\s*\)\s+(?P<channel>\S+)\s+(?P<id>[0-9A-Fa-f]+)#"
    rb"(?P<rest>\S*)(?:\s+(?P<direction>[RrTt]))?",
)
_REMOTE_TEXT = re.compile(rb"[Rr](\d?)(?:_[9A-Fa-f])?")
_HEX = re.compile(rb"[0-9A-Fa-f]*")


def parse_line(line: bytes) -> FrameLine | str | None:
    """Parse a line of a `.log` capture, without its newline.

    Returns
    -------
    The frame; or why the line is not one, in words; or None for an empty line or a comment, which nobody misses.

    Notes
    -----
    Three digits or fewer are an 11-bit identifier, more are a 29-bit one, so ``00000123`` is a 29-bit 0x123. An
    identifier with bit 29 is an error-message frame, whose class bits stay in `id` (Linux header can/error.h).
    ``R`` is a remote frame with the length asked for behind it; ``##`` and a flag digit (1 bit-rate switch, 2
    error-state indicator) is an FD frame; ``_9`` to ``_F`` is a raw length code above 8 of a classical frame.
    A number that runs to more than nine decimals is cut off there.
    """
    if len(line) > MOST_LINE_BYTES:
        return LONG_LINE
    line = line.strip(b"\0 \t\r\n")
    if not line or line.startswith((b"#", b";", b"//")):
        return None
    match = _LINE.fullmatch(line)
    if match is None:
        return "not of the form (seconds) channel id#data"
    sign, seconds, fraction, channel, id_text, rest, direction = match.groups()
    t_ns = _nanoseconds(seconds, fraction or b"")
    if t_ns is None:
        return TIME_OUT_OF_RANGE
    if len(channel) > LONGEST_CHANNEL:
        return f"a channel name of more than {LONGEST_CHANNEL} characters"
    id_ = _identifier(id_text)
    if isinstance(id_, str):
        return id_
    body = _body(rest)
    if isinstance(body, str):
        return body
    number, id_flags = id_
    body_flags, length, payload = body
    sent = TRANSMITTED if direction in (b"T", b"t") else 0
    return FrameLine(
        t_ns=-t_ns if sign else t_ns,
        channel=channel.decode("utf-8", "replace"),
        id=number,
        flags=id_flags | body_flags | sent,
        length=length,
        payload=payload,
    )


def _nanoseconds(seconds: bytes, fraction: bytes) -> int | None:
    if len(seconds) > 19:
        return None
    t_ns = int(seconds) * SECOND_NS + int(fraction[:9].ljust(9, b"0"))
    return t_ns if t_ns <= LATEST_NS else None


def _identifier(text: bytes) -> tuple[int, int] | str:
    """Give the identifier and its flags, or what is wrong."""
    if len(text) > 8:
        return "an identifier of more than 8 digits"
    number = int(text, 16)
    if len(text) <= 3:
        return (number, 0) if number <= 0x7FF else "an 11-bit identifier above 7FF"
    if number & _TOO_MANY_BITS:
        return "an identifier of more than 29 bits"
    if number & ERROR_BIT:
        return number & ~ERROR_BIT, ERROR
    return number, EXTENDED


def _body(rest: bytes) -> tuple[int, int, bytes] | str:
    """Give flags, length and payload of what stands behind the first #, or what is wrong."""
    if rest[:1] in (b"R", b"r"):
        remote = _REMOTE_TEXT.fullmatch(rest)
        length = int(remote.group(1) or b"0") if remote else 9
        return (REMOTE, length, b"") if length <= 8 else "a remote frame with an unreadable length"
    flags, most = 0, 8
    if rest[:1] == b"#":
        flags, most = FD, 64
        if not _HEX.fullmatch(rest[1:2]) or len(rest) < 2:
            return "an FD frame without its flag digit"
        digit = int(rest[1:2], 16)
        flags |= (BRS if digit & 1 else 0) | (ESI if digit & 2 else 0)
        rest = rest[2:]
    elif len(rest) == 18 and rest[16:17] == b"_" and rest[17:] in b"9ABCDEFabcdef":
        rest = rest[:16]
    if not _HEX.fullmatch(rest):
        return "data that is not hexadecimal"
    if len(rest) % 2:
        return "half a byte of data"
    if len(rest) > 2 * most:
        return f"more than {most} bytes of data"
    return flags, len(rest) // 2, bytes.fromhex(rest.decode("ascii"))
