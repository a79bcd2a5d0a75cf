"""Fault codes as symptoms: what a controller says is active, cut at its restarts, where and when it could be heard.

Codes of one controller that always come and go together are one symptom: a sensor that is gone takes several values
with it. What is stored as previously active is history and no symptom.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import GapKind, IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.machine.machine import Machine
from busdoc.symptoms.failure_modes import kinds_of_failure
from busdoc.symptoms.spans import Spans, cut_at_restarts, overlap, without
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["CODE_LATENCY_NS", "code_symptoms", "heard_of", "restarts_of"]

CODE_LATENCY_NS = 3 * SECOND_NS
"""From a fault to its code: the broadcast's one second (SAE J1939-73 5.7.1), and what the controller waits before it
believes it (common practice: 0.1 to 5 s)."""
_STATUS_LATENCY_NS = 2 * SECOND_NS
"""The same for a status signal: that wait, and its period (common practice)."""
_NO_STOPS = (IncidentKind.LATE, IncidentKind.CODE, IncidentKind.CAPTURE_GAP)
"""Kinds of incidents in which no controller stopped, by definition."""
_BRIDGED_NS = 5 * SECOND_NS
"""Broadcasts that are this far apart, with no restart between, are one (SAE J1939-73 5.7.1: five periods)."""
_TOGETHER_NS = 2 * SECOND_NS
"""Codes of one controller that come and go this close together have one cause (common practice)."""


def code_symptoms(codes: Iterable[FaultCode], health: Health, machine: Machine) -> tuple[Symptom, ...]:
    """Give one symptom for each code that was active in the record, or for several that come and go together.

    Parameters
    ----------
    codes : by the names that `health` gave to the controllers
    """
    shown = [code for code in codes if code.active_spans]
    senders = {code.controller for code in shown}
    restarts = {name: restarts_of(name, health) for name in senders}
    heard = {name: heard_of(name, health) or ((health.start_ns, health.until_ns),) for name in senders}
    together = _put_together(
        [_symptom(code, restarts[code.controller], heard[code.controller], machine) for code in shown]
    )
    return tuple(_with_shared_supply(one, machine) for one in together)


def restarts_of(controller: str, health: Health) -> tuple[tuple[int, int | None], ...]:
    """Give (down, back) of every restart of a controller, ns, ascending; back None: it is still away."""
    found = [
        (loss.last_seen_ns, loss.back_ns)
        for incident in health.incidents
        if incident.kind not in _NO_STOPS
        for loss in incident.losses
        if loss.controller == controller and loss.ran_on is not RanOn.KEPT_RUNNING
    ]
    return tuple(sorted(found, key=lambda one: one[0]))


def heard_of(controller: str, health: Health) -> Spans:
    """Give (from, to) in which a controller was heard, ns; nothing for one that the capture does not know."""
    known = next((one for one in health.controllers if one.name == controller), None)
    if known is None:
        return ()
    gaps = [(gap.from_ns, gap.to_ns) for gap in health.gaps if gap.kind is GapKind.CAPTURE_GAP]
    return without((health.start_ns, health.until_ns), [*_absences(known, health), *gaps])


def _absences(known: ControllerHealth, health: Health) -> list[tuple[int, int]]:
    listed = list(known.absences)
    listed += [
        (loss.last_seen_ns, health.until_ns if loss.back_ns is None else loss.back_ns)
        for incident in health.incidents
        for loss in incident.losses
        if loss.controller == known.name
    ]
    if known.first_ns is not None and not known.absences:
        listed.append((health.start_ns, known.first_ns))
    return listed


def _symptom(code: FaultCode, restarts: Sequence[tuple[int, int | None]], heard: Spans, machine: Machine) -> Symptom:
    could = heard if code.heard_spans is None else overlap(heard, _bridged(code.heard_spans, restarts))
    edges = code.edges or tuple((raised_ns, raised_ns) for raised_ns, _ in code.active_spans)
    spans = [
        ShowingSpan(since_ns=raised_ns, not_yet_ns=not_yet_ns, still_ns=max(still_ns, raised_ns), gone_ns=cleared_ns)
        for (raised_ns, cleared_ns), (not_yet_ns, still_ns) in zip(code.active_spans, edges, strict=True)
    ]
    counted = code.kind is CodeKind.STATUS and code.controller_count is not None
    kind = SymptomKind.COUNTER if counted else SymptomKind.STATUS if code.kind is CodeKind.STATUS else SymptomKind.CODE
    return Symptom(
        kind=kind,
        name=f"code:{code.controller}:{code.code}" if kind is SymptomKind.CODE else code.code,
        text=code.text,
        controller=code.controller,
        spans=cut_at_restarts(spans, restarts, could),
        observable=could,
        latency_ns=CODE_LATENCY_NS if kind is SymptomKind.CODE else _STATUS_LATENCY_NS,
        latches=_stated(code, machine),
        points_at=code.points_at,
        failure_kinds=() if code.points_at else kinds_of_failure([code.fmi]),
        signal=code.code.split(" ", 1)[0] if code.kind is CodeKind.STATUS else None,
        codes=(code.code,),
    )


def _bridged(heard: Sequence[tuple[int, int]], restarts: Sequence[tuple[int, int | None]]) -> Spans:
    """Join broadcasts that follow one another slowly, unless their sender started anew between."""
    found: list[tuple[int, int]] = []
    for from_ns, to_ns in heard:
        before_ns = found[-1][1] if found else None
        if (
            before_ns is not None
            and from_ns - before_ns <= _BRIDGED_NS
            and not any(down_ns < from_ns and (back_ns or from_ns) >= before_ns for down_ns, back_ns in restarts)
        ):
            found[-1] = (found[-1][0], to_ns)
        else:
            found.append((from_ns, to_ns))
    return tuple(found)


def _stated(code: FaultCode, machine: Machine) -> bool | None:
    """Say whether the map says that a code stays until the power is cycled."""
    fitting = [
        hint
        for hint in machine.codes
        if hint.latches is not None
        and hint.controller in (None, code.controller)
        and (
            (hint.spn is not None and hint.spn == code.spn and hint.fmi in (None, code.fmi))
            or (hint.emcy is not None and hint.emcy == code.emcy)
            or (hint.status is not None and (hint.status == code.code or code.code.startswith(f"{hint.status} ")))
        )
    ]
    if not fitting:
        return None
    return max(fitting, key=lambda hint: (hint.controller is not None) + (hint.fmi is not None)).latches


def _put_together(symptoms: Sequence[Symptom]) -> tuple[Symptom, ...]:
    """Make one of those of a controller that come and go together."""
    found: list[Symptom] = []
    alike: dict[tuple[str | None, int], list[int]] = {}
    for one in symptoms:
        for k in alike.setdefault((one.controller, len(one.spans)), []):
            other = found[k]
            if _are_one(one, other):
                points = tuple(dict.fromkeys((*other.points_at, *one.points_at)))
                latches = other.latches if other.latches is not None else one.latches
                found[k] = replace(
                    other,
                    text=f"{other.text}; {one.text}",
                    latches=latches,
                    points_at=points,
                    failure_kinds=tuple(dict.fromkeys((*other.failure_kinds, *one.failure_kinds))),
                    codes=(*other.codes, *one.codes),
                )
                break
        else:
            alike[one.controller, len(one.spans)].append(len(found))
            found.append(one)
    return tuple(found)


def _with_shared_supply(symptom: Symptom, machine: Machine) -> Symptom:
    """Let codes of several parts on one sensor supply, come together, point at all that hangs on it.

    A load that shorts a sensor supply takes it from the others as well, and they read wrong together (common practice).
    """
    named = [machine.parts[name] for name in symptom.points_at if name in machine.parts]
    shared = {
        part.supply
        for part in named
        if part.supply is not None and sum(other.supply == part.supply for other in named) > 1
    }
    return replace(symptom, points_at=(*symptom.points_at, *sorted(shared))) if shared else symptom


def _are_one(one: Symptom, other: Symptom) -> bool:
    if one.controller != other.controller or one.kind is not SymptomKind.CODE or other.kind is not SymptomKind.CODE:
        return False
    if len(one.spans) != len(other.spans):
        return False
    return all(
        abs(a.since_ns - b.since_ns) <= _TOGETHER_NS and _ends_alike(a.gone_ns, b.gone_ns)
        for a, b in zip(one.spans, other.spans, strict=True)
    )


def _ends_alike(one_ns: int | None, other_ns: int | None) -> bool:
    if one_ns is None or other_ns is None:
        return one_ns is other_ns
    return abs(one_ns - other_ns) <= _TOGETHER_NS
