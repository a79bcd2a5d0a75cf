"""Rolling counters: payload fields that go up by one with every frame of a stream."""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array

__all__ = ["Rolling", "rolling_counters"]

_LEAST_FRAMES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolling:
    """One counter, as it stood before a silence."""

    byte: int
    shift: int
    """First bit of the field within its byte."""
    width: int
    """Bits."""
    modulus: int
    """It goes back to zero after `modulus - 1`."""
    last: int
    """Its value in the last frame."""

    def value(self, payload: UInt8Array) -> int:
        """Read the counter from a payload, (8,) uint8."""
        return int(payload[self.byte]) >> self.shift & ((1 << self.width) - 1)


def rolling_counters(data: UInt8Array) -> list[Rolling]:
    """Find the fields of a stream that counted up by one over all given frames.

    Whole bytes and half bytes are tried; a counter that wraps early (at 15 of a half byte, at 250 of a byte) shows its
    own modulus when it wraps within the frames, else it is taken to use the whole field.

    Parameters
    ----------
    data : (n, 8) uint8, frames in order; fewer than 8 prove nothing
    """
    if len(data) < _LEAST_FRAMES:
        return []
    wide = data.astype(np.int64)
    values = np.concatenate((wide, wide & 0x0F, wide >> 4), axis=1)  # (n, 24): bytes, their low halves, their high ones
    ups = (np.diff(values[-_LEAST_FRAMES:], axis=0) == 1).sum(axis=0)
    found: list[Rolling] = []
    for field in np.flatnonzero(ups >= _LEAST_FRAMES - 2).tolist():  # one step may be a wrap
        byte, kind = field % 8, field // 8
        if any(known.byte == byte and known.width == 8 for known in found):
            continue
        width = 8 if kind == 0 else 4
        modulus = _modulus(values[:, field], width)
        if modulus is not None:
            shift = 4 if kind == 2 else 0
            found.append(Rolling(byte=byte, shift=shift, width=width, modulus=modulus, last=int(values[-1, field])))
    return sorted(found, key=lambda counter: (counter.byte, counter.shift))


def _modulus(values: Int64Array, width: int) -> int | None:
    step = np.diff(values)
    wraps = np.flatnonzero(step != 1)
    full = 1 << width
    if not len(wraps):
        return full
    tops = values[wraps]
    modulus = int(tops[0]) + 1
    if (tops + 1 != modulus).any() or values[wraps + 1].any() or modulus < max(8, full - full // 16 - 1):
        return None
    return modulus
