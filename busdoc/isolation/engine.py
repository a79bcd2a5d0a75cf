"""The verdict of an isolation: one pure function of what is known at one instant.

What is known is a `Record`. A recording is known at its end, a session at the machine about once a second; both ask the
same function, so what is shown live is what the post-mortem says of the same frames and actions.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident
from busdoc.health.summary import Health
from busdoc.isolation.proposals.next_tests import propose_tests
from busdoc.isolation.proposals.proof import being_proved, proof_of_parts
from busdoc.isolation.proposals.quiet import quiet_of, repairs_of
from busdoc.isolation.suspects.attribution import attribute_showings, awaits_its_press, taken_away
from busdoc.isolation.suspects.exposure import THE_MACHINE, find_reach, with_controllers
from busdoc.isolation.suspects.findings import Findings, work_through
from busdoc.isolation.suspects.hands.switching import apart_from_hands
from busdoc.isolation.suspects.losses import gather_losses, losses_of, silent_at_first
from busdoc.isolation.suspects.reasons import elsewhere_reasons, reasons_for
from busdoc.isolation.suspects.sets.many import bounded
from busdoc.isolation.suspects.showings import losses_of_symptom
from busdoc.isolation.suspects.trials import cut_trials
from busdoc.isolation.verdict import ELSEWHERE, Because, IsolationVerdict, NextTest, Suspect
from busdoc.machine.machine import Machine
from busdoc.symptoms.latching import probability_latched
from busdoc.symptoms.repeats import without_repeats
from busdoc.symptoms.self_test import seen_after_starts
from busdoc.symptoms.symptom import Symptom
from busdoc.times import SECOND_NS

__all__ = ["CLEARED_AT", "Record", "SymptomVerdict", "isolate", "isolate_symptom", "verdict_on", "work_out"]

CLEARED_AT = 0.05
"""A part is called clear at this probability or less, and only when its own quiet was as unlikely for a culprit.
Common practice: 95 % sure."""
_BY_HAND = 0.5
"""From here on a fall was likelier somebody at a switch than any part (by definition)."""
_MOST_REASONED = 100
"""Parts that reasons are given for, the likeliest first (bound on work)."""
_BEFORE_UNPLUG_NS = 2 * SECOND_NS
"""So long a press may be written down after the hand moved (common practice)."""
_AFTER_UNPLUG_NS = 5 * SECOND_NS
"""A code raised this soon after something was unplugged speaks of the open circuit, not of the fault (common practice:
an open circuit is coded within seconds)."""
_OPENS = (ActionKind.UNPLUG, ActionKind.SWAP, ActionKind.REPLACE, ActionKind.POWER_OFF)
"""Actions that open a circuit, or the supply, by definition."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """What is known at one instant."""

    machine: Machine
    """The map; may be empty."""
    start_ns: int
    """Since when the bus is watched."""
    at_ns: int
    incidents: tuple[Incident, ...]
    """With `back_ns` None while one goes on."""
    because: tuple[Because, ...]
    """Which action each of them answers to."""
    actions: tuple[Action, ...]
    """What was done, in any order; what comes later than `at_ns` is not known yet."""
    codes: tuple[FaultCode, ...] = ()
    absent: tuple[tuple[str, int, int | None], ...] = ()
    """(controller, from, to) of those not on the bus, ns: from the start, say, before they were ever seen."""
    symptom: Symptom | None = None
    """What is isolated; None: the dropouts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SymptomVerdict:
    """The answer about one symptom."""

    symptom: Symptom
    verdict: IsolationVerdict
    because: tuple[tuple[int, Because], ...]
    """(first seen showing in ns, which action it answers to) of each showing that was seen to begin."""


