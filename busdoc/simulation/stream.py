"""Streams: what a controller sends under one identifier, and when it wants to.

Cyclic streams tick on the controller's own clock: a tick that was delayed does not delay the next one, and a
controller that is only unheard ticks on.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeAlias

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array
from busdoc.simulation.timeline import Stint

__all__ = ["Beat", "Content", "Stream", "StreamClock"]

Content: TypeAlias = Callable[[Float64Array, Int64Array], UInt8Array]
"""(times in s, ticks since the stint began) -> (n, 8) payloads."""


class Beat(StrEnum):
    """What makes a stream send."""

    CYCLIC = "cyclic"
    ENGINE_SPEED = "engine speed"
    """Cyclic, with a period that goes from once to three times `period_s` as the engine slows down."""
    EVENT = "event"
    """Now and then, `period_s` apart on average."""
    BURST = "burst"
    """Several frames at once, the bursts `period_s` apart on average."""
    ON_CHANGE = "on change"
    """Every `period_s`, and at once when something changed, then not again for 50 ms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """One identifier of one controller."""

    controller: str
    id: int
    extended: bool
    period_s: float
    channel: int = 0
    beat: Beat = Beat.CYCLIC
    jitter_s: float = 0.0005
    """Standard deviation of each tick about its place; never more than 0.4 periods."""
    length: int = 8
    delay_s: float | None = None
    """From the controller's first frame to this stream's; None: drawn at each start, within a period and 0.3 s."""
    late_s: Mapping[int, float] = field(default_factory=dict)
    """Start within the capture (0 for the first) -> how much later than usual this stream begins after it."""
    window: tuple[float, float] | None = None
    """It is sent only within these seconds of the capture: a controller that later speaks under another address."""
    counter: tuple[int, int, int] | None = None
    """Rolling counter: (byte, first bit, bits), zero when the controller starts."""
    content: Content | None = None
    """None: random but constant bytes, with one slow signal."""


