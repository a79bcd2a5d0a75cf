"""Random messages and frames of them, for the properties."""

from collections.abc import Sequence

import numpy as np

from busdoc.capture.frames import NO_LONG, FrameBlock, FrameFlag, LongPayloads
from busdoc.decode.database.meaning import give_meaning
from busdoc.decode.database.message import Message, Signal
from tests.decode.naive_signals import put_bits

_FD_LENGTHS = (8, 12, 16, 24, 64)


def random_message(random: np.random.Generator, number: int) -> Message:
    """Make a message of signals anywhere in it, overlapping ones too; some multiplexed, in one level or two."""
    extended = bool(random.random() < 0.5)
    length = int(random.choice(_FD_LENGTHS)) if random.random() < 0.4 else int(random.integers(1, 9))
    signals = [_random_signal(random, f"S{at}", length) for at in range(int(random.integers(1, 7)))]
    if random.random() < 0.4:
        selector = Signal(name="Branch", start=0, length=2, little_endian=True)
        inner = _random_signal(random, "Inner", length, most=3, multiplexer="Branch", values=((1, 2),))
        leaf = _random_signal(random, "Leaf", length, multiplexer="Inner", values=((0, 1), (3, 5)))
        signals = [selector, inner, leaf, *signals]
    return give_meaning(
        Message(
            name=f"Message{number}",
            frame_id=0x18FE0031 + (number << 8) if extended else 0x100 + number,
            extended=extended,
            length=length,
            by_group=extended,
            any_source=extended,
            signals=tuple(signals),
        )
    )


def _random_signal(
    random: np.random.Generator,
    name: str,
    n_bytes: int,
    *,
    most: int = 64,
    multiplexer: str | None = None,
    values: tuple[tuple[int, int], ...] = (),
) -> Signal:
    kinds = [0, 1] + [bits for bits in (16, 32, 64) if bits <= 8 * n_bytes]
    kind = int(random.choice(kinds)) if most == 64 and random.random() < 0.4 else int(random.integers(0, 2))
    length = kind if kind > 1 else int(random.choice((1, 2, 4, 8, 16, 32, int(random.integers(1, 65)))))
    length = min(length, most, 8 * n_bytes)
    first_bit = int(random.integers(0, 8 * n_bytes - length + 1))
    little = bool(random.random() < 0.5)
    named = {int(raw): f"state {raw}" for raw in random.integers(0, 4, 3)} if random.random() < 0.3 else {}
    if named and random.random() < 0.5:
        named[(1 << length) - 1] = "not available"
    return Signal(
        name=name,
        start=first_bit if little else first_bit // 8 * 8 + 7 - first_bit % 8,
        length=length,
        little_endian=little,
        signed=kind == 1 and length > 1,
        is_float=kind > 1,
        scale=float(random.choice((1.0, 0.125, -0.5, 3.0))),
        offset=float(random.choice((0.0, -40.0, 0.3))),
        choices=named if kind <= 1 else {},
        multiplexer=multiplexer,
        multiplexer_values=values,
    )


def random_frames(random: np.random.Generator, messages: Sequence[Message], n: int) -> FrameBlock:
    """Make frames: some too short or too long, some remote or error frames, values that repeat and special ones."""
    payloads, ids, flags, channels = [], [], [], []
    last: dict[str, bytes] = {}
    for _ in range(n):
        message = messages[int(random.integers(0, len(messages)))]
        payload = last.get(message.name) or random.bytes(message.length)
        for signal in message.signals:
            if random.random() < 0.5:
                payload = put_bits(signal, payload, _random_number(random, signal))
        last[message.name] = payload
        if random.random() < 0.1:
            payload = payload[: int(random.integers(0, len(payload) + 1))]
        flag = (FrameFlag.EXTENDED if message.extended else 0) | (FrameFlag.FD if message.length > 8 else 0)
        flag |= random.choice((0, 0, 0, 0, 0, 0, 0, 0, int(FrameFlag.REMOTE), int(FrameFlag.ERROR)))
        source = int(random.integers(0, 2)) if message.extended else 0
        payloads.append(payload)
        ids.append(message.frame_id + source)
        flags.append(flag)
        channels.append(int(random.integers(0, 2)))
    return _block(random, payloads, ids, flags, channels)


def _random_number(random: np.random.Generator, signal: Signal) -> int:
    ones = (1 << signal.length) - 1
    number = int(random.choice((0, 1, 2, 3, ones, ones - 1, ones ^ ones >> 8, 0xFE << max(0, signal.length - 8))))
    return number & ones if random.random() < 0.7 else int.from_bytes(random.bytes(8), "little") & ones


def _block(
    random: np.random.Generator, payloads: list[bytes], ids: list[int], flags: list[int], channels: list[int]
) -> FrameBlock:
    n = len(payloads)
    data = np.zeros((n, 8), np.uint8)
    for row, payload in enumerate(payloads):
        data[row, : min(8, len(payload))] = np.frombuffer(payload[:8], np.uint8)
    long_row = np.array([row for row, payload in enumerate(payloads) if len(payload) > 8], np.int64)
    long = NO_LONG
    if len(long_row):
        lengths = [len(payloads[row]) for row in long_row]
        long = LongPayloads(
            row=long_row,
            start=np.concatenate((np.zeros(1, np.int64), np.cumsum(lengths, dtype=np.int64))),
            bytes=np.frombuffer(b"".join(payloads[row] for row in long_row), np.uint8),
        )
    return FrameBlock(
        t_ns=1_700_000_000 * 10**9 + np.cumsum(random.integers(0, 2_000_000, n)),
        channel=np.array(channels, np.uint8),
        id=np.array(ids, np.uint32),
        flags=np.array(flags, np.uint16),
        length=np.array([len(payload) for payload in payloads], np.uint8),
        data=data,
        long=long,
    )
