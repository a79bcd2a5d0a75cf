"""One bus, listened to in a thread of its own: opened, read, lost and found again.

The thread does as little as it can: it appends what it receives to lists. Everything else happens when the lists are
taken. A reading that fails once is tried again at once (a garbled byte on a serial line is no lost adapter); one that
fails again is a lost adapter, which is tried again after half a second, then twice as long, up to fifteen seconds.
"""

import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.address import BusAddress
from busdoc.capture.bus.clock import StampClock
from busdoc.capture.bus.drops import DropWatch, ListeningPause
from busdoc.capture.bus.frames import block_of, overflows
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import BusState, Hearing
from busdoc.capture.reading import RecorderGap
from busdoc.errors import BusError, InputError
from busdoc.times import MILLISECOND_NS, SECOND_NS

if TYPE_CHECKING:
    import can

__all__ = ["BusListener", "Clock", "Heard"]

Opener = Callable[[BusAddress], OpenAdapter]

_TURN_S = 0.02
"""How long a reading waits: what is silent is known to be so within this."""

_REST_S = 0.003
"""How long is rested where frames wait meanwhile: waking up for each costs as much as reading it."""

_SILENT_NS = SECOND_NS
_OVERRUN_SHOWN_NS = 5 * SECOND_NS
_PAUSE_NS = SECOND_NS
"""A turn that took longer: the laptop slept, or the program was stopped."""

_FIRST_RETRY_NS, _LAST_RETRY_NS = 500 * MILLISECOND_NS, 15 * SECOND_NS
_LOST_TURN_S = 0.1
_STAMPED_BEFORE_NS = 2 * MILLISECOND_NS
"""A frame is stamped, then handed on: one with an earlier stamp may still be on its way that long."""
_FAILURES = 2

_AWAY = "the adapter did not answer"

_MOST_WAITING = 2_000_000
"""Frames that nobody took: two minutes of two full buses, some 700 MB of objects."""


