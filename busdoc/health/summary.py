"""All that was learnt of the controllers from one capture, or from a live bus so far."""

from dataclasses import dataclass

from busdoc.arrays import Float64Array, Int64Array
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import Gap, Incident
from busdoc.health.join import Box, Join

__all__ = ["ErrorKind", "Health", "WireLoad"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorKind:
    """Bus errors of one kind, as the recording adapter told them."""

    words: str
    """Bit, form, stuff, CRC or acknowledge error (ISO 11898-1, error types)."""
    n: int
    first_ns: int
    last_ns: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WireLoad:
    """One channel's traffic, second by second.

    `load` is the share of the bit rate that true stuffed frame lengths took, intermission included.
    """

    channel: int
    bitrate: int | None
    """bit/s; None when nobody said: then `load` is all NaN and the bits still count."""
    second_ns: Int64Array
    """(n,) start of each second that had traffic or lay between two that had, ns."""
    frames: Int64Array
    """(n,)"""
    error_frames: Int64Array
    """(n,)"""
    bits: Int64Array
    """(n,) at the nominal rate; an FD data phase is weighted by the ratio of the two rates where known."""
    load: Float64Array
    """(n,) 0 … 1."""
    mean_load: float | None
    peak_load: float | None
    error_states: tuple[tuple[int, str], ...] = ()
    """(ns, words): bus-off, error passive, no acknowledge, restarted, lost in the laptop, as recorded."""
    error_kinds: tuple[ErrorKind, ...] = ()
    """Bus errors by kind, where the adapter told which."""
    error_counters: tuple[int, int] | None = None
    """The most that the adapter's error counters stood at, sending and receiving; None: it told none."""
    likely_bitrate: int | None = None
    """bit/s that the traffic itself speaks for; None when it does not decide."""
    warnings: tuple[str, ...] = ()
    """What makes the load doubtful, as sentences."""

    @property
    def n_frames(self) -> int:
        """Frames on the channel, the whole time through."""
        return int(self.frames.sum())

    @property
    def n_error_frames(self) -> int:
        """Error frames on the channel, the whole time through."""
        return int(self.error_frames.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Health:
    """The state of every controller and all incidents, up to `until_ns`."""

    start_ns: int
    until_ns: int
    frames: int
    error_frames: int
    controllers: tuple[ControllerHealth, ...]
    incidents: tuple[Incident, ...]
    """Ascending by onset, then by name."""
    gaps: tuple[Gap, ...]
    wire: tuple[WireLoad, ...] = ()
    warnings: tuple[str, ...] = ()
    joins: tuple[Join, ...] = ()
    """Who came in mid-recording, ascending by time."""
    boxes: tuple[Box, ...] = ()
    """Addresses that are one box."""
