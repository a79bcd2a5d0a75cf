"""What is judged of a case at one instant: who was lost, which action each loss answers to, which part is at fault.

The same two steps for a recording at its end and for a session at the machine, many times over: `observe` asks the
watches, `weigh` asks the isolation. Neither keeps anything.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busdoc.actions.action import OWN_LEAD_IN, POWER_KINDS, REMARKS, Action, ActionKind, Origin
from busdoc.actions.shown_power import as_shown
from busdoc.analysis.trouble import trouble_of
from busdoc.analysis.watches import Watches
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.health.phases.joins import find_boxes, find_joins, told_by_box
from busdoc.health.phases.recognise import recognised
from busdoc.health.summary import Health
from busdoc.isolation.conclusion import HEALTHY, Conclusion, conclusion_of
from busdoc.isolation.engine import SymptomVerdict, isolate, isolate_symptom
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.switched import cut_short, share_with_the_hand
from busdoc.isolation.verdict import Because, IsolationVerdict
from busdoc.machine.machine import Machine
from busdoc.symptoms.apart import apart_from
from busdoc.symptoms.complaint import choose_complaint
from busdoc.symptoms.gather import gather_symptoms
from busdoc.symptoms.symptom import Symptom, SymptomKind

__all__ = ["Observed", "Weighed", "complaint_in", "observe", "weigh"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observed:
    """What the traffic says."""

    health: Health
    """Its incidents and one for each code that was raised, ascending by onset."""
    codes: tuple[FaultCode, ...]
    warnings: tuple[str, ...]
    """About the codes."""
    conditions: tuple[Symptom, ...] = ()
    """Conditions on signals."""

    @property
    def incidents(self) -> tuple[Incident, ...]:
        """Those of `health`."""
        return self.health.incidents


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """What it means, held against what was done."""

    because: tuple[Because, ...]
    """Which action each incident answers to."""
    verdict: IsolationVerdict
    """On the complaint."""
    symptoms: tuple[Symptom, ...] = ()
    complaint: Symptom | None = None
    """What the verdict speaks of; None: the dropouts, or nothing showed."""
    answers: tuple[tuple[int, Because], ...] = ()
    """(first seen showing in ns, which action it answers to) of each time that the complaint came."""
    apart: tuple[Symptom, ...] = ()
    """Symptoms that come and go apart from the complaint: they may have a fault of their own."""
    conclusion: Conclusion = HEALTHY
    """What is said of it."""


def observe(watches: Watches, health: Health, actions: Sequence[Action] | None = None) -> Observed:
    """Tell normal life apart in what the watches judged, and add the fault codes.

    Parameters
    ----------
    watches : fed with the frames so far
    health : as they judged it: `Watches.close`, or `Watches.so_far`
    actions : what was done so far: where somebody writes down what is switched and plugged, the traffic need not be
        asked who was switched off; None: nobody may be taken for switched off
    """
    told = actions is None or any(action.kind not in REMARKS for action in actions)
    health = recognised(health, watches.engine(), power_told=told)
    boxes = find_boxes(health.controllers)
    health = replace(health, joins=find_joins(health), boxes=boxes, incidents=told_by_box(health.incidents, boxes))
    found = watches.codes(health)
    incidents = sorted((*health.incidents, *found.incidents), key=lambda incident: incident.onset_ns)
    return Observed(
        health=replace(health, incidents=tuple(incidents)),
        codes=found.codes,
        warnings=found.warnings,
        conditions=watches.condition_symptoms(health),
    )


def complaint_in(machine: Machine, observed: Observed, asked: str | None = None) -> Symptom | None:
    """Find the complaint in what the traffic alone says, whether it ever showed or not; None: it never did.

    Parameters
    ----------
    machine : the map, empty when there is none
    observed : of one instant
    asked : the symptom, as `--symptom` names it; None: what stands out
    """
    symptoms = gather_symptoms(machine, observed.health, observed.codes, (), frozenset(), observed.conditions)
    return choose_complaint(symptoms, (), asked, patient=True)


def weigh(
    machine: Machine,
    observed: Observed,
    actions: Sequence[Action],
    asked: str | None = None,
    *,
    patient: bool = False,
    doubted: bool = False,
) -> Weighed:
    """Say which action each incident answers to, weigh the parts, and conclude.

    A machine that fell silent as a whole accuses nobody where it may have been the key, or the laptop's own lead
    (`_accuses_nobody`), unless it went off and on several times within a start: then the hand at the switch shares what
    the supply has. All on one supply that went and came back once accuse nobody either.

    Parameters
    ----------
    machine : the map, empty when there is none
    observed : of the same instant
    actions : what was done, ascending by time
    asked : the symptom that is isolated, as `--symptom` names it; None: the dropouts, and where nothing dropped what
        else stands out
    patient : what is asked for may be still to come
    doubted : the journal's clock, or the map, is another's: nobody is named by it

    Raises
    ------
    InputError : what is asked for never showed
    """
    weighed = _weighed(machine, observed, actions, asked, patient=patient)
    health = observed.health
    trouble = trouble_of(
        machine,
        health.controllers,
        health.incidents,
        weighed.because,
        observed.codes,
        weighed.complaint,
        accused=bool(weighed.verdict.suspects),
    )
    return replace(weighed, conclusion=conclusion_of(weighed.verdict, troubled=bool(trouble), doubted=doubted))


def _weighed(
    machine: Machine, observed: Observed, actions: Sequence[Action], asked: str | None, *, patient: bool
) -> Weighed:
    health = observed.health
    actions = as_shown(machine, actions, health.incidents)
    because = attribute(health, actions, machine)
    pairs = list(zip(health.incidents, because, strict=True))
    untold = not any(_tells_of_power(action, actions) for action in actions)
    short = cut_short(health.incidents, machine) if untold else frozenset()
    provoked = sum(_is_provoked(*pair) for pair in pairs) >= _PROVOKED
    # What accuses nobody is nobody's doing; but nobody was heard through it, so that it is no quiet either.
    counts = [
        k in short or not _accuses_nobody(incident, actions, power_told=not untold, provoked=provoked)
        for k, (incident, _) in enumerate(pairs)
    ]
    reasons = [r if counted else replace(r, expected=True) for (_, r), counted in zip(pairs, counts, strict=True)]
    kept = tuple(incident for (incident, _), counted in zip(pairs, counts, strict=True) if counted)
    expected = frozenset(k for k, reason in enumerate(because) if reason.expected)
    symptoms = gather_symptoms(machine, health, observed.codes, actions, expected, observed.conditions)
    verdict = isolate(health, actions, machine, reasons, observed.codes) if health.controllers else _nothing(health)
    if verdict.by_hand:
        verdict = replace(verdict, suspects=(), next_tests=(), quiet=None, repairs=(), proving=())
    if untold and machine.parts:
        shared = share_with_the_hand(verdict.suspects, machine, kept)
        feed_shared = shared != verdict.suspects
        verdict = replace(verdict, suspects=shared, next_tests=() if feed_shared else verdict.next_tests)
    complaint = None
    if asked is not None or not verdict.suspects:
        complaint = choose_complaint(symptoms, actions, asked, patient=patient)
    if complaint is None:
        fell = [one for one in symptoms if one.kind is SymptomKind.DROPOUT]
        apart = apart_from(fell, symptoms, actions)
        known = _as_far_as_known(verdict, machine, actions)
        return Weighed(because=because, verdict=known, symptoms=symptoms, apart=apart)
    found = isolate_symptom(health, actions, machine, reasons, complaint, observed.codes)
    return Weighed(
        because=_with_showings(health, because, found),
        verdict=_as_far_as_known(found.verdict, machine, actions),
        symptoms=tuple(found.symptom if one is complaint else one for one in symptoms),
        complaint=found.symptom,
        answers=found.because,
        apart=apart_from([found.symptom], symptoms, actions),
    )


def _tells_of_power(action: Action, actions: Sequence[Action]) -> bool:
    """Whether an action tells who switched the power; a return that was read from the traffic alone does not.

    That the supply came back is known without it. Without the power-off that goes with it, it says nothing of a hand.
    """
    if action.kind is not ActionKind.POWER_ON or action.origin is not Origin.BUS:
        return action.kind in POWER_KINDS
    return any(one.kind is ActionKind.POWER_OFF and one.time_ns < action.time_ns for one in actions)


def _as_far_as_known(verdict: IsolationVerdict, machine: Machine, actions: Sequence[Action]) -> IsolationVerdict:
    """Leave the suspects and tests out where neither a map nor an action names a part that could be at fault.

    Who is silent is known then, and not what hangs on it, nor who switched what off: a place would be a guess.
    """
    if machine.parts or any(action.part is not None for action in actions):
        return verdict
    return replace(verdict, suspects=(), next_tests=(), proving=())


def _nothing(health: Health) -> IsolationVerdict:
    """Where no controller was ever heard, none was lost."""
    return IsolationVerdict(at_ns=health.until_ns, trials=(), suspects=(), next_tests=())


def _with_showings(health: Health, because: Sequence[Because], found: SymptomVerdict) -> tuple[Because, ...]:
    """Give the codes' incidents the answers of the symptom that they make up."""
    answers = dict(found.because)
    given = []
    for k, (incident, reason) in enumerate(zip(health.incidents, because, strict=True)):
        own = incident.kind is IncidentKind.CODE and incident.code in found.symptom.codes
        answer = answers.get(incident.onset_ns) if own and found.symptom.controller in incident.controllers else None
        given.append(reason if answer is None else replace(answer, incident=k))
    return tuple(given)


