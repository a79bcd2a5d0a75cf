"""Live buses through python-can: a thread for each, what they hear merged in the order of time. Nothing is transmitted.

    adapter ─ thread ─ list ┐
    adapter ─ thread ─ list ┴─ take(): columns, one order of time, up to where every bus is sure

A frame is handed over only when no earlier one can still come from another bus, which is a few hundredths of a second.
"""

import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from busdoc.capture.bus.adapter import OpenAdapter, can_be_tried, open_adapter
from busdoc.capture.bus.address import BusAddress
from busdoc.capture.bus.bitrate import open_at_found_bitrate
from busdoc.capture.bus.clock import LiveClock
from busdoc.capture.bus.listener import BusListener, Clock, Heard
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import BusState, Taken
from busdoc.capture.reading import RecorderGap
from busdoc.errors import BusError, InputError
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["LiveBuses", "channel_names"]

_SURE_WITHIN_NS = 2 * SECOND_NS
"""A bus whose driver hangs does not hold up the others for longer."""
_TICK_AT_MOST_NS = 200_000_000
"""Where more time passed between two calls, nobody ran: that is no hanging driver."""

_LATE_NS = 20 * MILLISECOND_NS
_OPENED_APART_NS = 20 * MILLISECOND_NS
_JOIN_S = 3.0

_MOST_CHANNELS = 256
_BUS_NAME = re.compile(r"v?can(?P<number>\d{1,3})")
"""Names that the operating system gives buses; others are no names of a bus but of an adapter, a port, a group."""


def channel_names(addresses: Sequence[BusAddress]) -> tuple[str, ...]:
    """Name the channels of a recording: as the operating system calls a bus, else can0, can1, … in the order given.

    The names end in the channels' numbers, so that the recording, read again, has the same ones.
    """
    own: dict[int, str] = {}
    for address in addresses:
        match = _BUS_NAME.fullmatch(address.channel or "")
        if match is not None and int(match["number"]) < _MOST_CHANNELS:
            own.setdefault(int(match["number"]), match[0])
    free = (number for number in range(_MOST_CHANNELS) if number not in own)
    names: list[str] = []
    for address in addresses:
        is_own = address.channel in own.values() and address.channel not in names
        names.append(address.channel if is_own and address.channel is not None else f"can{next(free)}")
    return tuple(names)


