"""The recorded case, end to end: capture, database, map and journal in; one `Result` out.

This is the only place that joins the folders for a recording; it computes nothing itself.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.actions.action import POWER_KINDS, REMARKS, Action
from busdoc.actions.inferred import plug_actions, power_actions
from busdoc.actions.journal_clock import SAME_CLOCK, JournalClock, judge_clock
from busdoc.actions.shown_power import as_shown
from busdoc.analysis.case import Case
from busdoc.analysis.data.recorded import Recorded
from busdoc.analysis.database_use import uses_of
from busdoc.analysis.exposed import unexposed_spans
from busdoc.analysis.judgement import Observed, Weighed, observe, weigh
from busdoc.analysis.power_ups import find_returns
from busdoc.analysis.reading import DatabaseFile, Follow, read_recording
from busdoc.analysis.result import Result
from busdoc.analysis.spells import fold_spells
from busdoc.analysis.unheard import has_looks, unheard
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.decode.signals.summary import SignalSummary
from busdoc.health.incident import IncidentKind
from busdoc.health.roll.roll import specs_from_database
from busdoc.health.summary import Health
from busdoc.isolation.verdict import ELSEWHERE, Because
from busdoc.machine.condition import is_condition
from busdoc.machine.machine import Machine
from busdoc.resync_check.changes import Change
from busdoc.resync_check.records import PowerUpReturn
from busdoc.session.photographs import PHOTOGRAPHS, photographs_of
from busdoc.times import SECOND_NS
from busdoc.words.counting import plural

if TYPE_CHECKING:
    from busdoc.intermittent.dropouts import Dropouts
    from busdoc.intermittent.intermittent import Evidence, Intermittent
    from busdoc.session.folder import KeptSession

__all__ = ["clock_of", "conclude", "in_common", "judge_case", "postmortem", "seen_actions"]


def postmortem(
    captures: Sequence[Path],
    *,
    databases: Sequence[DatabaseFile] = (),
    machine_file: Path | None = None,
    journal_file: Path | None = None,
    symptom: str | None = None,
    clock_offset_s: float | None = None,
    progress: Follow | None = None,
) -> Result:
    """Analyse one recording.

    Parameters
    ----------
    captures : capture files, or folders of them, that make up one recording; or the folder of one live session, which
        brings its own map, databases and journal where none are given
    databases : message databases, each for every channel or as ``(channel, file)``
    machine_file : the machine map, TOML
    journal_file : what was done, CSV
    symptom : what to isolate, as the option `--symptom` takes it; None: what was chosen in a session; else the
        dropouts, and where nothing dropped what else stands out
    clock_offset_s : how far the journal's clock runs ahead of the recording's, s; None: looked for in the traffic
    progress : called after each block with how far the reading is; a true answer stops it there

    Raises
    ------
    InputError : a file that cannot be used
    """
    kept: tuple[Action, ...] | None = None
    notes: tuple[str, ...] = ()
    pictures = None if journal_file is None else journal_file.parent / PHOTOGRAPHS
    chosen: str | None = None
    session = _session_in(captures)
    if session is not None:
        pictures = pictures or captures[0] / PHOTOGRAPHS
        captures, machine_file = (session.recording,), machine_file or session.machine_file
        databases, kept, notes = databases or session.databases, session.actions, session.notes
        chosen = session.complaint if symptom is None else None
        if chosen is not None and is_condition(chosen) and not databases:
            notes = (*notes, f"{chosen} was isolated in this session, and no database is left that tells it; add --db")
            chosen = None
        if not any(session.recording.glob("recording-*")) and has_looks(session.actions):
            result = _without_a_bus(session, machine_file, symptom, chosen)
            return replace(result, photographs=() if pictures is None else photographs_of(pictures, result.actions))
    case, watches = read_recording(
        captures,
        databases=databases,
        machine_file=machine_file,
        asked=symptom or chosen,
        progress=progress,
        twice=True,
    )
    health = watches.close()
    actions, journal_warnings = kept or (), tuple[str, ...]()
    if journal_file is not None:
        from busdoc.actions.journal import load_journal

        journal = load_journal(journal_file, case.machine, start_ns=health.start_ns, epoch=case.facts.epoch)
        actions, journal_warnings = journal.actions, journal.warnings
    if clock_offset_s is not None:
        offset_ns = round(clock_offset_s * SECOND_NS)
        actions = tuple(replace(one, time_ns=one.time_ns - offset_ns) for one in actions)
    # A session's own presses are on the recorder's clock; an offset that was given has been compared.
    # What was chosen in a session, and not asked for now, may never have shown.
    case = replace(case, clock_known=clock_offset_s is not None or journal_file is None, patient=chosen is not None)
    try:
        result = conclude(case, watches, health, actions)
    finally:
        if case.recording is not None:
            case.recording.forget_frames()
    if machine_file is not None and not case.machine.controllers and not case.machine.parts:
        notes = (*notes, f"{machine_file.name} names neither controllers nor parts: it is taken for no map")
    return replace(
        result,
        warnings=(*notes, *case.warnings_about(result.warnings, journal_warnings)),
        databases=() if case.database is None else tuple(file.path for file in case.database.files),
        machine_file=machine_file,
        journal_file=journal_file,
        photographs=() if pictures is None else photographs_of(pictures, result.actions),
        recorded=None if case.recording is None else Recorded(case.recording, case.database),
    )


def _session_in(captures: Sequence[Path]) -> "KeptSession | None":
    """Give the session that a folder holds; None: what is given are captures."""
    if len(captures) != 1 or not captures[0].is_dir():
        return None
    from busdoc.session.folder import is_session, read_session  # brings the recorder with it

    return read_session(captures[0]) if is_session(captures[0]) else None


def _without_a_bus(
    session: "KeptSession", machine_file: Path | None, symptom: str | None, chosen: str | None
) -> Result:
    """Conclude from presses and looks alone."""
    from busdoc.machine.machine_map import load_machine

    machine = Machine() if machine_file is None else load_machine(machine_file)
    case = Case(machine=machine, channels=ChannelTable(), asked=symptom or chosen, patient=chosen is not None)
    result = conclude(case, Watches(case), unheard(session.actions), session.actions)
    return replace(result, machine_file=machine_file)


def conclude(case: Case, watches: Watches, health: Health, actions: tuple[Action, ...]) -> Result:
    """Draw every conclusion from what the watches saw and what was done.

    Parameters
    ----------
    case : with the facts of what was read; its recording, where there is one, is read again for what came before the
        dropouts
    watches : fed with all frames
    health : as the watches judged it
    actions : the journal's, ascending by time, numbered from 1
    """
    observed = observe(watches, health, actions)
    returns = find_returns(case, watches, health, observed.codes, actions, symptoms=observed.conditions)
    return judge_case(
        case,
        observed,
        actions,
        traffic=_Traffic(case=case, watches=watches, observed=observed, actions=actions),
        signals=watches.signal_summaries(),
        resync=returns.power_ups,
        changes=returns.changes,
        warnings=_warnings(case, observed.health, watches),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Traffic:
    """What the frames themselves add."""

    case: Case
    watches: Watches
    observed: Observed
    actions: tuple[Action, ...]

    def seen(self) -> tuple[Action, ...]:
        """Give what the traffic looks as if had been done."""
        return seen_actions(self.case.machine, self.observed.health, self.actions, self.watches)

    def before(self, told: Health, dropouts: "Sequence[Dropouts]") -> "Evidence":
        """Give what the dropouts are held against."""
        from busdoc.analysis.signals_before_dropouts import signals_before_dropouts
        from busdoc.intermittent.intermittent import Evidence

        # What the technician did is attribution's to judge; what he remarked may be a precursor.
        remarks = [action for action in self.actions if action.kind in REMARKS]
        events = self.watches.event_kinds(told, self.observed.codes, remarks)
        values = signals_before_dropouts(self.case, told, self.watches.signal_summaries(), dropouts)
        return Evidence(kinds=events.kinds, covariates=values.covariates, left_out=(*events.left_out, *values.left_out))


def judge_case(
    case: Case,
    observed: Observed,
    actions: tuple[Action, ...],
    *,
    traffic: _Traffic | None = None,
    signals: tuple[SignalSummary, ...] = (),
    resync: tuple[PowerUpReturn, ...] = (),
    changes: tuple[Change, ...] = (),
    warnings: Sequence[str] = (),
) -> Result:
    """Judge what was observed of a case that is over.

    Parameters
    ----------
    case : with the facts of what was read
    observed : what the traffic says
    actions : the journal's, ascending by time, numbered from 1
    traffic : what the frames add beside; None: nothing
    signals, resync, changes : what else was found, as of `Result`
    warnings : what was odd in the input
    """
    clock = SAME_CLOCK if case.clock_known else clock_of(case.machine, actions, observed.health)
    actions = tuple(replace(one, time_ns=one.time_ns - clock.offset_ns) for one in actions)
    foreign = foreign_map(case.machine, observed.health)
    doubted = clock.doubted or foreign is not None
    weighed = weigh(
        case.machine, observed, () if clock.doubted else actions, case.asked, patient=case.patient, doubted=doubted
    )
    if doubted:  # what an input says that is another's is no evidence against any part
        weighed = replace(weighed, verdict=replace(weighed.verdict, suspects=(), next_tests=(), proving=()))
    incidents, because = fold_spells(observed.incidents, weighed.because)
    told = replace(observed.health, incidents=incidents)
    suspected = {one.part for one in (*weighed.conclusion.named, *weighed.conclusion.suspects)}
    # What a part under suspicion does by itself looks like a hand's doing, and is none.
    seen = tuple(one for one in (() if traffic is None else traffic.seen()) if one.part not in suspected)
    seen = tuple(replace(one, n=n) for n, one in enumerate(seen, start=len(actions) + 1))
    gather = None if traffic is None else partial(traffic.before, told)
    return Result(
        capture=case.facts,
        machine=case.machine,
        health=told,
        incidents=incidents,
        actions=actions,
        seen=seen,
        because=because,
        codes=observed.codes,
        isolation=weighed.verdict,
        symptoms=weighed.symptoms,
        complaint=weighed.complaint,
        answers=weighed.answers,
        apart=weighed.apart,
        intermittent=in_common(case, told, because, (weighed, actions, seen), gather),
        signal_summaries=signals,
        database_uses=uses_of(case.database, told),
        resync=resync,
        changes=changes,
        warnings=(
            *([foreign] if foreign is not None else []),
            *([clock.words] if clock.words is not None else []),
            *_wrong_inputs(case, actions, observed.health),
            *warnings,
            *observed.warnings,
        ),
        clock=clock,
        doubted=doubted,
    )


def clock_of(machine: Machine, actions: tuple[Action, ...], health: Health) -> JournalClock:
    """Judge the journal's clock; that a power cycle was written down once it was over is no fault of the clock."""
    incidents, watched_ns = health.incidents, (health.start_ns, health.until_ns)
    first_heard_ns = {one.name: one.first_ns for one in health.controllers if one.first_ns is not None}
    clock = judge_clock(machine, actions, incidents, watched_ns, first_heard_ns)
    if not clock.doubted:
        return clock
    # Beside presses for plugs a late power cycle and a clock that is off look alike, and the plugs would be misread.
    power_alone = all(action.kind in (*POWER_KINDS, *REMARKS) for action in actions)
    shown = as_shown(machine, actions, incidents, later=power_alone)
    again = judge_clock(machine, shown, incidents, watched_ns, first_heard_ns)
    return clock if again.doubted or again.offset_ns else again


