"""Whether the engine stands, is turned over or runs, by what the open standards carry of its speed.

SAE J1939-71: EEC1, parameter group 61444, bytes 4 and 5, 0.125 rpm a bit. NMEA 2000: group 127488, bytes 2 and 3, 0.25
rpm a bit. Other traffic says nothing of an engine.
"""

from bisect import bisect_right
from collections.abc import Sequence
from enum import IntEnum

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, distinct
from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.identifier import PGN_ENGINE, parameter_group, sender_numbers
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.times import MILLISECOND_NS

__all__ = ["Engine", "EngineState", "EngineWatch"]

_TURNING_RPM = 50.0
_RUNNING_RPM = 400.0
"""A starter turns an engine at 100 to 300 rpm; none idles below 400 (common practice)."""
_NO_SPEED = 0xFB00
"""Raw values from here on are no speed: specific, error, not available (SAE J1939-71)."""
_SPIKE_NS = 500 * MILLISECOND_NS
"""No engine runs for less: the speed of one that starts or comes to rest is told wrongly now and then."""
_MOST_CHANGES = 100_000


class EngineState(IntEnum):
    """What an engine does."""

    STANDS = 0
    TURNS = 1
    """A starter turns it, or it is coasting down."""
    RUNS = 2


class Engine:
    """One engine over time; `t_ns` ascending, one state from each on."""

    def __init__(self, t_ns: Sequence[int], states: Sequence[EngineState]) -> None:
        self.t_ns: list[int] = []
        self.states: list[EngineState] = []
        for at, state in enumerate(states):
            ends_ns = t_ns[at + 1] if at + 1 < len(t_ns) else None
            if state is EngineState.RUNS and ends_ns is not None and ends_ns - t_ns[at] < _SPIKE_NS:
                state = EngineState.TURNS
            if not self.states or self.states[-1] is not state:
                self.t_ns.append(t_ns[at])
                self.states.append(state)

    def __bool__(self) -> bool:
        """Tell whether anything was heard of an engine."""
        return bool(self.t_ns)

    def at(self, t_ns: int) -> EngineState | None:
        """Give its last known state; None before the first word of it."""
        known = bisect_right(self.t_ns, t_ns)
        return self.states[known - 1] if known else None

    def starts(self) -> list[tuple[int, int]]:
        """Give (begins to turn, runs or stands again), ns, of each time that it was turned over from standing."""
        found = []
        for at, state in enumerate(self.states):
            if state is EngineState.STANDS or at == 0 or self.states[at - 1] is not EngineState.STANDS:
                continue
            ends = (k for k in range(at, len(self.states)) if self.states[k] is not EngineState.TURNS)
            last = next(ends, len(self.states) - 1)
            if self.states[last] is EngineState.RUNS:
                found.append((self.t_ns[at], self.t_ns[last]))
        return found

    def stops(self) -> list[int]:
        """Give when it ceased to run, of each time that it then stood, ns."""
        found = []
        for at, state in enumerate(self.states):
            if at and state is not EngineState.RUNS and self.states[at - 1] is EngineState.RUNS:
                after = (one for one in self.states[at:] if one is not EngineState.TURNS)
                if next(after, None) is EngineState.STANDS:
                    found.append(self.t_ns[at])
        return found


class EngineWatch:
    """Takes blocks in order; where they are cut changes nothing. Only changes of state are kept."""

    def __init__(self) -> None:
        self._changes: dict[int, tuple[list[int], list[EngineState]]] = {}
        self._frames: dict[int, int] = {}

    def feed(self, block: FrameBlock, topic: UInt8Array) -> None:
        """Take in the next block; `topic` is what `busdoc.decode.protocols.protocol_frames.topics` says of it."""
        rows = np.flatnonzero((topic == Topic.ENGINE) & (block.length >= 5)).astype(np.int64)
        if not len(rows):
            return
        is_j1939 = parameter_group(block.id[rows]) == PGN_ENGINE
        low = np.where(is_j1939, block.data[rows, 3], block.data[rows, 1]).astype(np.int64)
        high = np.where(is_j1939, block.data[rows, 4], block.data[rows, 2]).astype(np.int64)
        raw = high << 8 | low
        rpm = raw * np.where(is_j1939, 0.125, 0.25)
        state = (rpm >= _TURNING_RPM).astype(np.int64) + (rpm >= _RUNNING_RPM)
        sender = sender_numbers(block.channel[rows], block.id[rows])
        known = raw < _NO_SPEED
        for one in distinct(sender[known]).tolist():
            self._take(one, block.t_ns[rows][known & (sender == one)], state[known & (sender == one)])

    def engine(self) -> Engine:
        """Give the engine that was heard most; an empty one where none was."""
        if not self._frames:
            return Engine([], [])
        t_ns, states = self._changes[max(self._frames, key=lambda one: (self._frames[one], -one))]
        return Engine(t_ns, states)

    def _take(self, sender: int, t_ns: Int64Array, state: Int64Array) -> None:
        times, states = self._changes.setdefault(sender, ([], []))
        before = np.concatenate(([states[-1] if states else -1], state[:-1]))
        for at in np.flatnonzero(state != before).tolist():
            if len(times) < _MOST_CHANGES:
                times.append(int(t_ns[at]))
                states.append(EngineState(int(state[at])))
        self._frames[sender] = self._frames.get(sender, 0) + len(t_ns)
