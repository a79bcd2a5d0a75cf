"""What a screen shows of a session: how it stands, put together into one view. Nothing is judged here."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from busdoc.actions.action import Action
from busdoc.actions.inferred import SignalChanges, plug_actions, power_actions
from busdoc.actions.learnt_signs import learnt_plug_actions
from busdoc.actions.plugged import PlugState, opening_state
from busdoc.actions.words import act_in_words
from busdoc.analysis.case import CaptureFacts
from busdoc.analysis.judgement import Weighed
from busdoc.analysis.result import Result
from busdoc.analysis.spells import fold_spells
from busdoc.capture.listening import FrameSource, Hearing
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder.recorder import RecorderState
from busdoc.health.codes.code import CodeKind, FaultCode
from busdoc.health.controller import ControllerState
from busdoc.health.incident import IncidentKind
from busdoc.health.summary import Health
from busdoc.isolation.conclusion import Conclusion, State
from busdoc.isolation.verdict import Because
from busdoc.live.procedure import Procedure
from busdoc.live.rows import KnownLoss, controller_rows, losses_by_controller
from busdoc.live.tree import harness_rows, not_back
from busdoc.live.view import ComplaintRow, ControllerRow, Proposal, SessionView, SilenceRow, SymptomRow, Watching
from busdoc.machine.machine import Machine
from busdoc.report.words.conclusion import conclusion_in_words
from busdoc.report.words.headline import headline
from busdoc.report.words.silence import NOBODY_HEARD
from busdoc.report.words.symptoms import WAITS_FOR_A_LOOK, symptom_in_words
from busdoc.session.logbook import Logbook
from busdoc.symptoms.complaint import DROPOUT
from busdoc.symptoms.latching import latching_in_words
from busdoc.symptoms.looks import look_asked, unseen_since
from busdoc.symptoms.symptom import Symptom, SymptomKind
from busdoc.times import SECOND_NS
from busdoc.words.counting import counted, times

__all__ = ["Standing", "look", "plugged", "proposed"]

_REDONE_NS = 30 * SECOND_NS
"""A press this near says already what the traffic looks like."""

_SEEN_WITHIN_NS = 5 * SECOND_NS
"""A controller that has said nothing of its codes for longer cannot be asked now (SAE J1939-73 5.7.1: five periods)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standing:
    """How a session stands at one moment."""

    source: FrameSource
    machine: Machine
    guided: bool
    """Names that the map does not have are new branches."""
    facts: CaptureFacts
    health: Health | None
    """As judged last; None: nothing was heard yet."""
    because: tuple[Because, ...]
    """One for each incident of `health`."""
    codes: tuple[FaultCode, ...]
    weighed: Weighed
    log: Logbook
    procedure: Procedure
    proposals: tuple[Proposal, ...]
    gaps: tuple[RecorderGap, ...]
    frames_per_s: float
    """Over the last two seconds."""
    frames: int
    heard_ns: int
    recorder: RecorderState | None
    """None: nothing is kept."""
    trouble: str
    """What the journal could not keep."""
    without_a_bus: bool = False
    """Nothing is listened to."""
    silence: SilenceRow | None = None
    """Nobody is heard, or was, and nobody knows why."""
    foreign: str = ""
    """Why the map seems to be another machine's; `machine` is empty then."""
    alarm: str = ""
    """Why hands are in danger."""


def plugged(machine: Machine, actions: Sequence[Action]) -> PlugState:
    """Say what is plugged and powered after all these actions."""
    state = opening_state(machine, actions)
    for action in actions:
        state = state.after(action)
    return state


