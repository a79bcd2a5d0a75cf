"""A session without a bus: what is known of its time when nothing was heard, and only presses and looks were kept."""

from collections.abc import Sequence

from busdoc.actions.action import Action, ActionKind
from busdoc.health.summary import Health
from busdoc.times import SECOND_NS

__all__ = ["has_looks", "unheard"]

_AFTER_NS = SECOND_NS
"""The record goes on for so long after the last press: a press is half a second late (common practice)."""


def unheard(actions: Sequence[Action], from_ns: int | None = None, until_ns: int | None = None) -> Health:
    """Give a health in which no controller is known.

    Parameters
    ----------
    actions : what was done and seen
    from_ns, until_ns : how long the session ran; None: from the first press to the last
    """
    times_ns = [action.time_ns for action in actions]
    starts = [*times_ns, *([] if from_ns is None else [from_ns])]
    ends = [time_ns + _AFTER_NS for time_ns in times_ns] + ([] if until_ns is None else [until_ns])
    start_ns = min(starts, default=0)
    return Health(
        start_ns=start_ns,
        until_ns=max(max(ends, default=0), start_ns + _AFTER_NS),
        frames=0,
        error_frames=0,
        controllers=(),
        incidents=(),
        gaps=(),
    )


def has_looks(actions: Sequence[Action]) -> bool:
    """Whether anybody wrote down what they saw."""
    return any(action.kind in (ActionKind.SEEN, ActionKind.GONE) for action in actions)
