"""A message that was sent in several frames: complete, or incomplete and why."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["TransportKind", "TransportMessage"]


class TransportKind(StrEnum):
    """By which protocol it was sent."""

    BAM = "broadcast"
    """SAE J1939-21 5.10: announced to all, no answers."""
    RTS_CTS = "request to send"
    """SAE J1939-21 5.10: to one destination, which lets packets through."""
    EXTENDED = "extended"
    """ISO 11783-3: more than 1785 bytes to one destination."""
    FAST_PACKET = "fast packet"
    """NMEA 2000: up to 223 bytes, its parameter group says so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TransportMessage:
    """One such message, as far as it was heard."""

    t_ns: int
    """When its last packet came, or when it was given up."""
    from_ns: int
    """When it was announced (fast packet: its first frame)."""
    channel: int
    pgn: int
    source: int
    destination: int
    kind: TransportKind
    size: int
    """Payload bytes as announced."""
    payload: bytes | None
    """None when incomplete: a payload is whole and right, or not given."""
    missing: tuple[int, ...] = ()
    """Numbers of the packets that were not heard (the first 255 of them), counted as the protocol counts."""
    why: str = ""
    """Why it is incomplete: ``packet 2 missing``."""
