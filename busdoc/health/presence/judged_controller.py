"""One controller while it is being judged."""

from dataclasses import dataclass, field

from busdoc.decode.protocols.sign import Sign
from busdoc.health.presence.cyclic_stream import CyclicStream
from busdoc.health.presence.dropout import Absence
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import ControllerSpec, Identity

__all__ = ["JudgedController"]


@dataclass(slots=True, kw_only=True, eq=False)
class JudgedController:
    """What is known of one controller; `absences` and `late` are found once all controllers are there."""

    name: str
    channel: int
    identity: Identity
    spec: ControllerSpec | None
    rows: list[int]
    """Its streams."""
    first_ns: int
    last_ns: int
    cyclic_streams: list[CyclicStream]
    """Those of its streams that are cyclic."""
    silences: list[Silence]
    """When nothing of it was heard, ascending; the last one may still last."""
    signs: list[Sign]
    absences: list[Absence] = field(default_factory=list)
    late: list[Absence] = field(default_factory=list)
    paused_rows: list[int] = field(default_factory=list)
    """Streams that stopped for long while it went on, of which nothing says that they must not."""
    claims_freely: bool = False
    """It sent claims that nobody was heard to ask for while it ran on: one more of them proves little."""
    least_start_ns: int = 0
    """The shortest time in which it can have restarted."""