def look(at: Standing) -> SessionView:
    """Put together what a screen shows of a session that stands so."""
    health, actions = at.health, at.log.actions
    state = plugged(at.machine, actions)
    losses = {} if health is None else losses_by_controller(health.incidents, at.because)
    unsure = at.silence is not None and at.silence.ended_ns is None  # until it is told what it is, nobody is accused
    row = None if unsure else at.procedure.row(at.log.labels)
    suspects = () if unsure else at.weighed.verdict.suspects
    repaired = () if unsure else _repaired(at.weighed.conclusion)
    needs = row.test.cautions if row is not None and row.step < len(row.steps_text) else ()
    return SessionView(
        start_ns=at.heard_ns if health is None else health.start_ns,
        now_ns=_now_ns(at),
        machine_name=at.machine.name,
        buses=at.source.buses(),
        frames=at.frames,
        frames_per_s=at.frames_per_s,
        loads=() if health is None else _loads(at, health),
        controllers=() if health is None else _controllers(at, health, losses),
        harness=harness_rows(at.machine, state, suspects, at.log.labels, repaired),
        actions=actions,
        headline=NOBODY_HEARD if unsure else _headline(at),
        why=suspects[0].why if suspects else (),
        suspects=suspects,
        next=row,
        watching=None if unsure else _watching(at),
        repaired=repaired,
        cured="" if unsure else _cured(at),
        proposals=() if unsure else at.proposals,
        cautions=tuple(dict.fromkeys((*at.machine.cautions, *needs))),
        labels_given=bool(at.log.labels),
        not_back=not_back(at.machine, opening_state(at.machine, actions), state),
        recording=""
        if at.recorder is None
        else f"recording to {at.recorder.path}: {counted(at.recorder.frames, 'frame')}",
        trouble="; ".join(text for text in ("" if at.recorder is None else at.recorder.trouble, at.trouble) if text),
        finished=at.source.finished,
        epoch=at.source.epoch,
        guided=at.guided,
        focus=None if health is None else _focus(health, at.because),
        gaps=tuple((gap.from_ns, gap.to_ns) for gap in at.gaps),
        complaint=None if at.weighed.complaint is None else _complaint(at.weighed.complaint, at),
        practice=at.facts.practice,
        silence=at.silence,
        alarm=at.alarm,
        foreign=f"{at.foreign}; leave, and begin again with its own map or none" if at.foreign else "",
        symptoms=_symptoms(at.weighed),
    )


def _controllers(at: Standing, health: Health, losses: Mapping[str, Sequence[KnownLoss]]) -> tuple[ControllerRow, ...]:
    """Give the roll call; whom another machine's map names, and nobody heard, is not on it."""
    rows = controller_rows(health, losses, at.codes, at.source.channels)
    return tuple(row for row in rows if not (at.foreign and row.state is ControllerState.NEVER_SEEN))


def _now_ns(at: Standing) -> int:
    """Give the time; it goes on while no adapter answers, though nothing is heard up to it."""
    away = any(bus.hearing is Hearing.ADAPTER_LOST for bus in at.source.buses())
    return max(at.heard_ns, at.source.now_ns()) if away else at.heard_ns


def _watching(at: Standing) -> Watching | None:
    """Give the wait that is on: where a repair is being proved, that of the conclusion, and no other beside it."""
    conclusion = at.weighed.conclusion
    if conclusion.state is State.PROVED:
        return None
    if conclusion.state is not State.REPAIRED or conclusion.left_ns is None or conclusion.quiet_ns is None:
        return at.procedure.watching(at.heard_ns)
    return Watching(
        since_ns=conclusion.at_ns - conclusion.quiet_ns,
        clear_at_ns=conclusion.at_ns + conclusion.left_ns,
        parts=tuple(one.part for one in conclusion.repairs),
        proves=True,
    )


def _repaired(conclusion: Conclusion) -> tuple[str, ...]:
    """Name the parts whose repair is being proved, or is."""
    under_proof = conclusion.state in (State.REPAIRED, State.PROVED)
    return tuple(one.part for one in conclusion.named) if under_proof else ()


def _cured(at: Standing) -> str:
    conclusion = at.weighed.conclusion
    return "" if conclusion.state is not State.PROVED else " ".join(conclusion_in_words(conclusion))


def _symptoms(weighed: Weighed) -> tuple[SymptomRow, ...]:
    """List what may be isolated; what a person saw, and what comes apart, before what comes with the rest."""
    others = [one for one in weighed.symptoms if one.kind is not SymptomKind.DROPOUT]
    apart = {one.name for one in weighed.apart}
    now = None if weighed.complaint is None else weighed.complaint.name
    rows = [
        SymptomRow(name=None, text="what stands out", aside="chosen anew as the record grows"),
        SymptomRow(name=DROPOUT, text="dropouts", aside="controllers that fall off the bus or restart"),
    ]
    for one in sorted(others, key=lambda one: (one.name not in apart, -one.n_came)):
        aside = [f"came {times(one.n_came)}"] if one.n_came else ["was there at first"] if one.spans else ["never"]
        aside += ["shows now"] if one.showing else []
        aside += ["comes apart from the complaint"] if one.name in apart else []
        aside += ["is the complaint"] if one.name == now else []
        rows.append(SymptomRow(name=one.name, text=symptom_in_words(one), aside=", ".join(aside)))
    return tuple(rows)


