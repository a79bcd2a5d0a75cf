"""One bus, listened to in a thread of its own: opened, read, lost and found again.

The thread does as little as it can: it appends what it receives to lists. Everything else happens when the lists are
taken. A reading that fails once is tried again at once (a garbled byte on a serial line is no lost adapter); one that
fails again is a lost adapter. An interface of the operating system that is down or gone says so once: that is enough.
"""

import contextlib
import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

from busdoc.capture.bus.absence import Retry
from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.address import BusAddress, reason_of
from busdoc.capture.bus.link import lost_at_once
from busdoc.capture.bus.received import Received
from busdoc.capture.bus.unheard import PAUSE_NS, STALL_NS, Unheard, from_last_frame
from busdoc.capture.frames import TRANSMITTED, FrameBlock
from busdoc.capture.listening import FRAMES_LOST, BusState, Hearing
from busdoc.capture.reading import RecorderGap
from busdoc.errors import BusError, InputError
from busdoc.times import MILLISECOND_NS, SECOND_NS
from busdoc.words.duration import duration

if TYPE_CHECKING:
    import can

__all__ = ["BusListener", "Clock", "Heard"]

Opener = Callable[[BusAddress], OpenAdapter]

_TURN_S = 0.02
"""How long a reading waits: what is silent is known to be so within this."""

_REST_S = 0.003
"""How long is rested where frames wait meanwhile: waking up for each costs as much as reading it."""

_SILENT_NS = SECOND_NS

_LOOK_EVERY_NS = 250 * MILLISECOND_NS
"""How often the operating system is asked whether the interface is still the one that was opened, and its clock."""

_LOST_TURN_S = 0.1
_MOST_REMARKS = 100
_STAMPED_BEFORE_NS = 2 * MILLISECOND_NS
"""A frame is stamped, then handed on: one with an earlier stamp may still be on its way that long."""
_FAILURES = 2

_AT_ONCE = 256
"""Frames that are read before the clock is looked at again."""
_LAST_READING_NS = 2 * SECOND_NS
"""What waits when listening ends is read for so long at most."""