_PROVOKED = 2
"""Silences of everybody that answer to what was done to a part: no lead of our own does so twice (common practice)."""


def _is_provoked(incident: Incident, because: Because) -> bool:
    """Whether a silence of everybody, who ran on through it, answers to what was done to a part."""
    ran_on = incident.kind is IncidentKind.BUS_SILENCE and incident.ran_on is not RanOn.RESTARTED
    return ran_on and because.action is not None and not because.expected


def _accuses_nobody(incident: Incident, actions: Sequence[Action], *, power_told: bool, provoked: bool) -> bool:
    """Whether a silence of everybody may have been the key, or the laptop's own lead, and no part of the machine.

    One that ends with everybody restarting was the supply, or the key where nobody wrote down what is done to it. One
    that everybody ran on through, or that goes on, was the bus or the laptop's own lead: on the bus the two are the
    same, and own leads are pulled far more often than trunks break (common practice). It counts once somebody has
    looked at the lead and said so, and where others like it were provoked.
    """
    if incident.kind is not IncidentKind.BUS_SILENCE:
        return False
    if incident.ran_on is RanOn.RESTARTED:
        return not power_told
    return not provoked and not any(
        action.kind is ActionKind.MARK and action.note == OWN_LEAD_IN and action.time_ns >= incident.last_seen_ns
        for action in actions
    )
