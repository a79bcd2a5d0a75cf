"""Unasked start: a controller announced that it had started, without a silence long enough to be a dropout."""

from busdoc.decode.sign import Sign, SignKind
from busdoc.health.falling import ControllerLoss, incident_of
from busdoc.health.incident import Incident, IncidentKind, Loss, RanOn
from busdoc.health.member import Member
from busdoc.health.restart import unasked_words

__all__ = ["SIGN_AFTER_NS", "find_restarts"]

SIGN_AFTER_NS = 5_000_000_000
"""A sign of a start belongs to a loss until so long after the return (common practice)."""
_STARTUP_NS = 5_000_000_000
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
