"""Writes captures: `.log` by ourselves and without loss, the other suffixes through python-can's writers."""

import gzip
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path
from typing import IO, TYPE_CHECKING, cast

from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.files import suffix_of
from busdoc.capture.formats.log.line import ERROR_BIT
from busdoc.capture.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TRANSMITTED, FrameBlock, FrameFlag
from busdoc.errors import InputError
from busdoc.files.parts import needs
from busdoc.times import SECOND_NS

if TYPE_CHECKING:
    import can

__all__ = ["log_text", "write_capture", "write_log"]

_FAST_GZIP = 5

_WRITTEN = (".log", ".asc", ".blf", ".trc", ".csv", ".db", ".mf4")
_BINARY = (".blf", ".db", ".mf4")


_FD_DIGIT = 0x4
"""The flag digit's bit for 'this is an FD frame' (CANFD_FDF in the Linux header can.h)."""


def write_log(path: Path, blocks: Iterable[FrameBlock], channels: ChannelTable) -> int:
    """Write a `.log` capture, compressed when the name ends in .gz; give the number of frames.

    Everything that a block holds is written: error classes, FD flags, the length of remote frames, who sent. Times have
    six decimals, nine where they are needed.
    """
    n_frames = 0
    with _open_for_writing(path) as file:
        for block in blocks:
            file.write(log_text(block, channels))
            n_frames += len(block)
    return n_frames


def _open_for_writing(path: Path) -> IO[bytes]:
    if path.name.lower().endswith(".gz"):
        return cast(IO[bytes], gzip.open(path, "wb", compresslevel=_FAST_GZIP))
    return path.open("wb")


def log_text(block: FrameBlock, channels: ChannelTable) -> bytes:
    """Give a block as lines of a `.log` capture."""
    n = len(block)
    if not n:
        return b""
    name_of = {number: channels.name(number) for number in set(block.channel.tolist())}
    data_hex = block.data.tobytes().hex().upper()
    long_hex = _long_payloads(block)
    lines = []
    columns = zip(
        block.t_ns.tolist(),
        block.channel.tolist(),
        block.id.tolist(),
        block.flags.tolist(),
        block.length.tolist(),
        strict=True,
    )
    for row, (t_ns, channel, id_, flags, length) in enumerate(columns):
        t_us, sub_ns = divmod(t_ns, 1000)
        if sub_ns or t_ns < 0:
            time = _precise_time(t_ns)
        else:
            seconds, decimals = divmod(t_us, 1_000_000)
            time = f"{seconds}.{decimals:06d}"
        id_text = f"{id_:08X}" if flags & EXTENDED else f"{id_:03X}"
        body = data_hex[16 * row : 16 * row + 2 * min(length, 8)]
        if flags & ~EXTENDED:
            id_text, body = _marked(id_, id_text, flags, length, long_hex.get(row, body))
        lines.append(f"({time}) {name_of[channel]} {id_text}#{body}\n")
    return "".join(lines).encode("utf-8")


def _precise_time(t_ns: int) -> str:
    seconds, decimals = divmod(abs(t_ns), SECOND_NS)
    return f"{'-' if t_ns < 0 else ''}{seconds}.{decimals:09d}"


def _long_payloads(block: FrameBlock) -> dict[int, str]:
    long = block.long
    return {
        int(row): bytes(long.bytes[start:stop]).hex().upper()
        for row, start, stop in zip(long.row, long.start[:-1], long.start[1:], strict=True)
    }


def _marked(id_: int, id_text: str, flags: int, length: int, data: str) -> tuple[str, str]:
    """Give identifier and body of a frame that is not a plain one."""
    body = data
    if flags & ERROR:
        id_text = f"{id_ | ERROR_BIT:08X}"
    if flags & REMOTE:
        body = f"R{length}" if length else "R"
    elif flags & FD:
        digit = _FD_DIGIT | bool(flags & BRS) | bool(flags & ESI) << 1
        body = f"#{digit:X}{data}"
    return id_text, f"{body} T" if flags & TRANSMITTED else body


def write_capture(path: Path, blocks: Iterable[FrameBlock], channels: ChannelTable) -> int:
    """Write a capture of the kind that the suffix says; give the number of frames.

    Kinds other than `.log` go through python-can's writers and keep what these keep: `.blf` and `.mf4` everything but
    the times' last digits, `.csv` and `.db` no channel, `.trc` no error, remote or FD frames.

    Raises
    ------
    InputError : a suffix that is not written, or a binary one with .gz; when what writes it is not installed
    """
    suffix = suffix_of(path)
    if suffix == ".log":
        return write_log(path, blocks, channels)
    if suffix not in _WRITTEN:
        raise InputError(str(path), f"one of {', '.join(_WRITTEN)}", f"the suffix {suffix!r}", "Name it accordingly.")
    if suffix in _BINARY and path.name.lower().endswith(".gz"):
        raise InputError(str(path), f"a {suffix} capture not compressed", "the suffix .gz", "Leave it off.")
    if suffix == ".db":
        return _write_db(path, blocks, channels)
    if suffix == ".mf4":
        needs("mf4", str(path))
    import can  # 0.5 s, and only these suffixes need it

    n_frames = 0
    with can.Logger(path) as writer:
        for block in blocks:
            for message in _messages(block, channels):
                writer.on_message_received(message)
            n_frames += len(block)
    return n_frames


def _write_db(path: Path, blocks: Iterable[FrameBlock], channels: ChannelTable) -> int:
    """Write the table that python-can's writer makes; its own loses what its thread has not written when it ends."""
    n_frames = 0
    with closing(sqlite3.connect(path)) as database:
        database.execute(
            "CREATE TABLE IF NOT EXISTS messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER,"
            " error INTEGER, dlc INTEGER, data BLOB)"
        )
        for block in blocks:
            rows = (
                (m.timestamp, m.arbitration_id, m.is_extended_id, m.is_remote_frame, m.is_error_frame, m.dlc, m.data)
                for m in _messages(block, channels)
            )
            database.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
            n_frames += len(block)
        database.commit()
    return n_frames


def _messages(block: FrameBlock, channels: ChannelTable) -> "Iterator[can.Message]":
    import can

    for row, flags in enumerate(block.flags.tolist()):
        name = channels.name(int(block.channel[row]))
        yield can.Message(
            timestamp=int(block.t_ns[row]) / SECOND_NS,
            arbitration_id=int(block.id[row]),
            is_extended_id=bool(flags & FrameFlag.EXTENDED),
            is_remote_frame=bool(flags & FrameFlag.REMOTE),
            is_error_frame=bool(flags & FrameFlag.ERROR),
            channel=int(name) if name.isdigit() else int(block.channel[row]),
            dlc=int(block.length[row]),
            data=None if flags & FrameFlag.REMOTE else block.payload(row),
            is_fd=bool(flags & FrameFlag.FD),
            is_rx=not flags & FrameFlag.TRANSMITTED,
            bitrate_switch=bool(flags & FrameFlag.BRS),
            error_state_indicator=bool(flags & FrameFlag.ESI),
        )
