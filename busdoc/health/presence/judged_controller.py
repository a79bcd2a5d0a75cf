"""Member: one controller while it is being judged."""

from dataclasses import dataclass, field

from busdoc.decode.protocols.sign import Sign
from busdoc.health.presence.cyclic_stream import Beat
from busdoc.health.presence.presence import Fall
from busdoc.health.streams.silence import Silence
from busdoc.machine.controller_spec import ControllerSpec, Identity

__all__ = ["Member"]


@dataclass(slots=True, kw_only=True, eq=False)
class Member:
    """What is known of one controller; `falls` and `late` are found once all members are there."""

    name: str
    channel: int
    identity: Identity
    spec: ControllerSpec | None
    rows: list[int]
    """Its streams."""
    first_ns: int
    last_ns: int
    beats: list[Beat]
    """Its cyclic streams."""
    silences: list[Silence]
    """When nothing of it was heard, ascending; the last one may still last."""
    signs: list[Sign]
    falls: list[Fall] = field(default_factory=list)
    late: list[Fall] = field(default_factory=list)
