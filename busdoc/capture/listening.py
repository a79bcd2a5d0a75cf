"""What it means to listen: frames that arrive while the clock runs, from buses or from a recording played back.

`FrameSource` is all that the rest knows of an adapter. A source never transmits.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import RecorderGap
from busdoc.times import SECOND_NS

__all__ = ["FRAMES_LOST", "OVERRUN_SHOWN_NS", "BusState", "FrameSource", "Hearing", "Taken"]


OVERRUN_SHOWN_NS = 5 * SECOND_NS
"""For so long it is shown that frames were lost in the laptop or its adapter."""
FRAMES_LOST = "frames were lost in this laptop or its adapter; that is nobody's dropout"


class Hearing(StrEnum):
    """How well one bus is heard."""

    OPENING = "opening"
    HEARD = "heard"
    SILENT = "silent"
    """The adapter answers and no frame comes."""
    ADAPTER_LOST = "adapter lost"
    """The adapter does not answer; it is tried again."""
    OVERRUN = "overrun"
    """The laptop did not keep up: frames were lost in it a moment ago."""
    ENDED = "ended"
    """The recording is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BusState:
    """One bus, as it is heard right now."""

    name: str
    """As it was asked for: ``INTERFACE:CHANNEL``."""
    channel: int
    """Its number in the frames."""
    hearing: Hearing
    since_ns: int
    bitrate: int | None = None
    """bit/s; None when the interface has none or nobody said."""
    listen_only: bool | None = None
    """Whether the adapter itself was told to keep silent; None where it cannot be told."""
    note: str = ""
    """What went wrong, or what will be done next, in words."""
    remarks: tuple[str, ...] = ()
    """What is to be known of this bus once and for all, as it became known; each is told once, and written down."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Taken:
    """What came in since the last time."""

    frames: FrameBlock
    """In the order of time, none earlier than any before."""
    gaps: tuple[RecorderGap, ...]
    """Stretches that were not heard, newly known: nobody's dropout."""
    heard_until_ns: int
    """Everything up to here was handed over; while no adapter answers it stands still."""
    open_gaps: tuple[RecorderGap, ...] = ()
    """Stretches up to now that still grow, such as that of an adapter that is away: not in `gaps` before they end, and
    meanwhile no more anybody's dropout than those."""


class FrameSource(Protocol):
    """Live buses, or a recording that is played back."""

    @property
    def channels(self) -> ChannelTable:
        """The channels by number and name, filled while it is listened to."""
        ...

    @property
    def epoch(self) -> bool:
        """Whether times are Unix times; else they count from the recording's own zero."""
        ...

    @property
    def finished(self) -> bool:
        """Whether nothing more can come."""
        ...

    def start(self) -> None:
        """Begin to listen.

        Raises
        ------
        InputError : a bus that cannot be opened at all, or a recording that cannot be read
        """
        ...

    def stop(self) -> None:
        """Stop listening and let go of the adapters; may be called twice."""
        ...

    def now_ns(self) -> int:
        """Give the time on the clock that stamps the frames."""
        ...

    def take(self) -> Taken:
        """Hand over what came in since the last call, without waiting."""
        ...

    def buses(self) -> tuple[BusState, ...]:
        """Say how each bus is heard."""
        ...
