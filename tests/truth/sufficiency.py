"""Whether the record of a simulated session is enough to single the faulty part out, by what really happened."""

from busdoc.machine.machine import PartKind
from tests.truth.isolation_sessions import NS, Session

__all__ = ["both_shown", "suffices"]


def suffices(session: Session) -> bool:
    """Whether the truth says that the record singles the faulty part out.

    A single fault of a branch: every other part of the controller was off the machine at one of the dropouts, or was
    exposed with the faulty one out for as long as the fault needs to show with 95 %; and the controller itself was
    quiet as long without the faulty part. A feed or segment: no other one carries the same controllers of those that
    fell. Anything else is not judged.
    """
    if len(session.faults) != 1:
        return False
    part = session.faults[0].part
    known = session.machine.parts.get(part)
    if known is None:
        return False
    if known.kind in (PartKind.FEED, PartKind.SEGMENT):
        return _group_singled_out(session, part)
    rate = min(session.faults[0].rate_hz, 0.66)
    needs_s = 3.0 / rate
    controller = next(iter(session.machine.controllers))
    falls = _falls_s(session)
    if not falls:
        return False
    others = [p for p in session.machine.parts if session.machine.home(p) == controller and p != part]
    quiet = dict.fromkeys((*others, controller), 0.0)
    absent = dict.fromkeys(others, False)
    for (from_s, exposed), to_s in zip(session.exposures, _edges_s(session), strict=True):
        up_s = max(0.0, to_s - from_s) - _away_s(session, controller, from_s, to_s)
        if part not in exposed and from_s > session.faults[0].from_s:
            quiet[controller] += up_s
            for other in others:
                quiet[other] += up_s if other in exposed else 0.0
        if any(from_s <= t < to_s for t in falls):
            for other in others:
                absent[other] |= other not in exposed
    return quiet[controller] >= needs_s and all(absent[other] or quiet[other] >= needs_s for other in others)


def _edges_s(session: Session) -> list[float]:
    """When each stretch of `exposures` ended."""
    return [*[t for t, _ in session.exposures[1:]], (session.until_ns - session.health.start_ns) / NS]


def _falls_s(session: Session) -> list[float]:
    """When the first controller fell and no action explains it."""
    controller = next(iter(session.machine.controllers))
    return [
        (loss.last_seen_ns - session.health.start_ns) / NS
        for incident, expected in zip(session.health.incidents, session.expected, strict=True)
        if not expected
        for loss in incident.losses
        if loss.controller == controller
    ]


def _away_s(session: Session, controller: str, from_s: float, to_s: float) -> float:
    away = 0.0
    for incident in session.health.incidents:
        for loss in incident.losses:
            if loss.controller == controller:
                gone = (loss.last_seen_ns - session.health.start_ns) / NS
                back = to_s if loss.back_ns is None else (loss.back_ns - session.health.start_ns) / NS
                away += max(0.0, min(back, to_s) - max(gone, from_s))
    return away


def _group_singled_out(session: Session, part: str) -> bool:
    machine = session.machine
    of_kind = [p for p, known in machine.parts.items() if known.kind in (PartKind.FEED, PartKind.SEGMENT)]
    carried = {p: frozenset(machine.controllers_below(p)) for p in of_kind}
    alike = [p for p in of_kind if carried[p] == carried[part]]
    shown = any(
        not expected and len(incident.losses) > 1
        for incident, expected in zip(session.health.incidents, session.expected, strict=True)
    )
    return shown and len(alike) == 1


def both_shown(session: Session) -> bool:
    """Whether each of two faults made a dropout while the other one was off the machine."""
    falls = _falls_s(session)
    seen: set[str] = set()
    for (from_s, exposed), to_s in zip(session.exposures, _edges_s(session), strict=True):
        if any(from_s <= t < to_s for t in falls):
            bad = exposed & set(session.faulty)
            seen |= bad if len(bad) == 1 else set()
    return seen == set(session.faulty)
