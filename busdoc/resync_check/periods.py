"""A stream's period as several recordings of a healthy machine showed it: each counts, in whatever order they come.

What a map keeps of it is of one size, however many recordings there were: the intervals, how long they are together,
and the shortest and the longest period of any recording. Whole microseconds, as they are written: sums are exact.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from busdoc.health.controller import StreamHealth
from busdoc.machine.controller_spec import PeriodFrom

__all__ = ["MEASURED", "SeenPeriod", "seconds_text"]

MEASURED = "measured"
"""The key of a row of `expects`: intervals, s together, shortest and longest period of a recording, s."""
_NICE = (
    1,
    2,
    5,
    10,
    20,
    25,
    40,
    50,
    80,
    100,
    125,
    150,
    160,
    200,
    250,
    300,
    400,
    500,
    750,
    1000,
    1500,
    2000,
    2500,
    5000,
)
"""Periods that people design, ms (common practice)."""
_NICE_WITHIN = 0.02
_MICROSECOND_NS = 1000
_SAME_PERIOD = 1.1
"""Two measurements whose ratio is at most this are of one period; a deadline is several (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenPeriod:
    """What recordings showed of the period of one stream."""

    intervals: int
    together_us: int
    shortest_us: int
    """The period in that recording of which it is the shortest."""
    longest_us: int
    jitter_us: int
    """The largest of any recording: so much is healthy."""
    from_map: bool = False
    """The period was given by hand; it stays."""

    @classmethod
    def in_recording(cls, stream: StreamHealth) -> "SeenPeriod | None":
        """Give what one recording shows; None where it shows no rhythm."""
        if not stream.cyclic or not stream.period_ns:
            return None
        period_us = max(1, round(stream.period_ns / _MICROSECOND_NS))
        intervals = max(1, stream.frames - 1)
        return cls(
            intervals=intervals,
            together_us=period_us * intervals,
            shortest_us=period_us,
            longest_us=period_us,
            jitter_us=round((stream.jitter_ns or 0) / _MICROSECOND_NS),
            from_map=stream.period_from is PeriodFrom.MAP,
        )

    @classmethod
    def of_row(cls, row: Mapping[str, Any]) -> "SeenPeriod | None":
        """Give what a row of a map's `expects` keeps of earlier recordings.

        Returns
        -------
        None where it keeps nothing, or says another period or jitter than what follows from it: set by hand
        """
        kept = row.get(MEASURED)
        if not isinstance(kept, list) or len(kept) != 4:
            return None
        intervals, *seconds = kept
        if not isinstance(intervals, int) or not all(isinstance(one, int | float) and one > 0 for one in seconds):
            return None
        jitter = row.get("jitter_s", 0)
        if intervals < 1 or not isinstance(jitter, int | float):
            return None
        together_us, shortest_us, longest_us, jitter_us = (round(1e6 * one) for one in (*seconds, jitter))
        found = cls(
            intervals=intervals,
            together_us=together_us,
            shortest_us=shortest_us,
            longest_us=longest_us,
            jitter_us=jitter_us,
        )
        period = row.get("period_s")
        said = isinstance(period, int | float) and round(1e6 * period) == round(found.period_ns / _MICROSECOND_NS)
        return found if said else None

    def plus(self, other: "SeenPeriod") -> "SeenPeriod":
        """Join with what other recordings showed: in whatever order, the same."""
        return SeenPeriod(
            intervals=self.intervals + other.intervals,
            together_us=self.together_us + other.together_us,
            shortest_us=min(self.shortest_us, other.shortest_us),
            longest_us=max(self.longest_us, other.longest_us),
            jitter_us=max(self.jitter_us, other.jitter_us),
            from_map=self.from_map or other.from_map,
        )

    @property
    def measured_ns(self) -> int:
        """The mean over all intervals; the longest period where the recordings differ: so slow is healthy too."""
        if self.longest_us > _SAME_PERIOD * self.shortest_us:
            return self.longest_us * _MICROSECOND_NS
        return round(self.together_us * _MICROSECOND_NS / self.intervals)

    @property
    def period_ns(self) -> int:
        """The designed period where the measured one is near it."""
        return self.measured_ns if self.from_map else _designed(self.measured_ns)

    def kept(self) -> str:
        """Write what a map keeps, as a TOML value."""
        times = (self.together_us, self.shortest_us, self.longest_us)
        return f"[{self.intervals}, {', '.join(seconds_text(us * _MICROSECOND_NS) for us in times)}]"


def _designed(measured_ns: int) -> int:
    """Give the period that was meant, where a round one is near; else the measured one to three digits."""
    measured_ms = measured_ns / 1e6
    nearest = min(_NICE, key=lambda nice: abs(nice - measured_ms))
    if abs(nearest - measured_ms) <= _NICE_WITHIN * nearest:
        return nearest * 1_000_000
    digits = 2 - math.floor(math.log10(measured_ns))
    return round(measured_ns, digits)


def seconds_text(t_ns: int) -> str:
    """Write nanoseconds as decimal seconds, in microseconds at the finest."""
    micros = max(1, round(t_ns / _MICROSECOND_NS))
    return re.sub(r"0+$", "", f"{micros // 1_000_000}.{micros % 1_000_000:06d}").removesuffix(".") or "0"