def isolate(
    health: Health,
    actions: Sequence[Action],
    machine: Machine,
    because: Sequence[Because],
    codes: Sequence[FaultCode] = (),
) -> IsolationVerdict:
    """Give the verdict on a recording, or on a session so far.

    Parameters
    ----------
    health : of the capture
    actions : in any order
    machine : the map; may be empty
    because : of `busdoc.isolation.suspects.attribution.attribute`, one for each incident
    codes : fault codes of the capture, with their hints

    Returns
    -------
    The verdict at the end of `health`; without suspects and tests when there was neither trouble nor a trial
    """
    pairs = list(zip(health.incidents, because, strict=True))
    record = Record(
        machine=_with_those_seen(machine, health),
        start_ns=health.start_ns,
        at_ns=health.until_ns,
        incidents=tuple(incident for incident, _ in pairs),
        because=tuple(reason for _, reason in pairs),
        actions=tuple(actions),
        codes=tuple(codes),
        absent=silent_at_first(health),
    )
    findings = work_out(record)
    verdict = verdict_on(record, findings)
    troubled = any(trial.shown_after_ns is not None for trial in verdict.trials)
    if not troubled and not findings.evidence.starts.action:
        return _of_nothing(verdict)
    by_hand = findings.posterior.by_hand > _BY_HAND
    return replace(verdict, by_hand=bool(len(by_hand) and by_hand.all() and not findings.evidence.starts.action))


def isolate_symptom(
    health: Health,
    actions: Sequence[Action],
    machine: Machine,
    because: Sequence[Because],
    symptom: Symptom,
    codes: Sequence[FaultCode] = (),
) -> SymptomVerdict:
    """Give the verdict on any symptom, by the same sums as on dropouts.

    Parameters
    ----------
    health, actions, machine, because, codes : as of `isolate`
    symptom : what is isolated

    Returns
    -------
    The verdict at the end of `health`; without suspects and tests when it never showed
    """
    symptom = replace(seen_after_starts(symptom, actions), p_latches=probability_latched(symptom, actions))
    weighed = without_repeats(symptom, actions)
    record = Record(
        machine=_with_those_seen(machine, health),
        start_ns=health.start_ns,
        at_ns=health.until_ns,
        incidents=health.incidents,
        because=tuple(because),
        actions=tuple(actions),
        codes=tuple(codes),
        absent=(*silent_at_first(health), *_never_heard(machine, health)),
        symptom=weighed,
    )
    findings = work_out(record)
    verdict = verdict_on(record, findings)
    if not symptom.spans:
        verdict = _of_nothing(verdict)
    spans = sorted(weighed.spans, key=lambda span: span.since_ns)
    onsets_ns = [spans[k].since_ns for k in findings.losses.incident]
    answers = attribute_showings(findings, onsets_ns)
    return SymptomVerdict(symptom=symptom, verdict=verdict, because=tuple(zip(onsets_ns, answers, strict=True)))


def _of_nothing(verdict: IsolationVerdict) -> IsolationVerdict:
    """Keep the trials of a record in which nothing ever showed."""
    return replace(verdict, suspects=(), next_tests=(), quiet=None, repairs=(), proving=())


def work_out(record: Record) -> Findings:
    """Work a record through: reach, losses, evidence and posterior."""
    # What was done by then, in the order in which it was done.
    actions = sorted(record.actions, key=lambda a: (a.time_ns, a.n))
    actions = [a for a in actions if a.time_ns <= record.at_ns + 3 * a.uncertainty_ns]
    # Who fell, in the order in which they fell, with the answer of each; whom the map does not name is added to it.
    pairs = sorted(
        zip(record.incidents, record.because, strict=True), key=lambda pair: (pair[0].last_seen_ns, pair[0].controllers)
    )
    incidents = [incident for incident, _ in pairs]
    names = [name for incident in incidents for name in incident.controllers] + [name for name, _, _ in record.absent]
    symptom = record.symptom
    names += [] if symptom is None or symptom.controller is None else [symptom.controller]
    machine = with_controllers(record.machine, names)
    # Whom each part could trouble, stretch by stretch, and what of the losses the actions do not explain away.
    reach = find_reach(machine, actions)
    losses = gather_losses(incidents, reach.controllers, record.start_ns, record.absent)
    span_s = max((record.at_ns - record.start_ns) / SECOND_NS, 1.0)
    _, offset_s = taken_away(losses, reach, actions, record.start_ns, span_s)
    losses = apart_from_hands(losses, reach.controllers, machine, actions, record.start_ns, offset_s)
    if symptom is not None:
        reach = find_reach(machine, actions, as_one=True) if symptom.controller is None else reach
        away = (*losses.away, ()) if symptom.controller is None else losses.away
        losses = losses_of_symptom(symptom, reach.controllers, record.start_ns, record.at_ns, away)
        return work_through(
            machine,
            reach,
            losses,
            range(len(losses.t_s)),
            actions,
            codes=_hints(record.codes, actions),
            symptom=symptom,
            start_ns=record.start_ns,
            span_s=span_s,
            offset_s=offset_s,
        )
    explained = [
        pairs[k][1].expected or awaits_its_press(losses, row, actions, span_s) for row, k in enumerate(losses.incident)
    ]
    unexplained = [row for row, by_an_action in enumerate(explained) if not by_an_action]
    losses, unexplained = bounded(losses, unexplained, [(a.time_ns - record.start_ns) / SECOND_NS for a in actions])
    return work_through(
        machine,
        reach,
        losses,
        unexplained,
        actions,
        codes=_hints(record.codes, actions),
        start_ns=record.start_ns,
        span_s=span_s,
        offset_s=offset_s,
    )