def in_common(
    case: Case,
    health: Health,
    because: Sequence[Because],
    weighed: tuple[Weighed, Sequence[Action], Sequence[Action]],
    gather: "Callable[[Sequence[Dropouts]], Evidence] | None" = None,
) -> "Intermittent | None":
    """Say what many dropouts have in common, in view of the conclusion; None where there are fewer than three.

    Parameters
    ----------
    case : with the facts of what was read
    health, because : the incidents that are told, with one answer each
    weighed : what was weighed of them, the journal's actions, and what the traffic looks as if had been done
    gather : gives what the dropouts are held against; None: nothing
    """
    judged, actions, seen = weighed
    if judged.complaint is None and not health.incidents:
        return None
    from busdoc.intermittent.intermittent import Evidence, look_into, look_into_symptom  # 20 ms, with all that it needs
    from busdoc.intermittent.view import in_view_of

    conclusion, verdict, machine = judged.conclusion, judged.verdict, case.machine
    first = next((one.part for one in (*conclusion.named, *conclusion.suspects) if one.part != ELSEWHERE), None)
    suspects = [(suspect.part, suspect.probability) for suspect in verdict.suspects]
    done, held = (*actions, *seen), gather or (lambda _: Evidence())
    if judged.complaint is None:
        found = look_into(
            health,
            because,
            machine,
            done,
            gather=held,
            suspects=suspects,
            epoch=case.facts.epoch,
            journal_kept=bool(actions),
            unexposed=unexposed_spans(machine, actions, first, health.until_ns),
        )
    else:
        found = look_into_symptom(
            judged.complaint,
            judged.answers,
            health,
            machine,
            done,
            gather=held,
            suspects=suspects,
            epoch=case.facts.epoch,
        )
    if found is None:
        return None
    return in_view_of(found, conclusion, machine, [one.part for one in verdict.suspects if one.cleared])


