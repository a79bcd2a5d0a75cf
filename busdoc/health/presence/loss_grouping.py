"""Which losses are one incident, and what they tell of one another.

Several controllers lost within one deadline are one incident, in the order in which they fell silent. Those that were
lost with the whole bus are found by `busdoc.health.presence.bus_silence`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.health.presence.dropout import Absence
from busdoc.health.presence.restart_evidence import RestartFinding, share_evidence
from busdoc.times import MILLISECOND_NS

__all__ = ["ControllerLoss", "group_losses", "incident_of", "weighed_together"]

_HOLD_UP_NS = 300 * MILLISECOND_NS
"""Controllers hold out that differently when one supply goes (common practice: 20 to 300 ms)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ControllerLoss:
    """One controller's loss, with what is needed to join it to others."""

    loss: Loss
    channel: int | None
    deadline_ns: int = 0
    """How soon the loss showed."""
    absence: Absence | None = None
    """What it was found from; None: of streams that were late."""
    least_start_ns: int = 0
    """The shortest time in which the controller can have restarted."""


def group_losses(losses: Sequence[ControllerLoss]) -> list[list[ControllerLoss]]:
    """Put losses together that happened within one deadline.

    A loss lies between the last frame seen and the first one missed. It belongs to an incident unless the controller
    was still heard when the deadline of the first one lost had passed (or its supply would have run down).

    Returns
    -------
    Groups ascending by onset; within a group in the order of the losses.
    """
    ordered = sorted(losses, key=lambda one: (one.loss.onset_ns, one.loss.last_seen_ns, one.loss.controller))
    groups: list[list[ControllerLoss]] = []
    for one in ordered:
        if groups:
            # only the last group can still be open, and a controller is lost but once in it
            first = groups[-1][0]
            within_ns = max(first.deadline_ns, _HOLD_UP_NS)
            known = {other.loss.controller for other in groups[-1]}
            if one.loss.last_seen_ns - first.loss.onset_ns <= within_ns and one.loss.controller not in known:
                groups[-1].append(one)
                continue
        groups.append([one])
    return groups


def weighed_together(group: Sequence[ControllerLoss]) -> list[ControllerLoss]:
    """Let what one controller shows of a restart speak for those that were lost with it, in the order given."""
    found = share_evidence(
        [
            RestartFinding(ran_on=one.loss.ran_on, p_restarted=one.loss.p_restarted, evidence=one.loss.evidence)
            if one.loss.back_ns is not None
            else None
            for one in group
        ]
    )
    return [
        one
        if told is None
        else replace(
            one,
            loss=replace(one.loss, ran_on=told.ran_on, p_restarted=told.p_restarted, evidence=told.evidence),
        )
        if not _is_too_short(one)
        else one
        for one, told in zip(group, found, strict=True)
    ]


def _is_too_short(one: ControllerLoss) -> bool:
    """Tell whether nobody can have restarted in a loss, whatever the others show."""
    back_ns = one.loss.back_ns
    return back_ns is not None and back_ns - one.loss.last_seen_ns < one.least_start_ns


def incident_of(kind: IncidentKind, group: Sequence[ControllerLoss], why: tuple[str, ...] = ()) -> Incident:
    """Make one incident of the losses that belong to it, given in their order.

    Parameters
    ----------
    why : what speaks for it, in words; empty: what speaks for the restart of each controller
    """
    losses = tuple(one.loss for one in group)
    channels = {one.channel for one in group}
    ran_on, p_restarted = _all_told(losses)
    return Incident(
        kind=kind,
        channel=channels.pop() if len(channels) == 1 else None,
        controllers=tuple(loss.controller for loss in losses),
        last_seen_ns=min(loss.last_seen_ns for loss in losses),
        onset_ns=min(loss.onset_ns for loss in losses),
        back_ns=_latest([loss.back_ns for loss in losses]),
        steady_ns=_latest([loss.steady_ns for loss in losses]),
        ran_on=ran_on,
        p_restarted=p_restarted,
        losses=losses,
        why=why or _why(losses),
    )


def _latest(times: Sequence[int | None]) -> int | None:
    """Give the last of several times; None as long as one of them has not come."""
    known = [t for t in times if t is not None]
    return max(known) if len(known) == len(times) else None


def _all_told(losses: Sequence[Loss]) -> tuple[RanOn, float | None]:
    """Say what all the losses say: one answer when those that give one agree, unknown otherwise."""
    answers = {loss.ran_on for loss in losses if loss.ran_on is not RanOn.UNKNOWN}
    weighed = [loss.p_restarted for loss in losses if loss.p_restarted is not None]
    p_restarted = sum(weighed) / len(weighed) if weighed else None
    return (answers.pop() if len(answers) == 1 else RanOn.UNKNOWN), p_restarted


def _why(losses: Sequence[Loss]) -> tuple[str, ...]:
    if len(losses) == 1:
        return losses[0].evidence
    return tuple(f"{loss.controller}: {words}" for loss in losses for words in loss.evidence)
