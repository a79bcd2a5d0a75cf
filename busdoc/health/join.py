"""Who came while it was listened, and which addresses are one box."""

from dataclasses import dataclass

__all__ = ["Box", "Join"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Join:
    """Controllers, or identifiers that nobody owns, that were heard for the first time in mid-recording, at once."""

    from_ns: int
    to_ns: int
    """The first frame of the first of them, and of the last."""
    controllers: tuple[str, ...]
    """In the order in which they came."""
    tool: bool
    """All of them bear an address of a service tool or logger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """Addresses whose NAMEs bear one identity number, and that always went together."""

    controllers: tuple[str, ...]
    maker: int
    number: int