def seen_actions(machine: Machine, health: Health, actions: Sequence[Action], watches: Watches) -> tuple[Action, ...]:
    """Say what the traffic looks as if had been done; numbered after the journal, and never trusted over it."""
    plain = [incident for incident in health.incidents if incident.kind is not IncidentKind.CODE]
    power = power_actions(machine, plain, health.controllers, actions)
    plugs = plug_actions(machine, watches.availability(), health.controllers, actions)
    in_order = sorted((*power, *plugs), key=lambda action: action.time_ns)
    return tuple(replace(action, n=n) for n, action in enumerate(in_order, start=len(actions) + 1))


_STRANGERS = 2
_FEW_HEARD = 0.34
"""A map of which no more than a third is heard, beside as many strangers, is another machine's (common practice: a
machine drives with one controller missing, not with two of three)."""


def foreign_map(machine: Machine, health: Health) -> str | None:
    """Say that the map is another machine's: few of its controllers are heard, and many that it does not name."""
    if not machine.controllers:
        return None
    heard = {controller.name for controller in health.controllers if controller.first_ns is not None}
    known, strangers = heard & set(machine.controllers), heard - set(machine.controllers)
    if len(strangers) < _STRANGERS or len(known) > _FEW_HEARD * len(machine.controllers) or len(known) > len(strangers):
        return None
    return (
        f"the machine map seems to be of another machine: {len(known)} of its {len(machine.controllers)} controllers "
        f"{plural(len(known), 'was', 'were')} heard, and {len(strangers)} that it does not name; no part of it is named"
    )


