"""When the suspected part was off the machine: a trouble that could not have come then has no rate there."""

from collections.abc import Sequence

from busdoc.actions.action import REMARKS, Action
from busdoc.actions.plugged import opening_state
from busdoc.machine.machine import Machine

__all__ = ["unexposed_spans"]


def unexposed_spans(
    machine: Machine, actions: Sequence[Action], part: str | None, until_ns: int
) -> tuple[tuple[int, int], ...]:
    """Give the stretches (from, to) in ns in which a part was unplugged.

    Parameters
    ----------
    machine : the map, possibly empty
    actions : the journal's, ascending by time
    part : whose; None: nobody's
    until_ns : the end of the record
    """
    if part is None:
        return ()
    state = opening_state(machine, actions)
    known = part in state.place_of
    out_from_ns: int | None = None
    spans: list[tuple[int, int]] = []
    for action in actions:
        if action.kind in REMARKS:
            continue
        state = state.after(action)
        out = known and not state.plugged(part)
        if out and out_from_ns is None:
            out_from_ns = action.time_ns
        elif not out and out_from_ns is not None:
            spans.append((out_from_ns, action.time_ns))
            out_from_ns = None
    if out_from_ns is not None and out_from_ns < until_ns:
        spans.append((out_from_ns, until_ns))
    return tuple(spans)
