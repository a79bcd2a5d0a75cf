"""Frames from the timelines of controllers: every stream's ticks, what protocols add, serialised on the wire.

Long captures come in chunks of time, each a block, in bounded memory. A controller's software starts with its claim or
boot-up; a controller that is only unheard ticks and counts on.
"""

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.simulation.arbitration import arbitration_key, serialise, wire_bits
from busdoc.simulation.stream import Stream, StreamClock
from busdoc.simulation.timeline import Stint
from busdoc.times import SECOND_NS

__all__ = ["LooseFrame", "Traffic"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LooseFrame:
    """A frame outside every stream: a claim, a boot-up, a fault code, an error frame."""

    time_s: float
    id: int
    data: bytes
    extended: bool = True
    channel: int = 0
    error: bool = False
    controller: str | None = None
    """Its sender, heard only while that is; None: the recorder itself, or the wire."""


class Traffic:
    """The frames that a recorder at the diagnostic port gets.

    Parameters
    ----------
    streams : every stream of every controller
    timelines : controller -> its stints
    loose : frames outside the streams, in any order
    rng : phases, jitter, payloads
    until_s : end of the capture
    start_ns : the capture's time at zero seconds
    bitrate : channel -> bit/s, for how long frames keep the wire; 250,000 where nothing is said
    drift_ppm : controller -> how far its clock is off; drawn within ±100 ppm where nothing is said
    """

    def __init__(
        self,
        streams: Sequence[Stream],
        timelines: Mapping[str, Sequence[Stint]],
        loose: Sequence[LooseFrame],
        rng: np.random.Generator,
        *,
        until_s: float,
        start_ns: int = 0,
        bitrate: Mapping[int, int] | None = None,
        drift_ppm: Mapping[str, float] | None = None,
    ) -> None:
        self._streams = tuple(streams)
        self._timelines = timelines
        self._loose = sorted(loose, key=lambda frame: frame.time_s)
        self._rng = rng
        self._until_s = until_s
        self._start_ns = start_ns
        self._bitrate = dict(bitrate or {})
        drifts = {name: float(rng.uniform(-100.0, 100.0)) for name in timelines} | dict(drift_ppm or {})
        self._clocks = [StreamClock(s, rng, drifts.get(s.controller, 0.0)) for s in self._streams]
        self._bytes = rng.integers(0, 251, (len(self._streams), 8), dtype=np.uint8)
        self._slope = rng.integers(1, 50, len(self._streams))
        self._from_s = 0.0
        self._free_ns: dict[int, int] = {}
        self._held = self._waiting = FrameBlock.empty()

    @property
    def streams(self) -> tuple[Stream, ...]:
        """As they were given last."""
        return self._streams

    def blocks(self, chunk_s: float = 600.0) -> Iterator[FrameBlock]:
        """Yield the capture as blocks in the order of time."""
        while self._from_s < self._until_s:
            block = self.until(min(self._from_s + chunk_s, self._until_s))
            if len(block):
                yield block

    def until(self, to_s: float) -> FrameBlock:
        """Give the frames from where the last call ended up to a time, in their order."""
        ready = FrameBlock.concat([self._waiting, self._ready(self._from_s, to_s)])
        sent, self._waiting = self._on_the_wire(ready, self._free_ns, round(to_s * SECOND_NS))
        block = FrameBlock.concat([self._held, sent])
        block = block.take(np.argsort(block.t_ns, kind="stable").astype(np.int64))
        # What ends on the wire after the chunk waits for the next one, where another channel may come first.
        n_done = int(np.searchsorted(block.t_ns, self._start_ns + round(to_s * SECOND_NS)))
        self._held = block.slice(n_done, len(block))
        self._from_s = to_s
        return block.slice(0, n_done)

    def goes_on(
        self, streams: Sequence[Stream], timelines: Mapping[str, Sequence[Stint]], loose: Sequence[LooseFrame]
    ) -> None:
        """Take what has become known since: the machine is still being lived with.

        Parameters
        ----------
        streams : the same as before, in the same order, with contents that know what happened
        timelines : that agree with those before up to where the last `until` ended
        loose : those from there on
        """
        self._streams = tuple(streams)
        self._timelines = timelines
        self._loose = sorted(loose, key=lambda frame: frame.time_s)

    def _ready(self, from_s: float, to_s: float) -> FrameBlock:
        """Collect what wants to be sent within a stretch; times are those of readiness, in no order."""
        pieces: list[tuple[Stream, Int64Array, UInt8Array]] = []
        for k, clock in enumerate(self._clocks):
            stream = clock.stream
            for stint in self._timelines.get(stream.controller, ()):
                times_s, numbers = clock.ticks(stint, from_s, to_s)
                if not len(times_s):
                    continue
                heard = np.zeros(len(times_s), np.bool_)
                for heard_from, heard_to in stint.heard:
                    heard |= (times_s >= heard_from) & (times_s < heard_to)
                times_s, numbers = times_s[heard], numbers[heard]
                pieces.append(
                    (stream, np.round(times_s * SECOND_NS).astype(np.int64), self._payload(k, times_s, numbers))
                )
        columns = [
            FrameBlock(
                t_ns=t_ns,
                channel=np.full(len(t_ns), stream.channel, np.uint8),
                id=np.full(len(t_ns), stream.id, np.uint32),
                flags=np.full(len(t_ns), FrameFlag.EXTENDED if stream.extended else 0, np.uint16),
                length=np.full(len(t_ns), stream.length, np.uint8),
                data=data,
            )
            for stream, t_ns, data in pieces
        ]
        return FrameBlock.concat([*columns, self._loose_between(from_s, to_s)])

    def _payload(self, k: int, times_s: Float64Array, numbers: Int64Array) -> UInt8Array:
        stream = self._streams[k]
        if stream.content is not None:
            data = stream.content(times_s, numbers)
        else:
            data = np.tile(self._bytes[k], (len(numbers), 1))
            swing = np.sin(times_s * (2.0 * np.pi / (5.0 + self._slope[k])) + k)
            data[:, 1] = np.round(125.0 + 100.0 * swing).astype(np.uint8)
        if stream.counter is not None:
            byte, first_bit, n_bits = stream.counter
            mask = ((1 << n_bits) - 1) << first_bit
            count = (numbers % (1 << n_bits)) << first_bit
            data[:, byte] = (data[:, byte] & (0xFF ^ mask)) | count.astype(np.uint8)
        data[:, stream.length :] = 0
        return data

    def _loose_between(self, from_s: float, to_s: float) -> FrameBlock:
        first, last = (bisect_left(self._loose, at_s, key=lambda f: f.time_s) for at_s in (from_s, to_s))
        kept = [f for f in self._loose[first:last] if self._is_heard(f)]
        data = np.zeros((len(kept), 8), np.uint8)
        for row, frame in enumerate(kept):
            data[row, : len(frame.data)] = list(frame.data)
        return FrameBlock(
            t_ns=np.array([round(f.time_s * SECOND_NS) for f in kept], np.int64),
            channel=np.array([f.channel for f in kept], np.uint8),
            id=np.array([f.id for f in kept], np.uint32),
            flags=np.array(
                [FrameFlag.ERROR if f.error else FrameFlag.EXTENDED if f.extended else 0 for f in kept], np.uint16
            ),
            length=np.array([len(f.data) for f in kept], np.uint8),
            data=data,
        )

    def _is_heard(self, frame: LooseFrame) -> bool:
        if frame.controller is None:
            return True
        return any(
            heard_from <= frame.time_s < heard_to
            for stint in self._timelines.get(frame.controller, ())
            for heard_from, heard_to in stint.heard
        )

    def _on_the_wire(self, ready: FrameBlock, free_ns: dict[int, int], to_ns: int) -> tuple[FrameBlock, FrameBlock]:
        """Serialise each channel, then merge; times become the end of each frame, on the recorder's 1 µs clock.

        Returns
        -------
        sent : frames that got the wire before `to_ns`
        waiting : those that did not, as they were given: what becomes ready later may go before them
        """
        ready = ready.take(np.argsort(ready.t_ns, kind="stable").astype(np.int64))
        end_ns = ready.t_ns.copy()
        started = np.zeros(len(ready), np.bool_)
        extended = (ready.flags & FrameFlag.EXTENDED) != 0
        bits = wire_bits(extended, ready.length)
        key = arbitration_key(ready.id, extended)
        key[(ready.flags & FrameFlag.ERROR) != 0] = -1  # an error frame waits for nobody
        for channel in np.unique(ready.channel).tolist():
            rows = np.flatnonzero(ready.channel == channel)
            cost_ns = bits[rows] * (SECOND_NS // self._bitrate.get(channel, 250_000))
            end_ns[rows] = serialise(ready.t_ns[rows], cost_ns, key[rows], free_ns.get(channel, -SECOND_NS))
            started[rows] = end_ns[rows] - cost_ns < to_ns
            free_ns[channel] = int(end_ns[rows][started[rows]].max(initial=free_ns.get(channel, -SECOND_NS)))
        sent = ready.take(started)
        end_ns = end_ns[started]
        order = np.argsort(end_ns, kind="stable").astype(np.int64)
        sent = sent.take(order)
        t_ns = (end_ns[order] + 500) // 1000 * 1000 + self._start_ns
        return replace(sent, t_ns=t_ns), ready.take(~started)
