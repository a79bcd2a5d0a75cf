"""Falling: which losses are one incident, and which were the whole bus.

Several controllers lost within one deadline are one incident, in the order in which they fell. A channel on which
everything falls silent at once, with two or more controllers known there, is the bus or the laptop's own lead.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.health.presence.judged_controller import Member
from busdoc.health.presence.presence import Fall
from busdoc.health.presence.restart import Return, in_company, unasked_words
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["SIGN_AFTER_NS", "ControllerLoss", "find_restarts", "incident_of", "together", "weighed_together"]

_HOLD_UP_NS = 300 * MILLISECOND_NS
"""Controllers hold out that differently when one supply goes (common practice: 20 to 300 ms)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ControllerLoss:
    """One controller's loss, with what is needed to join it to others."""

    loss: Loss
    channel: int | None
    deadline_ns: int
    fall: Fall | None = None
    """What it was found from."""


def together(losses: Sequence[ControllerLoss]) -> list[list[ControllerLoss]]:
    """Put losses together that happened within one deadline.

    A loss lies between the last frame seen and the first one missed. It belongs to an incident unless the controller
    was still heard when the first member's deadline had passed (or its supply would have run down).

    Returns
    -------
    Groups ascending by onset; within a group in the order of falling.
    """
    ordered = sorted(losses, key=lambda one: (one.loss.onset_ns, one.loss.last_seen_ns, one.loss.controller))
    groups: list[list[ControllerLoss]] = []
    for one in ordered:
        if groups:
            first = groups[-1][0]
            within_ns = max(first.deadline_ns, _HOLD_UP_NS)
            known = {member.loss.controller for member in groups[-1]}
            if one.loss.last_seen_ns - first.loss.onset_ns <= within_ns and one.loss.controller not in known:
                groups[-1].append(one)
                continue
        groups.append([one])
    return groups


def weighed_together(members: Sequence[ControllerLoss]) -> list[ControllerLoss]:
    """Let what one of them shows of a restart speak for the others."""
    if len(members) < 2:
        return list(members)
    found = in_company(
        [
            Return(ran_on=one.loss.ran_on, p_restarted=one.loss.p_restarted, evidence=one.loss.evidence)
            if one.loss.back_ns is not None
            else None
            for one in members
        ]
    )
    return [
        one
        if told is None
        else replace(
            one,
            loss=replace(one.loss, ran_on=told.ran_on, p_restarted=told.p_restarted, evidence=told.evidence),
        )
        for one, told in zip(members, found, strict=True)
    ]


def incident_of(kind: IncidentKind, members: Sequence[ControllerLoss], why: tuple[str, ...] = ()) -> Incident:
    """Make one incident of the losses that belong to it, given in the order of falling."""
    losses = tuple(member.loss for member in members)
    channels = {member.channel for member in members}
    back = [loss.back_ns for loss in losses]
    steady = [loss.steady_ns for loss in losses]
    ran_on, p_restarted = _all_told(losses)
    return Incident(
        kind=kind,
        channel=channels.pop() if len(channels) == 1 else None,
        controllers=tuple(loss.controller for loss in losses),
        last_seen_ns=min(loss.last_seen_ns for loss in losses),
        onset_ns=min(loss.onset_ns for loss in losses),
        back_ns=_latest(back),
        steady_ns=_latest(steady),
        ran_on=ran_on,
        p_restarted=p_restarted,
        losses=losses,
        why=why or _why(losses),
    )


def _latest(times: Sequence[int | None]) -> int | None:
    known = [t for t in times if t is not None]
    return max(known) if len(known) == len(times) else None


def _all_told(losses: Sequence[Loss]) -> tuple[RanOn, float | None]:
    """Say what all the members say: one answer when those that give one agree, unknown otherwise."""
    answers = {loss.ran_on for loss in losses if loss.ran_on is not RanOn.UNKNOWN}
    weighed = [loss.p_restarted for loss in losses if loss.p_restarted is not None]
    p_restarted = sum(weighed) / len(weighed) if weighed else None
    return (answers.pop() if len(answers) == 1 else RanOn.UNKNOWN), p_restarted


def _why(losses: Sequence[Loss]) -> tuple[str, ...]:
    if len(losses) == 1:
        return losses[0].evidence
    return tuple(f"{loss.controller}: {words}" for loss in losses for words in loss.evidence)


SIGN_AFTER_NS = 5 * SECOND_NS
"""A sign of a start belongs to a loss until so long after the return (common practice)."""
_STARTUP_NS = 5 * SECOND_NS
"""Signs within so long after a start belong to that one."""


def find_restarts(member: Member) -> list[Incident]:
    """Find starts that were announced without a silence long enough to be a dropout."""
    found: list[Incident] = []
    started_ns = member.first_ns
    for sign in member.signs:
        if sign.asked or sign.kind is SignKind.HEARTBEAT_LAST or sign.t_ns <= started_ns + _STARTUP_NS:
            continue
        started_ns = sign.t_ns
        if any(
            fall.last_seen_ns <= sign.t_ns
            and (fall.back_ns is None or sign.t_ns <= max(fall.back_ns, fall.steady_ns or 0) + SIGN_AFTER_NS)
            for fall in member.falls
        ):
            continue
        found.append(_restart(member, sign))
    return found


def _restart(member: Member, sign: Sign) -> Incident:
    loss = Loss(
        controller=member.name,
        last_seen_ns=sign.t_ns,
        onset_ns=sign.t_ns,
        back_ns=sign.t_ns,
        steady_ns=sign.t_ns,
        ran_on=RanOn.RESTARTED,
        p_restarted=0.99,
        evidence=(unasked_words(sign.kind),),
    )
    return incident_of(IncidentKind.RESTART, [ControllerLoss(loss=loss, channel=member.channel, deadline_ns=0)])
