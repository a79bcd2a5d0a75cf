"""Traffic for the benchmarks: a machine with twelve controllers on two channels, and a database that fits it.

Sixty messages with their own periods, 29 and 11 bits, 2 to 64 bytes, about 8 % of them FD, 0.1 % error and remote
frames. Some controllers fall silent now and then, so that there is something to find. The same arguments give the same
bytes.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from busdoc.arrays import Int64Array
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import write_log
from busdoc.capture.frames import NO_LONG, FrameBlock, FrameFlag, LongPayloads

__all__ = ["MESSAGES", "make_database", "make_log"]

START_NS = 1_700_000_000 * 10**9
_SLICE_NS = 30 * 10**9
_NEVER_NS = int(np.iinfo(np.int64).max)
_BUS_ERROR = 0x80


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A message that a controller sends in its period."""

    name: str
    sender: str
    id: int
    extended: bool
    fd: bool
    n_bytes: int
    period_ns: int
    channel: int


def _messages() -> tuple[Message, ...]:
    periods_ms = (10, 20, 20, 50, 50, 100, 100, 100, 200, 500)
    made = []
    for number in range(60):
        controller = number % 12
        extended = controller < 8
        period_ms = periods_ms[number // 6]
        fd = number in (13, 27, 28, 43, 44, 45, 46, 47)
        n_bytes = (16, 64, 24, 32, 12)[number % 5] if fd else (8, 8, 8, 6, 8, 4, 8, 2)[number % 8]
        address = 0x10 + controller
        made.append(
            Message(
                name=f"Controller{controller}Message{number // 12}",
                sender=f"Controller{controller}",
                id=0x18FF0000 + (number << 8) + address if extended else 0x100 + number,
                extended=extended,
                fd=fd,
                n_bytes=n_bytes,
                period_ns=period_ms * 1_000_000,
                channel=controller % 2,
            )
        )
    return tuple(made)


MESSAGES = _messages()


def make_log(path: Path, n_frames: int, *, seed: int = 1) -> int:
    """Write a `.log` capture of about `n_frames` frames; give how many it became."""
    channels = ChannelTable()
    for name in ("can0", "can1"):
        channels.number(name)
    rate_hz = sum(1e9 / message.period_ns for message in MESSAGES)
    return write_log(path, _slices(round(n_frames / rate_hz * 1e9), seed), channels)


def _slices(duration_ns: int, seed: int) -> Iterator[FrameBlock]:
    random = np.random.default_rng(seed)
    for start_ns in range(0, duration_ns, _SLICE_NS):
        yield _traffic(start_ns, min(start_ns + _SLICE_NS, duration_ns), random)


def _traffic(start_ns: int, stop_ns: int, random: np.random.Generator) -> FrameBlock:
    """Make the frames of a stretch of time, in order."""
    t_parts, which_parts = [], []
    for which, message in enumerate(MESSAGES):
        first = -(-start_ns // message.period_ns)
        due_ns = np.arange(first * message.period_ns, stop_ns, message.period_ns, dtype=np.int64)
        silent = _silent_ns(which % 12, start_ns)
        heard = (due_ns < silent[0]) | (due_ns >= silent[1])
        jitter_ns = random.integers(0, 300_000, len(due_ns))
        t_parts.append(((due_ns + which * 37_000 + jitter_ns) // 1000 * 1000)[heard])
        which_parts.append(np.full(int(heard.sum()), which))
    t_ns = np.concatenate(t_parts)
    order = np.argsort(t_ns, kind="stable")
    return _block(t_ns[order] + START_NS, np.concatenate(which_parts)[order], random)


def _silent_ns(controller: int, start_ns: int) -> tuple[int, int]:
    """Give the silence of a controller in a slice: every 20th slice one of them is gone for two seconds."""
    at, rest = divmod(start_ns // _SLICE_NS, 20)
    if rest == 7 and at % 12 == controller:
        return start_ns + 10 * 10**9, start_ns + 12 * 10**9
    return _NEVER_NS, _NEVER_NS


def _block(t_ns: Int64Array, which: Int64Array, random: np.random.Generator) -> FrameBlock:
    n = len(t_ns)
    length = np.array([message.n_bytes for message in MESSAGES], np.uint8)[which]
    flags = np.array(
        [
            (FrameFlag.EXTENDED if message.extended else 0) | (FrameFlag.FD | FrameFlag.BRS if message.fd else 0)
            for message in MESSAGES
        ],
        np.uint16,
    )[which]
    id_ = np.array([message.id for message in MESSAGES], np.uint32)[which]
    data = random.integers(0, 200, (n, 8), np.uint8)
    data[:, 0] = np.arange(n) & 0xFF  # a rolling counter
    odd = np.flatnonzero(random.random(n) < 0.001)
    odd = odd[(flags[odd] & FrameFlag.FD) == 0]
    error, remote = odd[::2], odd[1::2]
    flags[error], id_[error], length[error] = FrameFlag.ERROR, _BUS_ERROR, 8
    flags[remote] |= np.uint16(FrameFlag.REMOTE)
    data[remote] = 0
    data[np.arange(8) >= length[:, None]] = 0
    long_row = np.flatnonzero(length > 8)
    long = NO_LONG
    if len(long_row):
        start = np.concatenate((np.zeros(1, np.int64), np.cumsum(length[long_row], dtype=np.int64)))
        payload = random.integers(0, 200, int(start[-1]), np.uint8)
        payload[(start[:-1, None] + np.arange(8)).ravel()] = data[long_row].ravel()
        long = LongPayloads(row=long_row, start=start, bytes=payload)
    return FrameBlock(
        t_ns=t_ns,
        channel=np.array([message.channel for message in MESSAGES], np.uint8)[which],
        id=id_,
        flags=flags,
        length=length,
        data=data,
        long=long,
    )


def make_database(path: Path) -> None:
    """Write a `.dbc` database of the sixty messages, a signal to each byte or pair of bytes, cycle times included."""
    senders = sorted({message.sender for message in MESSAGES}, key=lambda name: int(name.removeprefix("Controller")))
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(senders)}", ""]
    for message in MESSAGES:
        number = message.id | 0x80000000 if message.extended else message.id
        lines.append(f"BO_ {number} {message.name}: {message.n_bytes} {message.sender}")
        lines.append(f' SG_ {message.name}Counter : 0|8@1+ (1,0) [0|255] "" {MESSAGES[0].sender}')
        for at in range(1, min(message.n_bytes, 8)):
            scale, offset = (("1", "0"), ("0.5", "-40"), ("0.4", "0"))[at % 3]
            order = f"{8 * at}|8@1+" if at % 2 else f"{8 * at + 7}|8@0-"
            lines.append(f' SG_ {message.name}Value{at} : {order} ({scale},{offset}) [0|0] "" {MESSAGES[0].sender}')
        lines.append("")
    lines.append('BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;')
    lines.append('BA_DEF_DEF_ "GenMsgCycleTime" 0;')
    for message in MESSAGES:
        number = message.id | 0x80000000 if message.extended else message.id
        lines.append(f'BA_ "GenMsgCycleTime" BO_ {number} {message.period_ns // 1_000_000};')
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