class LiveBuses:
    """One or more live buses as a source of frames (`busdoc.capture.listening.FrameSource`).

    Parameters
    ----------
    addresses : the buses, in the order of their channels
    clock : the time; None for the laptop's, carried on by a clock that is never set
    opener : opens an adapter; python-can's unless a test hands in its own
    threads : whether each bus has a thread; without, a test turns them by `turn`
    waits : an adapter that does not open yet is waited for, as for one that was lost

    Raises
    ------
    InputError : the same bus twice, or none
    """

    def __init__(
        self,
        addresses: Sequence[BusAddress],
        *,
        clock: Clock | None = None,
        opener: Callable[[BusAddress], OpenAdapter] | None = None,
        threads: bool = True,
        waits: bool = False,
    ) -> None:
        _check(addresses)
        self.channels = ChannelTable()
        self._clock: Clock = LiveClock() if clock is None else clock
        self._opener = self._open if opener is None else opener
        self._with_threads = threads
        self._waits = waits
        self._listeners = [
            BusListener(address, self.channels.number(name), opener=self._opener, clock=self._clock)
            for address, name in zip(addresses, channel_names(addresses), strict=True)
        ]
        self._threads: list[threading.Thread] = []
        self._stopping = threading.Event()
        self._started = self._stopped = False
        self._held = FrameBlock.empty()
        self._sure_ns = self._taken_ns = self._clock.now_ns()
        self._patience_ns = 0
        """For how long nothing new became sure, while this program ran."""
        self._made_ns = self._until_ns = _whole(self._clock.now_ns())
        self._is_begun = False
        self._opening_gaps: list[RecorderGap] = []

    @property
    def epoch(self) -> bool:
        """Live times are Unix times."""
        return True

    @property
    def finished(self) -> bool:
        """A live bus goes on until it is stopped."""
        return self._stopped

    def start(self) -> None:
        """Open every adapter, and listen.

        Raises
        ------
        InputError : one that cannot be opened, or whose bit rate is not to be found
        """
        if self._started:
            return
        self._started = True

        try:
            for listener in self._listeners:  # one after the other: not every driver bears more
                listener.open(waits=self._waits)
                if self._with_threads:
                    thread = threading.Thread(target=listener.run, name=f"bus {listener.address.name}", daemon=True)
                    self._threads.append(thread)
                    thread.start()
        except BaseException as error:
            self.stop()
            if isinstance(error, BusError):
                reason = str(error).rstrip(".")
                advice = "Check that it is plugged in and free, or let --wait wait for it."
                raise InputError("--bus", "an adapter that opens", reason, advice) from error
            raise
        opened_ns = {listener.channel: listener.opened_ns for listener in self._listeners}
        self._until_ns = max(self._until_ns, _whole(min(opened_ns.values())))
        for channel, at_ns in opened_ns.items():
            if at_ns - self._until_ns > _OPENED_APART_NS:
                why = "the adapter opened later than the others"
                self._opening_gaps.append(RecorderGap(from_ns=self._until_ns, to_ns=at_ns, channel=channel, why=why))

    def stop(self) -> None:
        """Stop listening and let go of the adapters; what was received can still be taken."""
        if self._stopped:
            return
        self._stopped = True
        self._stopping.set()
        for listener in self._listeners:
            listener.stop()
        for thread in self._threads:
            thread.join(_JOIN_S)  # a driver that hangs is left behind
        for listener in self._listeners:
            listener.close()

    def turn(self, channel: int | None = None) -> None:
        """Let one bus, or each, read once, where no threads do."""
        for listener in self._listeners:
            if channel is None or listener.channel == channel:
                listener.turn()

    def now_ns(self) -> int:
        """Give the time on the clock that stamps the frames."""
        return self._clock.now_ns()

    def take(self) -> Taken:
        """Hand over what came in since the last call, without waiting."""
        now_ns = self._clock.now_ns()
        heard = [listener.take() for listener in self._listeners]
        self._begin(heard)
        until_ns = now_ns if self._stopped else self._sure_until([one.sure_until_ns for one in heard], now_ns)
        until_ns = max(_whole(until_ns), self._until_ns)
        gaps, self._opening_gaps = self._opening_gaps, []
        gaps += [gap for one in heard for gap in one.gaps]
        gaps += [gap for one in heard for gap in self._late(one.frames)]
        frames = FrameBlock.concat([self._held, *(self._not_before(one.frames) for one in heard)])
        if len(frames) > 1 and np.any(frames.t_ns[1:] < frames.t_ns[:-1]):
            frames = frames.take(np.argsort(frames.t_ns, kind="stable"))
        if self._stopped and len(frames):
            until_ns = max(until_ns, int(frames.t_ns[-1]))
        n_ready = int(np.searchsorted(frames.t_ns, until_ns, side="right"))
        self._held = frames.slice(n_ready, len(frames))
        self._until_ns = until_ns
        open_gaps = tuple(one.open_gap for one in heard if one.open_gap is not None)
        return Taken(frames=frames.slice(0, n_ready), gaps=tuple(gaps), heard_until_ns=until_ns, open_gaps=open_gaps)

    def buses(self) -> tuple[BusState, ...]:
        """Say how each bus is heard."""
        return tuple(listener.state() for listener in self._listeners)

    def _begin(self, heard: Sequence[Heard]) -> None:
        """Begin with the first frame, where one came in while its adapter was still said to be opening."""
        firsts = [int(one.frames.t_ns[0]) for one in heard if len(one.frames)]
        if not self._is_begun and firsts:
            self._until_ns = max(self._made_ns, min(self._until_ns, *firsts))
        self._is_begun = True

    def _sure_until(self, sure_until_ns: Sequence[int | None], now_ns: int) -> int:
        """Give up to when no earlier frame can come from any bus that answers."""
        sure_ns = min((ns for ns in sure_until_ns if ns is not None), default=self._until_ns)
        elapsed_ns, self._taken_ns = now_ns - self._taken_ns, now_ns
        is_stuck = sure_ns <= self._sure_ns and any(ns is not None for ns in sure_until_ns)
        self._patience_ns = self._patience_ns + min(elapsed_ns, _TICK_AT_MOST_NS) if is_stuck else 0
        self._sure_ns = sure_ns
        if self._patience_ns > _SURE_WITHIN_NS:
            sure_ns = max(sure_ns, now_ns - _SURE_WITHIN_NS)
        return min(sure_ns, now_ns)

    def _late(self, frames: FrameBlock) -> list[RecorderGap]:
        """Give the stretch whose frames came too late: they lose their times, so nothing is concluded from it."""
        if not len(frames) or self._until_ns - int(frames.t_ns[0]) <= _LATE_NS:
            return []
        why = "frames came too late for their own times"
        channel, from_ns = int(frames.channel[0]), int(frames.t_ns[0])
        return [RecorderGap(from_ns=from_ns, to_ns=self._until_ns, channel=channel, why=why)]

    def _not_before(self, frames: FrameBlock) -> FrameBlock:
        """Move frames that came too late for the order of time up to where the others stand."""
        if not len(frames) or frames.t_ns[0] >= self._until_ns:
            return frames
        return replace(frames, t_ns=np.maximum(frames.t_ns, self._until_ns))

    def _open(self, address: BusAddress) -> OpenAdapter:
        if can_be_tried(address):
            return open_at_found_bitrate(address, opener=open_adapter, clock=self._clock, stopping=self._stopping)
        return open_adapter(address)


def _whole(t_ns: int) -> int:
    """Give a time in whole microseconds: a frame that is moved to it is written as it stands."""
    return t_ns // 1000 * 1000


def _check(addresses: Sequence[BusAddress]) -> None:
    if not addresses:
        raise InputError("--bus", "at least one bus", "none", "Write for example --bus socketcan:can0.")
    names = [address.name for address in addresses]
    for name in names:
        if names.count(name) > 1:
            raise InputError("--bus", "each bus once", f"{name} twice", "Take one of the two out.")