def verdict_on(record: Record, findings: Findings | None = None) -> IsolationVerdict:
    """Answer from a record alone: trials, suspects highest first, and what to do next.

    Parameters
    ----------
    record : what is known
    findings : of `work_out`, where they are there already
    """
    findings = work_out(record) if findings is None else findings
    if not findings.reach.parts:
        return IsolationVerdict(at_ns=record.at_ns, trials=(), suspects=(), next_tests=())
    if record.symptom is None:
        down = {
            loss.controller for incident in record.incidents for loss in losses_of(incident) if loss.back_ns is None
        }
    else:
        down = {record.symptom.controller or THE_MACHINE} if record.symptom.showing else set()
    quiet, repairs = quiet_of(findings), repairs_of(findings)
    suspects = _suspects(findings, _hints(record.codes, findings.actions))
    cleared = frozenset(suspect.part for suspect in suspects if suspect.cleared)
    proof = proof_of_parts(findings, quiet, repairs, tuple(down))
    proving = tuple(one.part for one in being_proved(findings, repairs))
    tests: tuple[NextTest, ...] = ()
    if proof is None or proof[1]:
        tests = propose_tests(findings, tuple(down), quiet, cleared.union(proving))
    if proof is not None:
        settled = {step.part for test in proof[0] for step in test.steps}
        second = [test for test in tests if not any(step.part in settled for step in test.steps if step.part)]
        tests = (*proof[0], *second)
    return IsolationVerdict(
        at_ns=record.at_ns,
        trials=cut_trials(findings),
        suspects=suspects,
        next_tests=tests,
        quiet=quiet,
        repairs=repairs,
        proving=proving,
    )


def _hints(codes: Sequence[FaultCode], actions: Sequence[Action]) -> tuple[FaultCode, ...]:
    """Keep the latest of each code that says where to look, and was not made by pulling a plug."""
    pulled_ns = [a.time_ns for a in actions if a.kind in _OPENS]
    latest = {(code.controller, code.code): code for code in codes}
    return tuple(
        code
        for code in latest.values()
        if code.points_at and not any(-_BEFORE_UNPLUG_NS <= code.first_ns - t <= _AFTER_UNPLUG_NS for t in pulled_ns)
    )


def _with_those_seen(machine: Machine, health: Health) -> Machine:
    """Where the map names no controller, take those that were heard."""
    if machine.controllers:
        return machine
    return with_controllers(machine, [c.name for c in health.controllers if c.first_ns is not None])


def _never_heard(machine: Machine, health: Health) -> tuple[tuple[str, int, int | None], ...]:
    """Give the map's controllers of which a capture, or a session without a bus, knows nothing: they tell nothing."""
    heard = {controller.name for controller in health.controllers}
    return tuple((name, health.start_ns, None) for name in machine.controllers if name not in heard)


def _suspects(findings: Findings, codes: tuple[FaultCode, ...]) -> tuple[Suspect, ...]:
    posterior = findings.posterior
    told = set(np.argsort(-posterior.marginal, kind="stable")[:_MOST_REASONED].tolist())
    found: list[Suspect] = []
    for p in range(len(findings.reach.parts)):
        probability = float(posterior.marginal[p])
        cleared = bool(len(findings.unexplained) and probability <= CLEARED_AT and posterior.earned[p] <= CLEARED_AT)
        found.append(
            Suspect(
                part=findings.reach.parts[p],
                probability=probability,
                cleared=cleared,
                why=reasons_for(findings, p, cleared=cleared, codes=codes) if p in told else (),
            )
        )
    found.append(
        Suspect(part=ELSEWHERE, probability=posterior.elsewhere, cleared=False, why=elsewhere_reasons(findings))
    )
    return tuple(sorted(found, key=lambda suspect: -suspect.probability))
