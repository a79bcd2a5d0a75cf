"""Signals decoded one frame at a time, on Python's own integers and strings of bits: what the fast paths must equal."""

import math
import struct
from dataclasses import dataclass, field

from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.signals import SignalStatus


def bits_of(signal: Signal, payload: bytes) -> int:
    """Read a signal's bits as an unsigned number."""
    if signal.little_endian:
        return int.from_bytes(payload, "little") >> signal.start & ((1 << signal.length) - 1)
    text = "".join(f"{byte:08b}" for byte in payload)
    return int(text[signal.first_bit : signal.first_bit + signal.length], 2)


def put_bits(signal: Signal, payload: bytes, number: int) -> bytes:
    """Write a signal's bits into a payload."""
    if signal.little_endian:
        mask = ((1 << signal.length) - 1) << signal.start
        whole = int.from_bytes(payload, "little") & ~mask | number << signal.start & mask
        return whole.to_bytes(len(payload), "little")
    text = "".join(f"{byte:08b}" for byte in payload)
    end = signal.first_bit + signal.length
    text = text[: signal.first_bit] + f"{number:0{signal.length}b}" + text[end:]
    return int(text, 2).to_bytes(len(payload), "big")


@dataclass
class Read:
    """One signal in one frame."""

    raw: int
    number: float
    value: float
    status: SignalStatus


def read_all(message: Message, payload: bytes) -> dict[str, Read]:
    """Read the signals that a payload holds."""
    found: dict[str, Read] = {}
    for signal in message.signals:
        if len(payload) < signal.n_bytes:
            continue
        if signal.multiplexer is not None:
            selected = found.get(signal.multiplexer)
            if selected is None or not any(first <= selected.raw <= last for first, last in signal.multiplexer_values):
                continue
        found[signal.name] = _read(signal, bits_of(signal, payload))
    return found


def _read(signal: Signal, bits: int) -> Read:
    raw, number = bits, float(bits)
    status = signal.named_status.get(bits, signal.ranges.status(bits))
    if signal.is_float:
        code = {16: ("<H", "<e"), 32: ("<I", "<f"), 64: ("<Q", "<d")}[signal.length]
        number = struct.unpack(code[1], struct.pack(code[0], bits))[0]
        status = SignalStatus.NOT_AVAILABLE if math.isnan(number) else SignalStatus.VALID
    elif signal.signed and bits >> (signal.length - 1):
        raw = bits - (1 << signal.length)
        number = float(raw)
    value = number * signal.scale + signal.offset if status == SignalStatus.VALID else math.nan
    return Read(raw=raw, number=number, value=value, status=status)


@dataclass
class NaiveState:
    """What a watch must know of one signal of one stream."""

    frames: int = 0
    counts: dict[SignalStatus, int] = field(default_factory=lambda: dict.fromkeys(SignalStatus, 0))
    values: list[float] = field(default_factory=list)
    numbers: list[float] = field(default_factory=list)
    value_ns: list[int] = field(default_factory=list)
    reads: list[tuple[int, Read]] = field(default_factory=list)

    def changes(self) -> list[tuple[int, Read]]:
        return [
            (t_ns, read)
            for at, (t_ns, read) in enumerate(self.reads)
            if at == 0 or read.raw != self.reads[at - 1][1].raw
        ]

    def status_changes(self) -> list[tuple[int, Read]]:
        return [
            (t_ns, read)
            for at, (t_ns, read) in enumerate(self.reads)
            if at == 0 or read.status != self.reads[at - 1][1].status
        ]


StreamSignal = tuple[int, int, bool, str, str]


def watch_all(find: dict[tuple[int, int, bool], Message], block: FrameBlock) -> dict[StreamSignal, NaiveState]:
    """Go through a block frame by frame; `find` gives the message of a channel, identifier and format."""
    states: dict[StreamSignal, NaiveState] = {}
    for row in range(len(block)):
        flags = FrameFlag(int(block.flags[row]))
        key = (int(block.channel[row]), int(block.id[row]), FrameFlag.EXTENDED in flags)
        message = find.get(key)
        if message is None or flags & (FrameFlag.ERROR | FrameFlag.REMOTE):
            continue
        reads = read_all(message, block.payload(row))
        for signal in message.signals:
            state = states.setdefault((*key, message.name, signal.name), NaiveState())
            state.frames += 1
            read = reads.get(signal.name)
            state.counts[SignalStatus.ABSENT if read is None else read.status] += 1
            if read is not None:
                t_ns = int(block.t_ns[row])
                state.reads.append((t_ns, read))
                if read.status == SignalStatus.VALID:
                    state.values.append(read.value)
                    state.numbers.append(read.number)
                    state.value_ns.append(t_ns)
    return states
