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

import numpy as np

from busdoc.capture.bus.absence import Absence, Retry
from busdoc.capture.bus.adapter import OpenAdapter
from busdoc.capture.bus.address import BusAddress
from busdoc.capture.bus.drops import DropWatch, ListeningPause
from busdoc.capture.bus.frames import off_bus, overflows
from busdoc.capture.bus.link import lost_at_once
from busdoc.capture.bus.received import Received
from busdoc.capture.frames import TRANSMITTED, FrameBlock
from busdoc.capture.listening import FRAMES_LOST, OVERRUN_SHOWN_NS, BusState, Hearing
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
_PAUSE_NS = SECOND_NS
"""A turn that took longer: the laptop slept, or the program was stopped."""

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

_AWAY = "the adapter did not answer"
_OFF_BUS = "the adapter was off the bus (bus-off)"
_NOT_KEPT_UP = "the laptop did not keep up"
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
        self._gaps: list[RecorderGap] = []
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
        self._pause: ListeningPause | None = None
        self._failures = 0
        self._n_garbled = 0
        self._absence, self._retry = Absence(), Retry()
        self._is_off_bus = False
        self._overrun_ns: int | None = None
        self._dropping_since_ns: int | None = None
        self._drops = DropWatch(None, now_ns)

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
            self._absence.begin(now_ns, _AWAY)
            self._retry.lost(now_ns)
            self._note = self._retry_note(_words(error))

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
            self._add_gap(self._absence.close(self._clock.now_ns()))

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
        self._take_in(opened, batch, begun_ns)
        if failure is not None:
            self._failed(opened, failure)
        elif not batch and opened.keeps_frames:
            self._clock.wait(self._stopping, _REST_S)

    def _take_in(self, opened: OpenAdapter, batch: "list[can.Message]", begun_ns: int) -> None:
        now_ns = self._clock.now_ns()
        before_ns, self._turned_ns = self._turned_ns, now_ns
        if opened.system_stamped:
            self._look_at_the_clock(is_drained=not batch)
        if now_ns - before_ns > _PAUSE_NS:
            with self._settling:  # the frame and the pause that it waited through are judged together
                self._pause = ListeningPause(now_ns, now_ns - before_ns)
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
            self._dropping_since_ns = self._dropping_since_ns or now_ns
            self._overrun_ns = now_ns

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
                self._dropping_since_ns = self._dropping_since_ns or now_ns
                return

    def take(self) -> Heard:
        """Give what was received since the last time, in columns, with the stretches that were not heard."""
        before_ns = self._received.last_t_ns
        with self._settling:
            sure_ns = self._sure_ns - _STAMPED_BEFORE_NS
            dropping_ns, self._dropping_since_ns = self._dropping_since_ns, None
            self._settle()
            self._add_gap(self._absence.over(None, self._clock.now_ns()))
            frames = self._received.take()
            gaps, self._gaps = self._gaps, []
            sure_ns -= self._received.lag_ns
            away_ns, why = self._absence.from_ns, self._absence.why
            is_away = self._open is None or away_ns is not None
        if self._received.last_t_ns is not None:
            sure_ns = max(sure_ns, self._received.last_t_ns)
        gaps += self._gaps_of_overruns(frames, dropping_ns)
        gaps += self._gap_of_a_pause(frames, before_ns, sure_ns)
        open_gap = None
        if away_ns is not None and (now_ns := self._clock.now_ns()) > away_ns:
            open_gap = _from_last_frame(self._made_gap(away_ns, now_ns, why), frames, before_ns)
        return Heard(
            frames=frames,
            gaps=tuple(_from_last_frame(gap, frames, before_ns) for gap in gaps),
            sure_until_ns=None if is_away else sure_ns,
            open_gap=open_gap,
        )

    def _settle(self) -> None:
        """Turn what is pending into columns."""
        block = self._received.settle(0 if self._pause is None else self._pause.paused_ns)
        if block is None:
            return
        if (block.flags & TRANSMITTED).any():
            self._remark(_SENT_HERE)
        self._follow_off_bus(block)

    def _follow_off_bus(self, block: FrameBlock) -> None:
        """End the adapter's absence with its first frame; begin another where it says that it is off the bus."""
        for first, is_off in off_bus(block, was_off=self._is_off_bus):
            t_ns = int(block.t_ns[first])
            if is_off:
                self._absence.begin(t_ns, _OFF_BUS)
            else:
                self._add_gap(self._absence.over(t_ns, t_ns))
            self._is_off_bus = is_off

    def state(self) -> BusState:
        """Say how the bus is heard now."""
        now_ns = self._clock.now_ns()
        hearing, since_ns = self._hearing, self._since_ns
        note = self._note
        off_ns = self._absence.from_ns if self._is_off_bus else None
        if hearing is Hearing.HEARD and off_ns is not None:
            hearing, since_ns = Hearing.ADAPTER_LOST, off_ns
            note = "bus-off: it hears nothing until it is restarted (ip link set can0 type can restart)".replace(
                "can0", self.address.channel or "can0"
            )
        elif hearing is Hearing.HEARD:
            if self._overrun_ns is not None and now_ns - self._overrun_ns <= OVERRUN_SHOWN_NS:
                hearing, since_ns = Hearing.OVERRUN, self._overrun_ns
                note = FRAMES_LOST
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
            self._turned_ns, self._pause, self._looked_ns = now_ns, None, now_ns
            self._failures = 0
            self._is_off_bus = False
            self._drops = DropWatch(opened.drops, now_ns)
            self._retry.costs_a_look = opened.link is not None
            self._absence.opened(now_ns)
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
            self._lost(opened, _words(error))

    def _lost(self, opened: OpenAdapter, why: str) -> None:
        if opened.keeps_frames:
            self._read_the_rest(opened)  # what came in before it went
        now_ns = self._clock.now_ns()
        with self._settling:
            self._settle()  # by the clock of its own stamps: the next adapter has another
            self._open = None
            self._hearing, self._since_ns = Hearing.ADAPTER_LOST, now_ns
            self._is_off_bus = False
            self._absence.begin(self._heard_ns, _AWAY)
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
            self._note = self._retry_note(_words(error))
            return
        self._retry.tried(self._clock.now_ns())
        self._opened(opened)

    def _with_known_bitrate(self) -> BusAddress:
        """Give the address with the rate that was found out, so that it is not tried out again."""
        return self.address if self._bitrate is None else replace(self.address, bitrate=self._bitrate)

    def _retry_note(self, why: str) -> str:
        return f"{why}; it is tried again every {self._retry.after_s:g} s"

    def _add_gap(self, found: tuple[int, int, str] | None) -> None:
        if found is not None:
            self._gaps.append(self._made_gap(*found))

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
        return [self._made_gap(from_ns, to_ns, _NOT_KEPT_UP) for from_ns, to_ns in stretches]

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