@dataclass(slots=True)
class StreamClock:
    """When one stream ticks, chunk after chunk; keeps each stint's phase."""

    stream: Stream
    rng: np.random.Generator
    drift_ppm: float = 0.0
    _phase_s: dict[float, float] = field(default_factory=dict)
    _first_tick: dict[float, int] = field(default_factory=dict)
    _swing: tuple[float, float] = (60.0, 0.0)
    _n_starts: int = 0

    def __post_init__(self) -> None:
        self._swing = (float(self.rng.uniform(20.0, 120.0)), float(self.rng.uniform(0.0, 2.0 * math.pi)))

    def ticks(self, stint: Stint, from_s: float, to_s: float) -> tuple[Float64Array, Int64Array]:
        """Give when the stream is ready to send within a stretch, and the ticks' numbers since the stint began.

        Returns
        -------
        times : (n,) float64, s, non-decreasing to within the jitter
        numbers : (n,) int64; a stint that was under way when the capture began starts at some number of its own
        """
        low_s, high_s = max(from_s, stint.start_s), min(to_s, stint.end_s)
        if self.stream.window is not None:
            low_s, high_s = max(low_s, self.stream.window[0]), min(high_s, self.stream.window[1])
        if high_s <= low_s:
            return np.empty(0), np.empty(0, np.int64)
        stream = self.stream
        if stream.beat in (Beat.EVENT, Beat.BURST):
            times = self._by_chance(low_s, high_s)
            return times, self._number(stint, len(times))
        period_s = stream.period_s * (1.0 + self.drift_ppm * 1e-6)
        phase_s = self._phase(stint)
        if stream.beat is Beat.ENGINE_SPEED:
            times, numbers = self._with_engine(phase_s, period_s, low_s, high_s)
        else:
            first = max(0, math.ceil((low_s - phase_s) / period_s - 1e-9))
            last = math.ceil((high_s - phase_s) / period_s - 1e-9)
            numbers = np.arange(first, max(first, last), dtype=np.int64)
            times = phase_s + numbers.astype(np.float64) * period_s
        times = times + self._jitter(len(times), period_s)
        if stream.beat is Beat.ON_CHANGE:
            times = np.sort(np.concatenate((times, self._changes(low_s, high_s))))
            numbers = self._number(stint, len(times))
        first_number = self._first_tick.setdefault(
            stint.start_s, 0 if stint.fresh else int(self.rng.integers(0, 1_000_000))
        )
        return times, numbers + first_number

    def _phase(self, stint: Stint) -> float:
        """Give the time of the stint's tick number 0, which is drawn anew whenever the controller starts."""
        known = self._phase_s.get(stint.start_s)
        if known is not None:
            return known
        stream = self.stream
        if not stint.fresh:
            phase_s = stint.start_s + float(self.rng.uniform(0.0, stream.period_s))
        elif stream.delay_s is not None:
            phase_s = stint.start_s + stream.delay_s + float(self.rng.uniform(0.0, 0.2 * stream.period_s))
        else:
            phase_s = stint.start_s + float(self.rng.uniform(0.0, 0.3) + self.rng.uniform(0.0, stream.period_s))
        if stint.fresh:
            phase_s += stream.late_s.get(self._n_starts, 0.0)
            self._n_starts += 1
        self._phase_s[stint.start_s] = phase_s
        return phase_s

    def _jitter(self, n: int, period_s: float) -> Float64Array:
        most_s = 0.4 * period_s
        late_s = np.abs(self.rng.normal(0.0, self.stream.jitter_s, n)) if self.stream.jitter_s > 0.0 else np.zeros(n)
        return np.minimum(late_s, most_s)  # software is late, never early

    def _with_engine(
        self, phase_s: float, period_s: float, low_s: float, high_s: float
    ) -> tuple[Float64Array, Int64Array]:
        """Tick at every whole number of the integral of the rate, which swings between 1 and 1/3 per period."""
        swing_s, angle = self._swing
        grid_s = np.arange(low_s, high_s + 0.05, 0.05)
        omega = 2.0 * math.pi / swing_s

        def turns(at_s: Float64Array) -> Float64Array:
            return (2.0 / 3.0 * at_s - np.cos(omega * at_s + angle) / (3.0 * omega)) / period_s

        begin = float(turns(np.array([phase_s]))[0])
        # Which ticks fall into the stretch is decided by the formula at its very ends, so that two stretches that
        # meet share none and lose none; only when they fall is interpolated.
        edge_turns = turns(np.array([low_s, high_s])) - begin
        first, last = (max(0, math.ceil(edge)) for edge in edge_turns)
        numbers = np.arange(first, max(first, last), dtype=np.int64)
        times = np.interp(numbers, turns(grid_s) - begin, grid_s)
        return np.clip(times, low_s, high_s), numbers

    def _by_chance(self, low_s: float, high_s: float) -> Float64Array:
        n = int(self.rng.poisson((high_s - low_s) / self.stream.period_s))
        times = np.sort(self.rng.uniform(low_s, high_s, n))
        if self.stream.beat is Beat.BURST:
            sizes = self.rng.integers(5, 30, n)
            within = np.concatenate([np.arange(size) for size in sizes]) if n else np.empty(0)
            times = np.repeat(times, sizes) + 0.0003 * within
            times = times[times < high_s]
        return times

    def _changes(self, low_s: float, high_s: float) -> Float64Array:
        n = int(self.rng.poisson((high_s - low_s) / (1.5 * self.stream.period_s)))
        times = np.sort(self.rng.uniform(low_s, high_s, n))
        return times[np.diff(times, prepend=-math.inf) > 0.05]

    def _number(self, stint: Stint, n: int) -> Int64Array:
        """Number frames in the order of sending, where ticks do not count them."""
        key = -1.0 - stint.start_s  # apart from the first-tick numbers of `ticks`
        first = self._first_tick.get(key, 0)
        self._first_tick[key] = first + n
        return np.arange(first, first + n, dtype=np.int64)
