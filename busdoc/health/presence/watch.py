"""The watch over all controllers: takes blocks of frames, gives the health so far, for live and recorded alike.

One pass, and judged late: while blocks arrive only bounded statistics and the notable silences are kept
(`busdoc.health.streams.track`); periods, deadlines, losses and incidents are computed when they are asked for. So a
period learnt in the last minute judges the first, and the same capture cut in any way gives the same answer.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array, distinct
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import NO_LONG, FrameBlock, FrameFlag
from busdoc.decode.protocols.sign import Sign
from busdoc.decode.protocols.sign_watch import SignWatch
from busdoc.health.controller import StreamKey
from busdoc.health.incident import Gap, GapKind
from busdoc.health.presence.judge import LossKey, Settled, judge
from busdoc.health.presence.observations import Observations
from busdoc.health.roll.roll import Roll
from busdoc.health.streams.arrivals import StreamArrivals, arrivals_of
from busdoc.health.streams.payload_bits import MOST_STREAMS, BitChanges
from busdoc.health.streams.stream_codes import StreamCodes
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import ControllerSpec
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["HealthWatch"]

_MOST_STREAMS = 4096
"""A machine has hundreds; a capture of random identifiers must not fill the memory."""
_MOST_SIGNS = 100_000
_OVER_THE_PERIOD = 1.5
"""Periods: a stream that pauses for longer has missed a beat."""
_CONTROLLER_PROBLEM = 0x04
_RX_OVERFLOW = 0x01
"""Linux header can/error.h: the class of an error frame in its identifier, the kind of trouble in its second byte."""
_OVERFLOW_APART_NS = SECOND_NS
"""Receive overflows closer than this are one stretch of lost frames (common practice)."""
_OVERFLOW_MARGIN_NS = 50 * MILLISECOND_NS
"""An overflow is told when the next frame finds room (common practice: within 50 ms)."""


class HealthWatch:
    """Follows every controller of a capture.

    Parameters
    ----------
    specs : controllers known beforehand, from the machine map or the database (`specs_from_database`)
    channels : what the capture calls its channels, for specs that name theirs
    complete : the specs name every controller: one that never speaks counts as missing from the start
    decoded : tells of a stream whether a database says what it carries; of the others, the bits are followed
    compiled : whether compiled kernels are used; None: in long captures
    """

    def __init__(
        self,
        specs: Sequence[ControllerSpec] = (),
        *,
        channels: ChannelTable | None = None,
        complete: bool = False,
        decoded: Callable[[StreamKey], bool] = lambda _: False,
        compiled: bool | None = None,
    ) -> None:
        self._observed = Observations(roll=Roll(specs, channels), complete=complete, compiled=compiled)
        self._codes = StreamCodes(_MOST_STREAMS)
        self._signs = SignWatch()
        self._group_of: Int64Array  # of each stream, once there is one
        self._decoded = decoded
        self._has_bits = np.zeros(0, np.bool_)
        self._overflows: dict[int, tuple[int, int]] = {}
        self._settled: dict[LossKey, Settled] = {}

    def feed(self, block: FrameBlock) -> None:
        """Take the next block."""
        if not len(block):
            return

        # what every frame tells, also one that proves no controller's presence
        observed = self._observed
        if observed.start_ns is None:
            observed.start_ns = int(block.t_ns[0])
        observed.last_ns = int(block.t_ns[-1])
        observed.frames += len(block)
        if len(observed.signs) < _MOST_SIGNS:
            observed.signs += self._signs.feed(block)

        # error frames, requests, and what the recorder sent itself prove nobody's presence
        kinds = block.flags & np.uint16(FrameFlag.ERROR | FrameFlag.REMOTE | FrameFlag.TRANSMITTED)
        if kinds.any():
            self._feed_errors(block)
            observed.own_frames += int(np.count_nonzero(kinds & FrameFlag.TRANSMITTED))
            block = replace(block, long=NO_LONG).take(kinds == 0)  # nothing here looks beyond the first 8 bytes
            if not len(block):
                return

        # number the streams, and find out whose the new ones are; beyond the most that are watched, frames are counted
        code, new = self._codes.of(block)
        if new:
            self._enrol(new)
            # streams are numbered as they appear: each begins where the highest number so far rises
            known = len(observed.lengths) - 1
            highest = np.maximum.accumulate(np.maximum(code, known))
            observed.lengths += block.length[np.diff(highest, prepend=known) > 0].tolist()
        t_ns, data = block.t_ns, block.data
        if len(observed.keys) == _MOST_STREAMS:
            watched = code >= 0
            observed.unwatched += len(code) - int(np.count_nonzero(watched))
            code, t_ns, data = code[watched], t_ns[watched], data.compress(watched, axis=0)
        self._note_lengths(block, code)

        # the arrivals of each stream, each owner and each channel
        observed.firsts.feed(code, t_ns)
        observed.sparse.feed(code, t_ns)
        self._feed_bits(code, t_ns, data)
        observed.streams.feed(code, t_ns, data)
        group = self._group_of[code]
        if (group < 0).any():
            owned = group >= 0
            observed.groups.feed(group[owned], t_ns[owned])
        else:
            observed.groups.feed(group, t_ns)
        self._feed_channels(block)

    def note_gap(self, from_ns: int, to_ns: int, channel: int | None = None, why: str = "") -> None:
        """Take note of a stretch in which the recorder itself lost frames: silences in it accuse nobody."""
        self._observed.gaps.append(
            Gap(channel=channel, from_ns=from_ns, to_ns=to_ns, kind=GapKind.CAPTURE_GAP, why=why)
        )

    def so_far(self, until_ns: int, open_gaps: Sequence[Gap] = ()) -> Health:
        """Give the health up to a moment, with what is being missed right now; feeding may go on.

        Parameters
        ----------
        until_ns : how far was listened
        open_gaps : stretches of the recorder that still grow, to be left out of the reckoning for now

        Whether a controller restarted is not weighed again once its return is ten seconds past, so that a live screen
        may ask ten times a second for days; `close` weighs every return with all that was learnt.
        """
        gaps = [*self._overflow_gaps(), *open_gaps]
        return judge(self._observed, self._not_before_last(until_ns), gaps, settled=self._settled)

    def close(self, until_ns: int | None = None) -> Health:
        """Give the health at the end of the capture: its last frame, or a later moment until which it listened."""
        return judge(self._observed, self._not_before_last(until_ns), self._overflow_gaps())

    def arrivals(self) -> dict[StreamKey, StreamArrivals]:
        """Give how each stream began, and came back after its silences, so far."""
        return arrivals_of(self._observed.keys, self._observed.streams, self._observed.firsts)

    def sparse_arrivals(self) -> dict[StreamKey, Int64Array]:
        """Give every arrival so far of each stream that has few, ns, ascending."""
        found = {key: self._observed.sparse.of(row) for row, key in enumerate(self._observed.keys)}
        return {key: t_ns for key, t_ns in found.items() if t_ns is not None}

    def bit_changes(self) -> dict[StreamKey, list[BitChanges]]:
        """Give the changes of the payload bits that change seldom, of each stream that nobody decodes."""
        found: dict[StreamKey, list[BitChanges]] = {}
        for changes in self._observed.bits.changes():
            found.setdefault(self._observed.keys[changes.row], []).append(changes)
        return found

    @property
    def n_unfollowed_bits(self) -> int:
        """Streams that nobody decodes, and whose bits are not followed either: too many came before them."""
        return int(np.count_nonzero(self._has_bits[MOST_STREAMS:]))

    @property
    def signs(self) -> Sequence[Sign]:
        """Claims, boot-ups and first heartbeats so far, in the order of time."""
        return self._observed.signs

    @property
    def start_ns(self) -> int | None:
        """The first frame; None before there was one."""
        return self._observed.start_ns

    def _not_before_last(self, until_ns: int | None) -> int:
        last_ns = self._observed.last_ns
        if last_ns is None:
            return until_ns or 0
        return last_ns if until_ns is None else max(until_ns, last_ns)

    def _enrol(self, new: list[StreamKey]) -> None:
        observed = self._observed
        for key in new:
            owner = observed.roll.owner(key)
            group = -1
            if owner is not None:
                group = observed.group_row.setdefault(owner, len(observed.group_row))
            observed.keys.append(key)
            observed.owners.append(owner)
            observed.group_of.append(group)
            observed.channel_row.setdefault(key.channel, len(observed.channel_row))
        observed.streams.add(len(new))
        for row in range(observed.streams.n - len(new), observed.streams.n):
            self._keep_silences_over_the_declared_period(row)
        observed.groups.add(len(observed.group_row) - observed.groups.n)
        observed.channels.add(len(observed.channel_row) - observed.channels.n)
        self._group_of = np.array(observed.group_of, np.int64)
        self._has_bits = np.append(self._has_bits, [not self._decoded(key) for key in new])

    def _keep_silences_over_the_declared_period(self, row: int) -> None:
        """Where a map or a database says what the period is, no intervals need to show which silences matter."""
        declared = self._observed.declared(row)
        if declared is not None and declared.period_ns:
            self._observed.streams.always_ns[row] = round(_OVER_THE_PERIOD * declared.period_ns)

    def _feed_bits(self, code: Int64Array, t_ns: Int64Array, data: UInt8Array) -> None:
        if self._has_bits.all():
            self._observed.bits.feed(code, t_ns, data)
        elif self._has_bits.any():
            wanted = self._has_bits[code]
            self._observed.bits.feed(code[wanted], t_ns[wanted], data.compress(wanted, axis=0))

    def _feed_channels(self, block: FrameBlock) -> None:
        observed = self._observed
        if len(observed.channel_row) == 1 and not observed.unwatched:  # what is not watched may be another channel's
            observed.channels.feed(np.zeros(len(block), np.int64), block.t_ns)
            return
        row_of = np.full(256, -1, np.int64)
        for channel, row in observed.channel_row.items():
            row_of[channel] = row
        rows = row_of[block.channel]
        known = rows >= 0
        if known.all():
            observed.channels.feed(rows, block.t_ns)
        else:
            observed.channels.feed(rows[known], block.t_ns[known])

    def _note_lengths(self, block: FrameBlock, code: np.ndarray[tuple[int], np.dtype[np.int64]]) -> None:
        """Remember which streams on the CANopen error-control identifiers have one byte."""
        if len(code) != len(block):
            return
        control = np.flatnonzero((block.id > 0x700) & (block.id <= 0x77F) & ((block.flags & FrameFlag.EXTENDED) == 0))
        if not len(control):
            return
        long = block.length[control] != 1
        for stream in distinct(code[control]).tolist():
            had_long = bool(long[code[control] == stream].any())
            self._observed.one_byte[stream] = self._observed.one_byte.get(stream, True) and not had_long

    def _feed_errors(self, block: FrameBlock) -> None:
        is_error = (block.flags & FrameFlag.ERROR) != 0
        self._observed.error_frames += int(np.count_nonzero(is_error))
        lost = np.flatnonzero(
            is_error & ((block.id & _CONTROLLER_PROBLEM) != 0) & ((block.data[:, 1] & _RX_OVERFLOW) != 0)
        )
        for channel in distinct(block.channel[lost]).tolist():
            for t_ns in block.t_ns[lost[block.channel[lost] == channel]].tolist():
                first, last = self._overflows.get(channel, (t_ns, t_ns))
                if t_ns - last > _OVERFLOW_APART_NS:
                    self._observed.gaps.append(_overflow(channel, first, last))
                    first = t_ns
                self._overflows[channel] = (first, t_ns)

    def _overflow_gaps(self) -> list[Gap]:
        return [_overflow(channel, first, last) for channel, (first, last) in sorted(self._overflows.items())]


def _overflow(channel: int, first_ns: int, last_ns: int) -> Gap:
    return Gap(
        channel=channel,
        from_ns=first_ns - _OVERFLOW_MARGIN_NS,
        to_ns=last_ns + _OVERFLOW_MARGIN_NS,
        kind=GapKind.CAPTURE_GAP,
        why="frames lost in the laptop (receive overflow)",
    )
