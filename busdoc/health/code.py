"""A fault code as the capture showed it: raised, repeated, cleared, raised again."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["CodeKind", "FaultCode"]


class CodeKind(StrEnum):
    """Which open protocol, or the user's own declaration, the code comes from."""

    SPN_FMI = "spn-fmi"
    EMCY = "emcy"
    STATUS = "status"


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCode:
    """One code of one controller over the whole capture."""

    controller: str
    kind: CodeKind
    code: str
    """As people write it: ``SPN 168 FMI 4``, ``EMCY 0x8130``, ``HopperStatus.State = FAULT``."""
    text: str
    """What it means, in our own words."""
    occurrences: int
    """How often it was raised in this capture."""
    first_ns: int
    last_ns: int
    """Last time it was seen active."""
    active: bool
    """Still active at the end of what was read."""
    active_spans: tuple[tuple[int, int | None], ...] = ()
    """(raised, cleared) in ns; None: not cleared."""
    spn: int | None = None
    fmi: int | None = None
    emcy: int | None = None
    controller_count: int | None = None
    """The controller's own occurrence count, where it sends one."""
    points_at: tuple[str, ...] = ()
    """Part kinds or names that it says to look at; empty when it says nothing."""
    lamps: tuple[str, ...] = ()
    """Warning lamps that were on in the controller's messages while it was active."""
