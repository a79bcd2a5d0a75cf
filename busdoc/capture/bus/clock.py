"""Time while listening: the laptop's clock that nobody can set back, and each adapter's stamps brought onto it.

    adapter's stamp   ──●────●────●──────  Unix time, or from its own zero; its clock drifts, wraps, or is set
    arrival           ────●────●─────●───  on our clock, later by what the way takes: never earlier
    what is taken     ──●────●────●──────  the stamp, moved by the least such delay seen lately

The least delay is what the way always takes; anything above it is waiting (the lower envelope of Moon, Skelly and
Towsley, "Estimation and removal of clock skew from network delay measurements", INFOCOM 1999).
"""

import threading
import time
from collections import deque
from collections.abc import Sequence

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["LiveClock", "StampClock", "stamps_ns"]

_WINDOW_NS = SECOND_NS
_WINDOWS = 10
"""The least delay is that of ten seconds: a quartz drifts half a millisecond in these (common practice: 50 parts in a
million)."""

_STEP_NS = 100 * MILLISECOND_NS
"""Two seconds in which every frame seems to have waited longer than before by this: a clock was set, or wrapped."""

_WAITS_AT_MOST_NS = 2 * SECOND_NS
"""No buffer on the way holds frames longer: a frame that seems to have waited longer has a stamp that is wrong."""

_UNIX_EARLY_NS, _UNIX_LATE_NS = -2 * MILLISECOND_NS, 20 * MILLISECOND_NS
"""A least delay between these is that of a stamp on the laptop's own clock, and such stamps are left as they are."""

_SET_NS = MILLISECOND_NS
"""The system's clock and the steady one apart by more than before, and than the readings of both took: it was set."""

_FAR_NS = 1 << 61
_LATEST_STAMP_S = 4_600_000_000.0
_LOOKS = 5


class LiveClock:
    """Unix time as the laptop had it at the start, carried on by a clock that is never set."""

    def __init__(self) -> None:
        self._zero_ns, self._unsure_ns = _apart_surely_ns()
        self._moved_ns = 0

    def now_ns(self) -> int:
        """Give the time."""
        return self._zero_ns + _steady_ns()

    def moved_ns(self) -> int:
        """Give by how much the system's clock was set since the start: forward is more than 0.

        A clock whose rate is corrected takes the steady one with it (Linux, adjtimex(2)), so only steps show.
        """
        apart_ns, unsure_ns = _apart_ns()
        if self._is_set(apart_ns, unsure_ns):
            apart_ns, unsure_ns = _apart_surely_ns()  # what is kept now is what later looks are held against
            if self._is_set(apart_ns, unsure_ns):
                self._moved_ns, self._unsure_ns = apart_ns - self._zero_ns, unsure_ns
        return self._moved_ns

    def _is_set(self, apart_ns: int, unsure_ns: int) -> bool:
        return abs(apart_ns - self._zero_ns - self._moved_ns) > _SET_NS + unsure_ns + self._unsure_ns

    def wait(self, event: threading.Event, seconds: float) -> None:
        """Wait until something happens, or the time is over."""
        event.wait(seconds)


def _steady_ns() -> int:
    """Read a clock that only goes on, and where there is one, also while the laptop sleeps."""
    boot_time = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic_ns() if boot_time is None else time.clock_gettime_ns(boot_time)


def _apart_ns() -> tuple[int, int]:
    """Give how far the system's clock is before the steady one, and how long it took to read both."""
    before_ns, system_ns, after_ns = _steady_ns(), time.time_ns(), _steady_ns()
    return system_ns - (before_ns + after_ns) // 2, after_ns - before_ns


def _apart_surely_ns() -> tuple[int, int]:
    """Give the same by the quickest of a few looks: on a busy computer any one may be interrupted."""
    return min((_apart_ns() for _ in range(_LOOKS)), key=lambda apart: apart[1])


def stamps_ns(stamp_s: Sequence[float]) -> tuple[Int64Array, BoolArray]:
    """Give stamps in whole microseconds, ns, and which of them can be times at all."""
    seconds = np.array(stamp_s, np.float64)
    is_usable = np.isfinite(seconds) & (np.abs(seconds) < _LATEST_STAMP_S) & (seconds != 0)
    return np.rint(np.where(is_usable, seconds, 0.0) * 1e6).astype(np.int64) * 1000, is_usable


class StampClock:
    """Brings the stamps of one adapter onto the live clock."""

    def __init__(self) -> None:
        self._least_ns: deque[int] = deque(maxlen=_WINDOWS)
        """The least delay of each of the last windows, the running one last."""
        self._window_ends_ns = -_FAR_NS
        self._lag_ns = 0

    @property
    def lag_ns(self) -> int:
        """By how much a frame arrives later than its placed time even when nothing waits."""
        return self._lag_ns

    def place(self, stamp_s: Sequence[float], arrival_ns: Int64Array, *, paused_ns: int = 0) -> Int64Array:
        """Give the times of frames.

        Parameters
        ----------
        stamp_s : n > 0 stamps of the adapter, in the order received, s; 0 where it gives none
        arrival_ns : (n,) int64, ns, when each was received, on the live clock, non-decreasing
        paused_ns : for how long nobody had read before, ns: so much longer a frame may have waited

        Returns
        -------
        (n,) int64, ns, whole microseconds: a float of Unix seconds is good to a quarter of one. Never later than the
        arrival.
        """
        stamp_ns, is_usable = stamps_ns(stamp_s)
        arrival_ns = arrival_ns // 1000 * 1000
        if not is_usable.any():
            return arrival_ns
        delay_ns = arrival_ns - stamp_ns
        offset_ns = self._learn(int(delay_ns[is_usable].min()), int(arrival_ns[-1]))
        waited_ns = delay_ns - offset_ns
        is_sane = is_usable & (waited_ns >= 0) & (waited_ns <= _WAITS_AT_MOST_NS + paused_ns)
        return np.where(is_sane, stamp_ns + offset_ns, arrival_ns)

    def _learn(self, delay_ns: int, now_ns: int) -> int:
        """Take in the least delay of a batch; give by how much stamps are moved."""
        if now_ns > self._window_ends_ns:
            self._forget_before_a_step()
            self._window_ends_ns = now_ns + _WINDOW_NS
            self._least_ns.append(delay_ns)
        self._least_ns[-1] = min(self._least_ns[-1], delay_ns)
        least_ns = min(self._least_ns)
        if _UNIX_EARLY_NS <= least_ns <= _UNIX_LATE_NS:
            self._lag_ns = max(0, least_ns)
            return 0
        self._lag_ns = 0
        return least_ns

    def _forget_before_a_step(self) -> None:
        """Let go of what was learnt before a clock was set, once two whole windows say so."""
        if len(self._least_ns) < 3:
            return
        *before, one, other = self._least_ns
        if min(one, other) > min(before) + _STEP_NS:
            self._least_ns = deque((one, other), maxlen=_WINDOWS)