def _wrong_inputs(case: Case, actions: Sequence[Action], health: Health) -> list[str]:
    """Say which input seems to belong to another machine or another day."""
    machine, database = case.machine, case.database
    texts = []
    heard = {controller.name for controller in health.controllers if controller.first_ns is not None}
    looked = not health.controllers and has_looks(actions)  # without a bus nobody could be heard
    if machine.controllers and not heard & set(machine.controllers) and not looked:
        texts.append("not one controller of the machine map was heard: is it the map of this machine?")
    if database is not None:
        senders = {spec.identity.sender for spec in specs_from_database(database)}
        speaking = {c.identity.sender for c in health.controllers if c.first_ns is not None}
        if senders and not senders & speaking:
            texts.append("not one sender of the message database was heard: is it the database of this machine?")
    late = [action for action in actions if action.time_ns > health.until_ns]
    if late:
        which = "every action" if len(late) == len(actions) else f"{len(late)} of {len(actions)} actions"
        texts.append(
            f"{which} of the journal came after the last frame: check its clock, and that the capture is whole"
        )
    return texts


def _warnings(case: Case, health: Health, watches: Watches) -> tuple[str, ...]:
    texts = [*health.warnings]
    texts += [f"{case.channels.name(wire.channel)}: {text}" for wire in health.wire for text in wire.warnings]
    if watches.signals is not None:
        texts += watches.signals.warnings
    return tuple(texts)
