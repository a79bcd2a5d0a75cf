"""A session with codes as it stood at an earlier instant, and how much work it took until its part was named."""

from dataclasses import replace

from busdoc.actions.action import REMARKS
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident
from busdoc.symptoms.symptom import ShowingSpan, Symptom
from tests.truth.code_sessions import CodeSession, JudgedCode, judge_code, judge_dropouts
from tests.truth.isolation_sessions import NS, START_NS

__all__ = ["until", "work_until_named"]

_WAITED_NS = 5 * NS
"""Who leaves things as they are for so long tests them: a shorter pause lies between two moves of the hand."""


def until(session: CodeSession, at_ns: int) -> CodeSession:
    """Give what was known at an instant."""
    health = session.health
    return replace(
        session,
        health=replace(
            health,
            until_ns=at_ns,
            incidents=tuple(_incident(one, at_ns) for one in health.incidents if one.onset_ns <= at_ns),
            controllers=tuple(
                replace(
                    one,
                    absences=tuple((a, min(b, at_ns)) for a, b in one.absences if a < at_ns),
                    last_ns=None if one.last_ns is None else min(one.last_ns, at_ns),
                )
                for one in health.controllers
                if one.first_ns is None or one.first_ns <= at_ns
            ),
        ),
        codes=tuple(_code(one, at_ns) for one in session.codes if one.first_ns <= at_ns),
        actions=tuple(one for one in session.actions if one.time_ns <= at_ns),
        further=tuple(_symptom(one, at_ns) for one in session.further),
    )


def work_until_named(session: CodeSession, *, as_dropouts: bool) -> tuple[int, float] | None:
    """(tests, seconds) until a faulty part was named and stayed so; None: it is not named at the end.

    A test is a wait of five seconds or more after something was done.
    """
    judge = judge_dropouts if as_dropouts else judge_code
    done_ns = [one.time_ns for one in session.actions if one.kind not in REMARKS]
    instants = sorted({*(t + 3 * NS for t in done_ns), *(t - NS for t in done_ns), session.health.until_ns})
    named_ns: int | None = None
    for at_ns in reversed([t for t in instants if START_NS < t <= session.health.until_ns]):
        found = judge(until(session, at_ns) if at_ns < session.health.until_ns else session)
        if not _names(found):
            break
        named_ns = at_ns
    if named_ns is None:
        return None
    waits = [b - a >= _WAITED_NS for a, b in zip(done_ns, [*done_ns[1:], session.health.until_ns], strict=True)]
    n_tests = sum(waited for t, waited in zip(done_ns, waits, strict=True) if t < named_ns)
    return n_tests, (named_ns - START_NS) / NS


def _names(found: JudgedCode | None) -> bool:
    return found is not None and bool(found.verdict.suspects) and found.names_it


def _incident(one: Incident, at_ns: int) -> Incident:
    losses = tuple(
        replace(loss, back_ns=_by(loss.back_ns, at_ns), steady_ns=_by(loss.steady_ns, at_ns)) for loss in one.losses
    )
    return replace(one, back_ns=_by(one.back_ns, at_ns), steady_ns=_by(one.steady_ns, at_ns), losses=losses)


def _code(one: FaultCode, at_ns: int) -> FaultCode:
    n = sum(raised_ns <= at_ns for raised_ns, _ in one.active_spans)
    spans = tuple((raised_ns, _by(cleared_ns, at_ns)) for raised_ns, cleared_ns in one.active_spans[:n])
    heard = one.heard_spans
    return replace(
        one,
        occurrences=n,
        last_ns=min(one.last_ns, at_ns),
        active=bool(spans) and spans[-1][1] is None,
        active_spans=spans,
        edges=tuple((not_yet_ns, min(still_ns, at_ns)) for not_yet_ns, still_ns in one.edges[:n]),
        heard_spans=None if heard is None else tuple((a, min(b, at_ns)) for a, b in heard if a < at_ns),
    )


def _symptom(one: Symptom, at_ns: int) -> Symptom:
    return replace(
        one,
        spans=tuple(_span(span, at_ns) for span in one.spans if span.since_ns <= at_ns),
        observable=tuple((a, min(b, at_ns)) for a, b in one.observable if a < at_ns),
    )


def _span(span: ShowingSpan, at_ns: int) -> ShowingSpan:
    return replace(span, still_ns=min(span.still_ns, at_ns), gone_ns=_by(span.gone_ns, at_ns))


def _by(t_ns: int | None, at_ns: int) -> int | None:
    return t_ns if t_ns is not None and t_ns <= at_ns else None
