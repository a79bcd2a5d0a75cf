"""A kind of event: something that happened now and then, by one name, and every time at which it did."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busdoc.arrays import Int64Array

__all__ = ["EventKind", "EventSource", "code_event", "events_at"]


class EventSource(StrEnum):
    """How the events are known."""

    SIGNAL = "signal"
    """A decoded signal took a value."""
    BIT = "bit"
    """A bit of a frame that no database tells of changed."""
    COMMAND = "command"
    """A frame that is not cyclic was sent."""
    CODE = "code"
    """A fault code was raised."""
    POWER_UP = "power-up"
    """A controller came back, or the whole machine did."""
    WIRE = "wire"
    """The recording adapter reported an error state."""
    JOURNAL = "journal"
    """Somebody wrote it down."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EventKind:
    """One kind of event."""

    name: str
    """In words for a person: ``Boom.Raised became 1 (raised)``."""
    source: EventSource
    controller: str | None
    """Who said so; None: nobody on the bus, or nobody known."""
    t_ns: Int64Array
    """(n,) ascending; of a signal, the frame that first said so."""
    uncertainty_ns: Int64Array
    """(n,) standard deviation of each time; 0: as sure as the capture's own times."""
    signal: str | None = None
    """``Message.Signal``, where it is one."""

    def __len__(self) -> int:
        return len(self.t_ns)

    @property
    def is_sure(self) -> bool:
        """Tell whether every time is as sure as the capture's own."""
        return not self.uncertainty_ns.any()


def code_event(controller: str | None, code: str) -> str:
    """Name the kind of event that a fault code is raised."""
    return f"{controller} raised {code}"


def events_at(
    name: str,
    source: EventSource,
    t_ns: Int64Array,
    *,
    controller: str | None = None,
    uncertainty_ns: Int64Array | None = None,
    signal: str | None = None,
) -> EventKind:
    """Make a kind of event from its times, in any order.

    Parameters
    ----------
    t_ns : (n,) int64, ns
    uncertainty_ns : (n,) int64, ns; None: all times are sure
    """
    order = np.argsort(t_ns, kind="stable")
    uncertainty = np.zeros(len(t_ns), np.int64) if uncertainty_ns is None else uncertainty_ns.astype(np.int64)
    return EventKind(
        name=name,
        source=source,
        controller=controller,
        t_ns=t_ns.astype(np.int64)[order],
        uncertainty_ns=uncertainty[order],
        signal=signal,
    )
