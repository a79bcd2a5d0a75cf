"""Heartbeats above J1939: ISO 11783-7 (every 100 ms) and NMEA 2000 (every minute or so), as signs of life."""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, distinct
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.j1939.heartbeat import FIRST, LAST, LATE_NS, SENDER_ERROR, lost_between
from busdoc.decode.j1939.identifier import NULL_ADDRESS, PGN_ISO_HEARTBEAT, parameter_group
from busdoc.decode.nmea2000.heartbeat import ControllerState
from busdoc.decode.protocols.protocol_frames import Topic

__all__ = ["HeartbeatHistory", "HeartbeatWatch"]


@dataclass(slots=True, kw_only=True)
class HeartbeatHistory:
    """One sender's heartbeats as heard."""

    channel: int
    address: int
    protocol: str
    """``ISO 11783`` or ``NMEA 2000``."""
    last_ns: int
    n_lost: int = 0
    """By the sequence numbers; a restart loses none."""
    n_late: int = 0
    """ISO 11783: pauses of more than 300 ms."""
    n_in_error: int = 0
    """ISO 11783: the sender called itself in error; NMEA 2000: a CAN controller of it was passive or off the bus."""
    last_sequence: int | None = None


class HeartbeatWatch:
    """Takes blocks in order; where they are cut changes nothing."""

    def __init__(self) -> None:
        self._senders: dict[tuple[int, int, bool], HeartbeatHistory] = {}

    @property
    def senders(self) -> tuple[HeartbeatHistory, ...]:
        """Every sender that was heard, by channel and address."""
        return tuple(history for _, history in sorted(self._senders.items()))

    def feed(self, block: FrameBlock, topic: UInt8Array) -> None:
        """Take in the next block; `topic` is what `busdoc.decode.protocols.protocol_frames.topics` says of it."""
        is_data = (block.flags & np.uint16(FrameFlag.REMOTE)) == 0
        rows = np.flatnonzero((topic == Topic.HEARTBEAT) & is_data & (block.length >= 1))
        rows = rows[(block.id[rows] & np.uint32(0xFF)) < NULL_ADDRESS]
        if not len(rows):
            return
        is_iso = parameter_group(block.id[rows]) == PGN_ISO_HEARTBEAT
        # one number for each channel, address and protocol; then each sender's frames by themselves
        sender = (
            block.channel[rows].astype(np.int64) << 9
            | (block.id[rows] & np.uint32(0xFF)).astype(np.int64) << 1
            | is_iso.astype(np.int64)
        )
        for one in distinct(sender).tolist():
            own = rows[sender == one].astype(np.int64)
            key = (one >> 9, one >> 1 & 0xFF, bool(one & 1))
            if key[2]:
                self._iso(self._history(key, "ISO 11783", block, own), block.t_ns[own], block.data[own, 0])
            else:
                self._nmea(self._history(key, "NMEA 2000", block, own), block, own)

    def _history(
        self, key: tuple[int, int, bool], protocol: str, block: FrameBlock, rows: Int64Array
    ) -> HeartbeatHistory:
        history = self._senders.get(key)
        if history is None:
            first_ns = int(block.t_ns[rows[0]])
            history = HeartbeatHistory(channel=key[0], address=key[1], protocol=protocol, last_ns=first_ns)
            self._senders[key] = history
        return history

    def _iso(self, history: HeartbeatHistory, t_ns: Int64Array, sequence: UInt8Array) -> None:
        if history.last_sequence is not None:
            before = np.array([history.last_sequence], np.uint8)
            chain, times = np.concatenate((before, sequence)), np.concatenate(([history.last_ns], t_ns))
        else:
            chain, times = sequence, t_ns
        # each sequence number against the one before, the last of the block before included
        history.n_lost += int(lost_between(chain[:-1], chain[1:]).sum())
        goes_on = (chain[:-1] != LAST) & (chain[1:] != FIRST)  # a pause between a goodbye and a start is no failure
        history.n_late += int(np.count_nonzero((np.diff(times) > LATE_NS) & goes_on))
        history.n_in_error += int(np.count_nonzero(sequence == SENDER_ERROR))
        history.last_ns = int(t_ns[-1])
        history.last_sequence = int(sequence[-1])

    def _nmea(self, history: HeartbeatHistory, block: FrameBlock, rows: Int64Array) -> None:
        rows = rows[block.length[rows] >= 4]
        if not len(rows):
            return
        sequence = block.data[rows, 2]
        chain = sequence
        if history.last_sequence is not None:
            chain = np.concatenate((np.array([history.last_sequence], np.uint8), sequence))
        step = np.diff(chain.astype(np.int64))
        history.n_lost += int(np.where(step > 1, step - 1, 0).sum())
        states = block.data[rows, 3] & np.uint8(0x03)
        in_trouble = (states == ControllerState.PASSIVE) | (states == ControllerState.BUS_OFF)
        history.n_in_error += int(np.count_nonzero(in_trouble))
        history.last_ns = int(block.t_ns[rows[-1]])
        history.last_sequence = int(sequence[-1])
