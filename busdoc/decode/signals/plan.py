"""How the signals of a message are taken out of payloads, as numbers that whole columns can be worked with.

Made once a message; both the numpy path and the compiled one go by it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array, UInt64Array
from busdoc.decode.database.message import Message, Signal

__all__ = ["Field", "SignalPlan", "join_plans", "plan_of"]


class Field:
    """Columns of `SignalPlan.layout`; plain numbers, which compiled code takes as constants."""

    FIRST_BYTE = 0
    SHIFT = 1
    """Bits to shift right, once its bytes (at most 8, or the first 8 of 9) are a number."""
    SPAN = 2
    """Bytes that it touches, 1 … 9."""
    NEEDED = 3
    """Payload bytes that a frame must have."""
    LITTLE = 4
    LENGTH = 5
    SIGNED = 6
    FLOAT = 7
    MULTIPLEXER = 8
    """Which signal of the message selects it; -1: none."""
    BRANCH_FROM = 9
    BRANCH_TO = 10
    """Its rows of `branches`."""
    NAMED_FROM = 11
    NAMED_TO = 12
    """Its rows of `named_raw`."""
    RULED = 13
    """Some raw values are no values."""
    COUNT = 14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SignalPlan:
    """The s signals of a message, or of several after one another."""

    signals: tuple[Signal, ...]
    layout: Int64Array
    """(s, Field.COUNT)"""
    limits: UInt64Array
    """(s, 4): mask, last valid, first error, first not available raw number, all unsigned."""
    factors: Float64Array
    """(s, 2): scale, offset."""
    branches: Int64Array
    """(b, 2): first and last value of a multiplexer under which a signal is there."""
    named_raw: UInt64Array
    """(x,): raw numbers whose name decides their status."""
    named_status: UInt8Array
    """(x,)"""
    n_bytes: int
    """Payload bytes that hold all of the signals."""


@lru_cache(maxsize=4096)
def plan_of(message: Message) -> SignalPlan:
    """Give a message's plan; the same object for the same message."""
    order = {signal.name: at for at, signal in enumerate(message.signals)}
    layout = np.zeros((len(order), Field.COUNT), np.int64)
    limits = np.zeros((len(order), 4), np.uint64)
    branches: list[tuple[int, int]] = []
    named: list[tuple[int, int]] = []
    for at, signal in enumerate(message.signals):
        first_byte = signal.first_bit // 8
        span = signal.n_bytes - first_byte
        to_the_end = 8 * signal.n_bytes - signal.first_bit - signal.length
        shift = signal.first_bit % 8 if signal.little_endian else to_the_end
        row = layout[at]
        row[Field.FIRST_BYTE], row[Field.SHIFT], row[Field.SPAN] = first_byte, shift, span
        row[Field.NEEDED], row[Field.LITTLE], row[Field.LENGTH] = signal.n_bytes, signal.little_endian, signal.length
        row[Field.SIGNED], row[Field.FLOAT] = signal.signed, signal.is_float
        row[Field.MULTIPLEXER] = order[signal.multiplexer] if signal.multiplexer is not None else -1
        row[Field.BRANCH_FROM] = len(branches)
        branches += signal.multiplexer_values
        row[Field.BRANCH_TO] = len(branches)
        row[Field.NAMED_FROM] = len(named)
        named += [(raw, int(status)) for raw, status in signal.named_status.items()]
        row[Field.NAMED_TO] = len(named)
        ones = (1 << signal.length) - 1
        row[Field.RULED] = bool(signal.named_status) or signal.ranges.last_valid < ones
        first_unavailable = signal.ranges.first_unavailable
        limits[at] = (
            ones,
            signal.ranges.last_valid,
            signal.ranges.first_error,
            signal.ranges.last_valid if first_unavailable is None else first_unavailable,
        )
    far = 1 << 62  # beyond what a multiplexer can be
    return SignalPlan(
        signals=message.signals,
        layout=layout,
        limits=limits,
        factors=np.array([(signal.scale, signal.offset) for signal in message.signals], np.float64).reshape(-1, 2),
        branches=np.array(branches, object).reshape(-1, 2).clip(-far, far).astype(np.int64),
        named_raw=np.array([raw for raw, _ in named], np.uint64),
        named_status=np.array([status for _, status in named], np.uint8),
        n_bytes=max((signal.n_bytes for signal in message.signals), default=0),
    )


def join_plans(plans: Sequence[SignalPlan]) -> SignalPlan:
    """Put plans after one another; `MULTIPLEXER` still counts within each."""
    layouts = []
    n_branches = n_named = 0
    for plan in plans:
        layout = plan.layout.copy()
        layout[:, [Field.BRANCH_FROM, Field.BRANCH_TO]] += n_branches
        layout[:, [Field.NAMED_FROM, Field.NAMED_TO]] += n_named
        layouts.append(layout)
        n_branches += len(plan.branches)
        n_named += len(plan.named_raw)
    return SignalPlan(
        signals=tuple(signal for plan in plans for signal in plan.signals),
        layout=np.concatenate([np.empty((0, Field.COUNT), np.int64), *layouts]),
        limits=np.concatenate([np.empty((0, 4), np.uint64), *(plan.limits for plan in plans)]),
        factors=np.concatenate([np.empty((0, 2), np.float64), *(plan.factors for plan in plans)]),
        branches=np.concatenate([np.empty((0, 2), np.int64), *(plan.branches for plan in plans)]),
        named_raw=np.concatenate([np.empty(0, np.uint64), *(plan.named_raw for plan in plans)]),
        named_status=np.concatenate([np.empty(0, np.uint8), *(plan.named_status for plan in plans)]),
        n_bytes=max((plan.n_bytes for plan in plans), default=0),
    )
