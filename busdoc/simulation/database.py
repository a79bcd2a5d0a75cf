"""The layout of messages in a .dbc file, as far as a simulated controller must know it to fill them.

This reads what the simulation writes into payloads (no multiplexing, no floats) in a millisecond and on its own, so
that the analysis's decoding is held against something that shares no code with it.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Float64Array, UInt8Array, UInt64Array

__all__ = ["MessageLayout", "SignalLayout", "pack", "read_layouts"]

_MESSAGE = re.compile(r"^\s*BO_\s+(\d+)\s+(\w+)\s*:\s*(\d+)\s+(\w+)", re.M)
_SIGNAL = re.compile(r"^\s*SG_\s+(\w+)\s*:\s*(\d+)\|(\d+)@([01])([+-])\s*\(([^,]+),([^)]+)\)\s*\[[^\]]*\]", re.M)
_CYCLE = re.compile(r'^\s*BA_\s+"GenMsgCycleTime"\s+BO_\s+(\d+)\s+(\d+)\s*;', re.M)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalLayout:
    """Where a signal's bits are and how raw numbers scale."""

    name: str
    start: int
    """As the file counts: the least significant bit (little endian) or the most significant one (big endian)."""
    length: int
    little: bool
    signed: bool
    scale: float
    offset: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLayout:
    """A message and its signals."""

    name: str
    id: int
    extended: bool
    length: int
    sender: str
    cycle_s: float | None
    signals: Mapping[str, SignalLayout]


def read_layouts(text: str) -> dict[str, MessageLayout]:
    """Read the messages of a .dbc text by name; bit 31 of a number there marks a 29-bit identifier."""
    cycle_s = {int(number): int(ms) / 1000.0 for number, ms in _CYCLE.findall(text)}
    heads = list(_MESSAGE.finditer(text))
    layouts: dict[str, MessageLayout] = {}
    for head, following in zip(heads, [*heads[1:], None], strict=True):
        body = text[head.end() : following.start() if following else len(text)]
        number, name, length, sender = int(head[1]), head[2], int(head[3]), head[4]
        signals = {
            found[0]: SignalLayout(
                name=found[0],
                start=int(found[1]),
                length=int(found[2]),
                little=found[3] == "1",
                signed=found[4] == "-",
                scale=float(found[5]),
                offset=float(found[6]),
            )
            for found in _SIGNAL.findall(body)
        }
        layouts[name] = MessageLayout(
            name=name,
            id=number & 0x1FFFFFFF,
            extended=bool(number >> 31),
            length=length,
            sender=sender,
            cycle_s=cycle_s.get(number),
            signals=signals,
        )
    return layouts


def pack(columns: Mapping[SignalLayout, Float64Array], n: int, whole_range: Sequence[str] = ()) -> UInt8Array:
    """Lay physical values into payloads; NaN is written as all ones, which J1939-71 5.1 reads as not available.

    Parameters
    ----------
    columns : signal -> (n,) physical values
    n : rows
    whole_range : signals whose all-ones value is one of theirs (rolling counters)

    Returns
    -------
    (n, 8) uint8, the bits of no signal all ones
    """
    little = np.zeros(n, np.uint64)
    big = np.zeros(n, np.uint64)
    little_mask = big_mask = 0
    for signal, values in columns.items():
        ones = (1 << signal.length) - 1
        raw = _raw(signal, values, ones if signal.length == 1 or signal.name in whole_range else ones - 1)
        raw[np.isnan(values)] = ones
        if signal.little:
            shift = signal.start
            little |= raw << np.uint64(shift)
            little_mask |= ones << shift
        else:
            shift = 64 - (signal.start // 8 * 8 + 7 - signal.start % 8) - signal.length
            big |= raw << np.uint64(shift)
            big_mask |= ones << shift
    all_ones = (1 << 64) - 1
    used_by_big = int.from_bytes(big_mask.to_bytes(8, "big"), "little")
    little |= np.uint64(all_ones ^ little_mask ^ used_by_big)
    word = little | big.byteswap()
    return np.ascontiguousarray(word.astype("<u8")).view(np.uint8).reshape(n, 8)


def _raw(signal: SignalLayout, values: Float64Array, most: int) -> UInt64Array:
    """Scale, round and clip to what the signal can hold."""
    ones = (1 << signal.length) - 1
    raw = np.round((np.where(np.isnan(values), 0.0, values) - signal.offset) / signal.scale)
    low, high = (-(ones // 2), ones // 2) if signal.signed else (0, most)
    return (np.clip(raw, low, high).astype(np.int64) & ones).astype(np.uint64)