_SENT_HERE = (
    "frames come from a program on this computer (a bridge, a player): they count for no controller and prove nobody's "
    "presence"
)

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

    def moved_ns(self) -> int:
        """Give by how much the system's clock was set since the start."""
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
        self._received = Received(channel, most_waiting)
        self._settling = threading.Lock()
        self._stopping = threading.Event()
        self._open: OpenAdapter | None = None
        now_ns = clock.now_ns()
        self._hearing = Hearing.OPENING
        self._since_ns = now_ns
        self._bitrate = address.bitrate
        self._listen_only: bool | None = None
        self._note = ""
        self._remarks: dict[str, None] = {}
        self._heard_ns = now_ns
        """When the last frame arrived, or the adapter was opened."""
        self.opened_ns = now_ns
        """When the adapter was opened last."""
        self._sure_ns = now_ns
        self._turned_ns = self._looked_ns = now_ns
        self._failures = 0
        self._n_garbled = 0
        self._unheard, self._retry = Unheard(channel, now_ns), Retry()

    def open(self, *, waits: bool = False) -> None:
        """Open the adapter for the first time.

        Parameters
        ----------
        waits : an adapter that does not open now is tried again as one that was lost

        Raises
        ------
        InputError, BusError : as the opener does
        """
        try:
            self._opened(self._opener(self.address))
        except BusError as error:
            if not waits:
                raise
            now_ns = self._clock.now_ns()
            self._hearing, self._since_ns = Hearing.ADAPTER_LOST, now_ns
            self._unheard.lost(now_ns)
            self._retry.lost(now_ns)
            self._note = self._retry_note(reason_of(error).removeprefix(f"{self.address.name} does not open: "))

    def run(self) -> None:
        """Listen until `stop` is called."""
        while not self._stopping.is_set():
            self.turn()

    def stop(self) -> None:
        """End `run` after its turn."""
        self._stopping.set()

    def close(self) -> None:
        """Read what still waits, and let go of the adapter."""
        adapter, self._open = self._open, None
        if adapter is not None:
            if adapter.keeps_frames:
                self._read_the_rest(adapter)
            adapter.close()
        with self._settling:
            self._settle()
            self._unheard.closed(self._clock.now_ns())

    def turn(self) -> None:
        """Read what waits or wait for it; or, while the adapter is away, wait for the time to try it again."""
        opened = self._open
        if opened is None:
            self._seek()
            return
        begun_ns = self._clock.now_ns()
        if begun_ns - self._looked_ns > _LOOK_EVERY_NS:
            self._looked_ns = begun_ns
            trouble = "" if opened.link is None else opened.link.trouble()
            if trouble:
                self._lost(opened, trouble)
                return
        batch: list[can.Message] = []
        failure: Exception | None = None
        try:
            opened.read(batch, _AT_ONCE, _TURN_S)
        except Exception as error:  # whatever a driver may raise: python-can lets its own errors through
            failure = error
        if batch or failure is None:
            self._take_in(opened, batch, begun_ns)
        if failure is not None:
            self._turned_ns = self._clock.now_ns()
            self._failed(opened, failure)
        elif not batch and opened.keeps_frames:
            self._clock.wait(self._stopping, _REST_S)

    def _take_in(self, opened: OpenAdapter, batch: "list[can.Message]", begun_ns: int) -> None:
        now_ns = self._clock.now_ns()
        before_ns, self._turned_ns = self._turned_ns, now_ns
        if opened.system_stamped:
            self._look_at_the_clock(is_drained=not batch)
        if now_ns - before_ns > PAUSE_NS:
            with self._settling:  # the frame and the pause that it waited through are judged together
                self._unheard.paused(now_ns, now_ns - before_ns)
                self._receive(batch, begun_ns, now_ns)
        elif now_ns - before_ns > STALL_NS:
            with self._settling:
                self._unheard.stalled(now_ns, now_ns - before_ns)
                self._receive(batch, begun_ns, now_ns)
        else:
            self._receive(batch, begun_ns, now_ns)

    def _receive(self, batch: "list[can.Message]", begun_ns: int, now_ns: int) -> None:
        if not batch:
            self._sure_ns = begun_ns
            return
        self._failures = 0
        self._retry.works()
        if self._received.add(batch, now_ns):
            self._heard_ns = now_ns
        else:
            self._unheard.not_kept(now_ns)

    def _look_at_the_clock(self, *, is_drained: bool) -> None:
        """Follow a clock that is set, so that what it was set by stays out of the times."""
        moved_ns = self._clock.moved_ns()
        is_news = is_drained and self._received.all_was_read()
        if not is_news and moved_ns == self._received.moved_ns:
            return
        with self._settling:
            if is_news:
                self._settle()
                self._received.place_by_the_clock_as_it_is()
            step_ns = self._received.clock_was_set(moved_ns)
        if not step_ns:
            return
        way = "forward" if step_ns > 0 else "back"
        self._remark(
            f"the laptop's clock was set {way} by {duration(abs(step_ns))}; the times recorded go on by the clock "
            "as it stood when listening began"
        )

    def _remark(self, text: str) -> None:
        if len(self._remarks) < _MOST_REMARKS:
            self._remarks[text] = None

    def _read_the_rest(self, opened: OpenAdapter) -> None:
        """Read what waits in an adapter that is about to be let go of."""
        begun_ns = self._clock.now_ns()
        while True:
            batch: list[can.Message] = []
            with contextlib.suppress(Exception):
                opened.read(batch, _AT_ONCE, 0.0)
            if not batch:
                return
            now_ns = self._clock.now_ns()
            self._receive(batch, begun_ns, now_ns)
            if now_ns - begun_ns > _LAST_READING_NS:
                self._unheard.not_kept(now_ns)
                return

    def take(self) -> Heard:
        """Give what was received since the last time, in columns, with the stretches that were not heard."""
        before_ns, now_ns = self._received.last_t_ns, self._clock.now_ns()
        with self._settling:
            sure_ns = self._sure_ns - _STAMPED_BEFORE_NS
            self._settle()
            gaps, open_gap, dropping_ns = self._unheard.take_stretches(now_ns)
            frames = self._received.take()
            sure_ns -= self._received.lag_ns
            is_away = self._open is None or self._unheard.away_from_ns is not None
        if self._received.last_t_ns is not None:
            sure_ns = max(sure_ns, self._received.last_t_ns)
        gaps += self._unheard.judge(frames, before_ns, sure_ns, now_ns, dropping_ns)
        return Heard(
            frames=frames,
            gaps=tuple(from_last_frame(gap, frames, before_ns) for gap in gaps),
            sure_until_ns=None if is_away else sure_ns,
            open_gap=None if open_gap is None else from_last_frame(open_gap, frames, before_ns),
        )

    def _settle(self) -> None:
        """Turn what is pending into columns."""
        block = self._received.settle(self._unheard.paused_ns)
        if block is None:
            return
        if (block.flags & TRANSMITTED).any():
            self._remark(_SENT_HERE)
        self._unheard.heard(block)

    def state(self) -> BusState:
        """Say how the bus is heard now."""
        now_ns = self._clock.now_ns()
        hearing, since_ns = self._hearing, self._since_ns
        note = self._note
        off_ns = self._unheard.away_from_ns if self._unheard.is_off_bus else None
        if hearing is Hearing.HEARD and off_ns is not None:
            hearing, since_ns = Hearing.ADAPTER_LOST, off_ns
            name = self.address.channel or "can0"
            note = f"bus-off: it hears nothing until it is restarted (ip link set {name} type can restart)"
        elif hearing is Hearing.HEARD:
            if (overran_ns := self._unheard.overran_ns(now_ns)) is not None:
                hearing, since_ns, note = Hearing.OVERRUN, overran_ns, FRAMES_LOST
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
            remarks=tuple(self._remarks),
        )

    def _opened(self, opened: OpenAdapter) -> None:
        now_ns = self._clock.now_ns()
        with self._settling:
            self._open = opened
            self._bitrate = opened.bitrate
            self._listen_only = opened.listen_only
            self._note = opened.note
            self._hearing, self._since_ns, self._heard_ns, self._sure_ns = Hearing.HEARD, now_ns, now_ns, now_ns
            self.opened_ns = now_ns
            self._turned_ns = self._looked_ns = now_ns
            self._failures = 0
            self._unheard.opened(opened.drops, now_ns, sent_here=opened.sent_here)
            self._retry.costs_a_look = opened.link is not None
            self._received.from_adapter(opened, self._clock.moved_ns())
        for remark in opened.remarks:
            self._remark(remark)

    def _failed(self, opened: OpenAdapter, error: Exception) -> None:
        """Judge a reading that failed: a garbled frame, or a lost adapter."""
        self._failures += 1
        if isinstance(error, struct.error | ValueError | TypeError | IndexError | AssertionError):
            self._n_garbled += 1
        is_lost = self._failures >= _FAILURES or lost_at_once(error)
        if is_lost and not self._stopping.is_set():
            self._lost(opened, reason_of(error))

    def _lost(self, opened: OpenAdapter, why: str) -> None:
        if opened.keeps_frames:
            self._read_the_rest(opened)  # what came in before it went
        now_ns = self._clock.now_ns()
        with self._settling:
            self._settle()  # by the clock of its own stamps: the next adapter has another
            self._open = None
            self._hearing, self._since_ns = Hearing.ADAPTER_LOST, now_ns
            self._unheard.lost(self._heard_ns)
            self._retry.lost(now_ns)
            self._note = self._retry_note(why)
        opened.close()

    def _seek(self) -> None:
        """Try a lost adapter again when it is time to."""
        now_ns = self._clock.now_ns()
        if now_ns < self._retry.at_ns:
            self._clock.wait(self._stopping, min((self._retry.at_ns - now_ns) / SECOND_NS, _LOST_TURN_S))
            return
        try:
            opened = self._opener(self._with_known_bitrate())
        except (BusError, InputError) as error:
            self._retry.tried(self._clock.now_ns())
            self._note = self._retry_note(reason_of(error).removeprefix(f"{self.address.name} does not open: "))
            return
        self._retry.tried(self._clock.now_ns())
        self._opened(opened)

    def _with_known_bitrate(self) -> BusAddress:
        """Give the address with the rate that was found out, so that it is not tried out again."""
        return self.address if self._bitrate is None else replace(self.address, bitrate=self._bitrate)

    def _retry_note(self, why: str) -> str:
        return f"{why}; it is tried again every {self._retry.after_s:g} s"
