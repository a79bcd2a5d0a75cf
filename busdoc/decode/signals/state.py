"""What is remembered of each signal while frames go by: a row of numbers a signal, whatever the capture's length."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array
from busdoc.decode.database.message import Signal, SignalKind

__all__ = ["EXACT_BITS", "FEW", "Count", "Measure", "Policy", "SignalState", "policy_of"]

FEW = 8
"""An analogue signal that shows no more values than this is kept like one with states."""

EXACT_BITS = 21
"""Sums of so many bits over up to 2**32 frames are exact in a float64, in whatever order they are added."""


class Count:
    """Columns of `SignalState.counts`; plain numbers, which compiled code takes as constants."""

    BY_STATUS = 0
    """Five of them, by `SignalStatus`."""
    FIRST_NS = 5
    LAST_NS = 6
    """Of the first and the last valid value."""
    LAST_BITS = 7
    LAST_STATUS = 8
    """-1 before the first frame that held it."""
    CHANGES = 9
    STATUS_CHANGES = 10
    DISTINCT = 11
    """Different valid raw values, up to FEW + 1: more than are kept."""
    VALUES = 12
    """FEW of them."""
    KEPT = VALUES + FEW
    KEPT_STATUS = KEPT + 1
    """Of the changes kept, those of status."""
    LOST = KEPT + 2
    LOST_STATUS = KEPT + 3
    """Changes for which there was no room."""
    COUNT = KEPT + 4


class Measure:
    """Columns of `SignalState.measures`."""

    LOW = 0
    HIGH = 1
    TOTAL = 2
    """Sum of raw numbers, added in the order of frames: the same wherever the capture is cut."""
    FIRST = 3
    LAST = 4
    COUNT = 5


class Policy(IntEnum):
    """Which changes of a signal are kept; changes of status always are."""

    STATUS = 0
    FEW_VALUED = 1
    """All changes, until more than FEW values were seen: then those of status."""
    ALWAYS = 2


def policy_of(signal: Signal, followed: bool) -> Policy:
    """Choose which changes of a signal are kept."""
    if followed or signal.kind in (SignalKind.BOOLEAN, SignalKind.ENUMERATED):
        return Policy.ALWAYS
    return Policy.STATUS if signal.kind is SignalKind.COUNTER else Policy.FEW_VALUED


@dataclass(slots=True, kw_only=True, eq=False)
class SignalState:
    """The state of s signals (slots); both paths work on the same rows, so either can go on where the other stopped."""

    counts: Int64Array
    """(s, Count.COUNT)"""
    measures: Float64Array
    """(s, Measure.COUNT)"""
    policy: UInt8Array
    """(s,) `Policy` values."""
    most_kept: Int64Array
    """(s,) room for changes."""

    @classmethod
    def empty(cls) -> "SignalState":
        """Give the state of no signals."""
        return cls(
            counts=np.empty((0, Count.COUNT), np.int64),
            measures=np.empty((0, Measure.COUNT), np.float64),
            policy=np.empty(0, np.uint8),
            most_kept=np.empty(0, np.int64),
        )

    def extend(self, policy: UInt8Array, most_kept: Int64Array) -> None:
        """Add slots that no frame was seen of."""
        counts = np.zeros((len(policy), Count.COUNT), np.int64)
        counts[:, Count.LAST_STATUS] = -1
        self.counts = np.concatenate((self.counts, counts))
        self.measures = np.concatenate((self.measures, np.zeros((len(policy), Measure.COUNT))))
        self.policy = np.concatenate((self.policy, policy))
        self.most_kept = np.concatenate((self.most_kept, most_kept))