class Clock(Protocol):
    """The time, and a way to wait; a test hands in its own."""

    def now_ns(self) -> int:
        """Give the time on the clock of the frames."""
        ...

    def wait(self, event: threading.Event, seconds: float) -> None:
        """Wait until something happens, or the time is over."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """What one bus gave since the last time."""

    frames: FrameBlock
    gaps: tuple[RecorderGap, ...]
    sure_until_ns: int | None
    """No frame earlier than this can still come; None while the adapter is away."""
    open_gap: RecorderGap | None
    """Since when the adapter is away, up to now."""


class BusListener:
    """Listens to one bus; `turn` is one round of its thread, everything else is called from outside."""

    def __init__(
        self,
        address: BusAddress,
        channel: int,
        *,
        opener: Opener,
        clock: Clock,
        most_waiting: int = _MOST_WAITING,
    ) -> None:
        self.address = address
        self.channel = channel
        self._opener = opener
        self._clock = clock
        self._most_waiting = most_waiting
        self._settling = threading.Lock()
        self._stopping = threading.Event()
        self._open: OpenAdapter | None = None
        self._interface = ""
        self._stamps = StampClock()
        self._pending: list[tuple[can.Message, int]] = []
        """Received and when; appended to by the thread and cut off at its head by `take`, each in one step."""
        self._settled: list[FrameBlock] = []
        self._gaps: list[RecorderGap] = []
        now_ns = clock.now_ns()
        self._hearing = Hearing.OPENING
        self._since_ns = now_ns
        self._bitrate = address.bitrate
        self._listen_only: bool | None = None
        self._note = ""
        self._heard_ns = now_ns
        """When the last frame arrived, or the adapter was opened."""
        self._last_t_ns: int | None = None
        """The time of the last frame taken."""
        self.opened_ns = now_ns
        """When the adapter was opened last."""
        self._sure_ns = now_ns
        self._turned_ns = now_ns
        self._pause: ListeningPause | None = None
        self._failures = 0
        self._n_garbled = 0
        self._lost_from_ns: int | None = None
        self._retry_ns = 0
        self._retry_after_ns = _FIRST_RETRY_NS
        self._overrun_ns: int | None = None
        self._dropping_since_ns: int | None = None
        self._drops = DropWatch(None, now_ns)

    def open(self) -> None:
        """Open the adapter for the first time.

        Raises
        ------
        InputError, BusError : as the opener does
        """
        self._opened(self._opener(self.address))

    def run(self) -> None:
        """Listen until `stop` is called."""
        while not self._stopping.is_set():
            self.turn()

    def stop(self) -> None:
        """End `run` after its turn."""
        self._stopping.set()

    def close(self) -> None:
        """Let go of the adapter."""
        adapter, self._open = self._open, None
        if adapter is not None:
            adapter.close()

    def turn(self) -> None:
        """Read one frame or wait for one; or, while the adapter is away, wait for the time to try it again."""
        opened = self._open
        if opened is None:
            self._seek()
            return
        begun_ns = self._clock.now_ns()
        try:
            message = opened.adapter.recv(0.0 if opened.keeps_frames else _TURN_S)
        except Exception as error:  # whatever a driver may raise: python-can lets its own errors through
            self._failed(error)
            return
        now_ns = self._clock.now_ns()
        before_ns, self._turned_ns = self._turned_ns, now_ns
        if now_ns - before_ns > _PAUSE_NS:
            with self._settling:  # the frame and the pause that it waited through are judged together
                self._pause = ListeningPause(now_ns, now_ns - before_ns)
                self._receive(message, begun_ns, now_ns)
        else:
            self._receive(message, begun_ns, now_ns)
        if message is None and opened.keeps_frames:
            self._clock.wait(self._stopping, _REST_S)

    def _receive(self, message: "can.Message | None", begun_ns: int, now_ns: int) -> None:
        if message is None:
            self._sure_ns = begun_ns
            return
        self._failures, self._retry_after_ns = 0, _FIRST_RETRY_NS
        if len(self._pending) >= self._most_waiting:
            self._dropping_since_ns = self._dropping_since_ns or now_ns
            self._overrun_ns = now_ns
            return
        self._heard_ns = now_ns
        self._pending.append((message, now_ns))

    def take(self) -> Heard:
        """Give what was received since the last time, in columns, with the stretches that were not heard."""
        before_ns = self._last_t_ns
        with self._settling:
            sure_ns, is_away = self._sure_ns - _STAMPED_BEFORE_NS, self._open is None
            dropping_ns, self._dropping_since_ns = self._dropping_since_ns, None
            self._settle()
            frames = FrameBlock.concat(self._settled)
            self._settled = []
            gaps, self._gaps = self._gaps, []
            sure_ns -= self._stamps.lag_ns
            away_ns = self._lost_from_ns if is_away else None
        if self._last_t_ns is not None:
            sure_ns = max(sure_ns, self._last_t_ns)
        gaps += self._gaps_of_overruns(frames, dropping_ns)
        gaps += self._gap_of_a_pause(frames, before_ns, sure_ns)
        open_gap = None
        if away_ns is not None and (now_ns := self._clock.now_ns()) > away_ns:
            open_gap = _from_last_frame(self._made_gap(away_ns, now_ns, _AWAY), frames, before_ns)
        return Heard(
            frames=frames,
            gaps=tuple(_from_last_frame(gap, frames, before_ns) for gap in gaps),
            sure_until_ns=None if is_away else sure_ns,
            open_gap=open_gap,
        )

    def _settle(self) -> None:
        """Turn what is pending into columns."""
        n = len(self._pending)
        if not n:
            return
        pending = self._pending[:n]
        del self._pending[:n]
        messages = [message for message, _ in pending]
        arrival_ns = np.array([arrived_ns for _, arrived_ns in pending], np.int64)
        paused_ns = 0 if self._pause is None else self._pause.paused_ns
        t_ns = self._stamps.place([message.timestamp for message in messages], arrival_ns, paused_ns=paused_ns)
        if self._last_t_ns is not None:
            t_ns = np.maximum(t_ns, self._last_t_ns)
        t_ns = np.maximum.accumulate(t_ns)
        self._last_t_ns = int(t_ns[-1])
        self._settled.append(block_of(messages, t_ns, self.channel, self._interface))

    def state(self) -> BusState:
        """Say how the bus is heard now."""
        now_ns = self._clock.now_ns()
        hearing, since_ns = self._hearing, self._since_ns
        note = self._note
        if hearing is Hearing.HEARD:
            if self._overrun_ns is not None and now_ns - self._overrun_ns <= _OVERRUN_SHOWN_NS:
                hearing, since_ns = Hearing.OVERRUN, self._overrun_ns
                note = "frames were lost in this laptop or its adapter; that is nobody's dropout"
            elif now_ns - self._heard_ns > _SILENT_NS:
                hearing, since_ns = Hearing.SILENT, self._heard_ns
        if self._n_garbled:
            garbled = f"{self._n_garbled} garbled frames left out"
            note = f"{note}; {garbled}" if note else garbled
        return BusState(
            name=self.address.name,
            channel=self.channel,
            hearing=hearing,
            since_ns=since_ns,
            bitrate=self._bitrate,
            listen_only=self._listen_only,
            note=note,
        )

    def _opened(self, opened: OpenAdapter) -> None:
        now_ns = self._clock.now_ns()
        with self._settling:
            self._open = opened
            self._interface = opened.interface
            self._bitrate = opened.bitrate
            self._listen_only = opened.listen_only
            self._note = opened.note
            self._hearing, self._since_ns, self._heard_ns, self._sure_ns = Hearing.HEARD, now_ns, now_ns, now_ns
            self.opened_ns = now_ns
            self._turned_ns, self._pause = now_ns, None
            self._failures = 0
            self._drops = DropWatch(opened.drops, now_ns)
            if self._lost_from_ns is not None and now_ns > self._lost_from_ns:
                self._gaps.append(self._made_gap(self._lost_from_ns, now_ns, _AWAY))
            self._lost_from_ns = None

    def _failed(self, error: Exception) -> None:
        """Judge a reading that failed: a garbled frame, or a lost adapter."""
        self._failures += 1
        self._turned_ns = self._clock.now_ns()
        if isinstance(error, struct.error | ValueError | TypeError | IndexError | AssertionError):
            self._n_garbled += 1
        if self._failures < _FAILURES or self._stopping.is_set():
            return
        now_ns = self._clock.now_ns()
        with self._settling:
            self._settle()  # by the clock of its own stamps: the next adapter has another
            self._stamps = StampClock()
            adapter, self._open = self._open, None
            self._hearing, self._since_ns = Hearing.ADAPTER_LOST, now_ns
            self._lost_from_ns = self._heard_ns
            self._retry_ns = now_ns + self._retry_after_ns
            self._note = self._retry_note(_words(error))
        if adapter is not None:
            adapter.close()

    def _seek(self) -> None:
        """Try a lost adapter again when it is time to."""
        now_ns = self._clock.now_ns()
        if now_ns < self._retry_ns:
            self._clock.wait(self._stopping, min((self._retry_ns - now_ns) / SECOND_NS, _LOST_TURN_S))
            return
        try:
            opened = self._opener(self._with_known_bitrate())
        except (BusError, InputError) as error:
            self._retry_after_ns = min(2 * self._retry_after_ns, _LAST_RETRY_NS)
            self._retry_ns = self._clock.now_ns() + self._retry_after_ns
            self._note = self._retry_note(_words(error))
            return
        self._retry_after_ns = min(2 * self._retry_after_ns, _LAST_RETRY_NS)  # until a frame shows that it works
        self._opened(opened)

    def _with_known_bitrate(self) -> BusAddress:
        """Give the address with the rate that was found out, so that it is not tried out again."""
        return self.address if self._bitrate is None else replace(self.address, bitrate=self._bitrate)

    def _retry_note(self, why: str) -> str:
        return f"{why}; it is tried again every {self._retry_after_ns / SECOND_NS:g} s"

    def _gap_of_a_pause(self, frames: FrameBlock, before_ns: int | None, sure_ns: int) -> list[RecorderGap]:
        pause = self._pause
        if pause is None:
            return []
        pause.feed(frames.t_ns, before_ns, sure_ns)
        if not pause.is_over:
            return []
        kept_all = self._drops.counts and not self._drops.dropped_in_pause
        self._pause, self._drops.dropped_in_pause = None, False
        if pause.hole_ns is None or kept_all:
            return []
        return [self._made_gap(*pause.hole_ns, "the laptop did not listen")]

    def _gaps_of_overruns(self, frames: FrameBlock, dropping_ns: int | None) -> list[RecorderGap]:
        now_ns = self._clock.now_ns()
        if len(overflows(frames)):  # whoever judges the frames finds the gap in them, also in a recording
            self._overrun_ns = now_ns
        stretches = self._drops.look(now_ns, is_pause=self._pause is not None)
        if self._drops.last_drop_ns == now_ns:
            self._overrun_ns = now_ns
        if dropping_ns is not None:
            stretches.append((dropping_ns, now_ns))
        return [self._made_gap(from_ns, to_ns, "the laptop did not keep up") for from_ns, to_ns in stretches]

    def _made_gap(self, from_ns: int, to_ns: int, why: str) -> RecorderGap:
        return RecorderGap(from_ns=from_ns, to_ns=to_ns, channel=self.channel, why=why)


def _from_last_frame(gap: RecorderGap, frames: FrameBlock, before_ns: int | None) -> RecorderGap:
    """Let a gap begin where the last frame before it stands, which is a little before that frame arrived."""
    row = int(np.searchsorted(frames.t_ns, gap.from_ns, side="right")) - 1
    last_ns = before_ns if row < 0 else int(frames.t_ns[row])
    if last_ns is None or not 0 < gap.from_ns - last_ns < _PAUSE_NS:
        return gap
    return replace(gap, from_ns=last_ns)


def _words(error: BaseException) -> str:
    text = " ".join(str(error).split()).rstrip(".")
    return text or type(error).__name__