def _complaint(symptom: Symptom, at: Standing) -> ComplaintRow:
    last = symptom.spans[-1] if symptom.spans else None
    counts = [
        code.controller_count
        for code in at.codes
        if code.controller == symptom.controller and code.controller_count is not None
        and (code.code in symptom.codes or code.kind is CodeKind.STATUS)
    ]  # fmt: skip
    since_ns = at.heard_ns if last is None else last.since_ns if last.gone_ns is None else last.gone_ns
    by_eye = symptom.kind is SymptomKind.SEEN
    live = (by_eye and not unseen_since(symptom, at.heard_ns)) or not symptom.observable
    weighed_ns = at.weighed.verdict.at_ns  # a playback that runs fast is seconds further on than what was judged of it
    return ComplaintRow(
        name=symptom_in_words(symptom),
        showing=symptom.showing,
        seen=live or (not by_eye and symptom.observable[-1][1] >= min(weighed_ns, at.heard_ns) - _SEEN_WITHIN_NS),
        since_ns=since_ns,
        n_came=symptom.n_came,
        own_count=max(counts, default=None),
        goes=latching_in_words(symptom),
        spans=tuple((one.since_ns, at.heard_ns if one.gone_ns is None else one.gone_ns) for one in symptom.spans),
        observable=symptom.observable,
        asked=look_asked(symptom, at.log.numbered(), at.heard_ns),
    )


def _loads(at: Standing, health: Health) -> tuple[tuple[str, float], ...]:
    return tuple(
        (at.source.channels.name(wire.channel), float(wire.load[-3:-1].mean()))
        for wire in health.wire
        if wire.bitrate and len(wire.load) > 1
    )


def _headline(at: Standing) -> str:
    if at.health is None:
        return "Nothing heard yet."
    if at.without_a_bus and at.weighed.complaint is None:
        return WAITS_FOR_A_LOOK
    incidents, because = fold_spells(at.health.incidents, at.because)
    result = Result(
        capture=at.facts,
        machine=at.machine,
        health=at.health,
        incidents=incidents,
        actions=at.log.numbered(),
        because=because,
        codes=at.codes,
        isolation=at.weighed.verdict,
        symptoms=at.weighed.symptoms,
        complaint=at.weighed.complaint,
        answers=at.weighed.answers,
        apart=at.weighed.apart,
        doubted=bool(at.foreign),
    )
    return headline(result)


def _focus(health: Health, because: Sequence[Because]) -> str | None:
    """Name the controller that fell last for no reason of its own."""
    for incident, reason in zip(reversed(health.incidents), reversed(because), strict=True):
        if not reason.expected and incident.kind in (IncidentKind.DROPOUT, IncidentKind.RESTART):
            return incident.controllers[0] if incident.controllers else None
    return None


def proposed(
    machine: Machine,
    health: Health,
    availability: Sequence[SignalChanges],
    actions: Sequence[Action],
    *,
    turned: Sequence[SignalChanges] = (),
    codes: Sequence[FaultCode] = (),
    refused: Collection[str],
) -> tuple[Proposal, ...]:
    """Say what the traffic looks as if somebody had done, where no press says so.

    Parameters
    ----------
    availability : when the signals of parts were not available
    turned : the same of every signal, to learn from presses what shows which part unplugged
    codes : raised so far, for the same
    refused : keys of proposals that were refused
    """
    plain = [one for one in health.incidents if one.kind is not IncidentKind.CODE]
    power = power_actions(machine, plain, health.controllers, actions)
    plugs = plug_actions(machine, availability, health.controllers, actions)
    learnt = learnt_plug_actions(machine, turned, codes, health.controllers, (*actions, *plugs))
    found = []
    for action in sorted((*power, *plugs, *learnt), key=lambda one: one.time_ns):
        key = f"{action.kind} {action.part or ''} {action.time_ns // SECOND_NS}"
        near = any(
            one.kind is action.kind and one.part == action.part and abs(one.time_ns - action.time_ns) < _REDONE_NS
            for one in actions
        )
        if key not in refused and not near:
            found.append(Proposal(key=key, action=action, text=f"the traffic looks like {act_in_words(action)}"))
    return tuple(found)
