"""Common loss: identifiers that nobody owns, put together where they vanish and return together.

Without a map, a database or a protocol, an 11-bit identifier says nothing of its sender. But what one controller sends
falls silent at once and comes back at once. Streams are one controller when every loss of the one that the other could
have shown was a loss of the other too, at the same time, and they shared more than one: once may be chance, a gateway,
or a task that paused. One that lasts to the end, a power-off, has one edge alone, and counts where nothing speaks
against it. Silences of the whole bus say nothing of who belongs together and are left out. Streams that never vanish
stay alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from busdoc.times import MILLISECOND_NS

__all__ = ["UnownedStream", "group_by_common_loss"]

_RETURN_APART_NS = 500 * MILLISECOND_NS
"""Streams of one controller may start one after the other, within this time (common practice)."""
_ENOUGH = 2
"""So many losses shared, or one to the end, are no chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnownedStream:
    """One unowned cyclic stream and its losses."""

    row: int
    deadline_ns: int
    losses: tuple[tuple[int, int | None], ...]
    """(last frame, next frame or None), ascending, without those of the whole bus."""


def group_by_common_loss(streams: Sequence[UnownedStream], until_ns: int) -> list[list[int]]:
    """Group streams that vanish and return together.

    Returns
    -------
    Lists of rows, each in the order given; every stream is in one of them.
    """
    groups: list[list[UnownedStream]] = []
    for stream in streams:
        for group in groups:
            if stream.losses and all(_together(stream, other, until_ns) for other in group):
                group.append(stream)
                break
        else:
            groups.append([stream])
    return [[stream.row for stream in group] for group in groups]


def _together(a: UnownedStream, b: UnownedStream, until_ns: int) -> bool:
    """Tell whether two streams share a loss, and each every loss of the other that it could have shown."""
    slack_ns = max(a.deadline_ns, b.deadline_ns)
    shared = 0
    for one, other in ((a, b), (b, a)):
        for from_ns, to_ns in one.losses:
            end_ns = until_ns if to_ns is None else to_ns
            if any(_same(from_ns, to_ns, loss, slack_ns) for loss in other.losses):
                shared += _ENOUGH if to_ns is None else 1
            elif end_ns - from_ns > slack_ns + other.deadline_ns:  # the other would have shown it
                return False
    return shared >= 2 * _ENOUGH  # each was counted from both sides


def _same(from_ns: int, to_ns: int | None, other: tuple[int, int | None], slack_ns: int) -> bool:
    if abs(from_ns - other[0]) > slack_ns:
        return False
    if to_ns is None or other[1] is None:
        return to_ns is None and other[1] is None
    return abs(to_ns - other[1]) <= slack_ns + _RETURN_APART_NS
