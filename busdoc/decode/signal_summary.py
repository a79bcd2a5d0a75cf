"""What a capture said of each signal: counts, range, and the moments at which it changed."""

from dataclasses import dataclass

from busdoc.arrays import Float64Array, Int64Array, UInt8Array, UInt32Array
from busdoc.decode.message import Signal

__all__ = ["SignalSummary", "Transitions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSummary:
    """One signal of one stream; several sources may send the same message, and each is a stream of its own."""

    channel: int
    id: int
    extended: bool
    message: str
    signal: Signal
    frames: int
    """Data frames of the stream."""
    valid: int
    not_available: int
    error: int
    reserved: int
    absent: int
    """Frames too short for it, or with another branch of the multiplex."""
    minimum: float | None
    maximum: float | None
    mean: float | None
    """Of valid values, each frame counting the same; None when there were none."""
    first_value: float | None
    last_value: float | None
    first_ns: int | None
    last_ns: int | None
    n_changes: int
    """How often its raw number was another than in the frame before that held it."""
    n_status_changes: int

    @property
    def name(self) -> str:
        """``Message.Signal``."""
        return f"{self.message}.{self.signal.name}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transitions:
    """The moments at which a signal changed, n of them in the order of time, its first frame among them.

    All changes of a signal with states, of one that showed few values, and of one that is followed; of any other only
    those of status. Where several streams carry the signal, `channel` and `id` tell them apart.
    """

    name: str
    """``Message.Signal``."""
    t_ns: Int64Array
    """(n,) the frame that first said so."""
    raw: Int64Array
    """(n,) as sent; of an unsigned signal of 64 bits, the same bits signed."""
    value: Float64Array
    """(n,) NaN where `status` is not VALID."""
    label: tuple[str, ...]
    """(n,) what the database calls the raw number; empty where it has no name."""
    status: UInt8Array
    """(n,) `SignalStatus` values."""
    channel: UInt8Array
    """(n,)"""
    id: UInt32Array
    """(n,)"""
    only_status: bool
    """Changes of value alone are not among these, since the signal has too many values or counts by itself."""
    n_not_kept: int
    """Changes of the kind kept here for which there was no room: as a rule the later ones."""

    def __len__(self) -> int:
        return len(self.t_ns)
