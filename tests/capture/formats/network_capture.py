"""Writes network captures of CAN frames by the published layouts, in any of their forms."""

import struct
from collections.abc import Iterator, Sequence

from busdoc.capture.frames import ERROR, EXTENDED, FD, REMOTE, TRANSMITTED, FrameBlock, FrameFlag
from busdoc.times import SECOND_NS

SOCKETCAN, COOKED = 227, 113


def packets(block: FrameBlock, order: str, link: int) -> Iterator[tuple[int, int, bytes]]:
    """Yield time, channel and content of each frame as a record (LINKTYPE_CAN_SOCKETCAN, LINKTYPE_LINUX_SLL)."""
    for row, flags in enumerate(block.flags.tolist()):
        word = int(block.id[row]) | (0x80000000 if flags & EXTENDED else 0)
        word |= (0x40000000 if flags & REMOTE else 0) | (0x20000000 if flags & ERROR else 0)
        marks = (0x04 if flags & FD else 0) | (1 if flags & FrameFlag.BRS else 0) | (2 if flags & FrameFlag.ESI else 0)
        payload = block.payload(row)
        head = b""
        if link == COOKED:
            kind = 4 if flags & TRANSMITTED else 0
            head = struct.pack(">HHH8sH", kind, 280, 0, bytes(8), 0x0D if flags & FD else 0x0C)
        id_order = order if link == COOKED else ">"
        content = struct.pack(f"{id_order}L", word) + bytes([int(block.length[row]), marks, 0, 0]) + payload
        yield int(block.t_ns[row]), int(block.channel[row]), head + content


def as_pcap(block: FrameBlock, order: str, link: int, ticks: int) -> bytes:
    """Write the older form: one interface."""
    magic = 0xA1B2C3D4 if ticks == 10**6 else 0xA1B23C4D
    parts = [struct.pack(f"{order}LHHlLLL", magic, 2, 4, 0, 0, 65535, link)]
    for t_ns, _, content in packets(block, order, link):
        seconds, rest_ns = divmod(t_ns, SECOND_NS)
        fraction = rest_ns * ticks // SECOND_NS
        parts.append(struct.pack(f"{order}LLLL", seconds, fraction, len(content), len(content)) + content)
    return b"".join(parts)


def as_pcapng(block: FrameBlock, order: str, link: int, ticks: int, names: Sequence[str]) -> bytes:
    """Write the newer form: an interface for each name, and something before and behind that is no frame."""
    resolution = {10**6: b"\x06", 10**9: b"\x09", 1 << 20: b"\x94"}[ticks]
    parts = [boxed(order, 0x0A0D0D0A, struct.pack(f"{order}LHHq", 0x1A2B3C4D, 1, 0, -1))]
    for name in names:
        options = option(order, 2, name.encode()) + option(order, 9, resolution) + option(order, 0, b"")
        parts.append(boxed(order, 1, struct.pack(f"{order}HHL", link, 0, 0) + options))
    parts.append(boxed(order, 5, struct.pack(f"{order}LLL", 0, 0, 0)))  # statistics of an interface
    for t_ns, channel, content in packets(block, order, link):
        at = t_ns * ticks // SECOND_NS
        head = struct.pack(f"{order}LLLLL", channel, at >> 32, at & 0xFFFFFFFF, len(content), len(content))
        parts.append(boxed(order, 6, head + content + bytes(-len(content) % 4)))
    return b"".join(parts)


def boxed(order: str, kind: int, body: bytes) -> bytes:
    size = struct.pack(f"{order}L", len(body) + 12)
    return struct.pack(f"{order}L", kind) + size + body + size


def option(order: str, code: int, value: bytes) -> bytes:
    return struct.pack(f"{order}HH", code, len(value)) + value + bytes(-len(value) % 4)
