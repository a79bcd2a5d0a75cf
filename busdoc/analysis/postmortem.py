"""The recorded case, end to end: capture, database, map and journal in; one `Result` out.

This is the only place that joins the folders for a recording; it computes nothing itself.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from busdoc.actions.action import POWER_KINDS, Action
from busdoc.actions.inferred import plug_actions, power_actions
from busdoc.actions.journal import Journal, load_journal
from busdoc.analysis.power_ups import find_returns
from busdoc.analysis.result import CaptureFacts, Result, SkippedInput
from busdoc.analysis.signals_before_dropouts import second_look
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.capture.source import Capture, open_capture
from busdoc.decode.database.database import Database, load_databases
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident, IncidentKind, RanOn
from busdoc.health.roll.roll import specs_from_database
from busdoc.health.summary import Health
from busdoc.intermittent.dropouts import Dropouts
from busdoc.intermittent.intermittent import Evidence, look_into
from busdoc.isolation.engine import isolate
from busdoc.isolation.suspects.attribution import attribute
from busdoc.isolation.verdict import Because, IsolationVerdict
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import load_machine
from busdoc.session.folder import is_session, read_session

__all__ = ["DatabaseFile", "conclude", "isolated", "postmortem", "seen_actions"]

DatabaseFile = Path | tuple[int | str, Path]

_LIVE = "measured values before the dropouts: they are looked at in the session's recording, afterwards"


def postmortem(
    captures: Sequence[Path],
    *,
    databases: Sequence[DatabaseFile] = (),
    machine_file: Path | None = None,
    journal_file: Path | None = None,
    progress: Callable[[int], None] | None = None,
) -> Result:
    """Analyse one recording.

    Parameters
    ----------
    captures : capture files, or folders of them, that make up one recording; or the folder of one live session, which
        brings its own map, databases and journal where none are given
    databases : message databases, each for every channel or as ``(channel, file)``
    machine_file : the machine map, TOML
    journal_file : what was done, CSV
    progress : called with the number of frames of each block

    Raises
    ------
    InputError : a file that cannot be used
    """
    kept: tuple[Action, ...] | None = None
    if len(captures) == 1 and is_session(captures[0]):
        session = read_session(captures[0])
        captures, machine_file = (session.recording,), machine_file or session.machine_file
        databases, kept = databases or session.databases, session.actions
    machine = Machine() if machine_file is None else load_machine(machine_file)
    capture = open_capture(captures)
    database = load_databases(databases) if databases else None
    with ThreadPoolExecutor(max_workers=2, thread_name_prefix="watch") as workers:
        watches = Watches(machine, database, capture.channels, workers)
        for block in capture.blocks():
            watches.feed(block)
            if progress is not None:
                progress(len(block))
        for gap in capture.gaps:
            watches.note_gap(gap.from_ns, gap.to_ns, gap.channel, gap.why)
        health = watches.close()
    journal = (
        Journal(actions=kept or ())
        if journal_file is None
        else load_journal(journal_file, machine, start_ns=health.start_ns, epoch=capture.epoch)
    )
    own = () if database is None else database.warnings
    result = conclude(
        machine,
        watches,
        capture.channels,
        health,
        journal.actions,
        facts=_facts(capture, watches),
        database=database,
        recording=capture,
    )
    return replace(
        result,
        warnings=tuple(dict.fromkeys((*capture.warnings, *result.warnings, *own, *journal.warnings))),
        databases=tuple(file if isinstance(file, Path) else file[1] for file in databases),
        machine_file=machine_file,
        journal_file=journal_file,
    )


def conclude(
    machine: Machine,
    watches: Watches,
    channels: ChannelTable,
    health: Health,
    actions: tuple[Action, ...],
    *,
    facts: CaptureFacts,
    database: Database | None = None,
    recording: Capture | None = None,
) -> Result:
    """Draw every conclusion from what the watches saw and what was done.

    Parameters
    ----------
    machine : the map, empty when there is none
    watches : fed with all frames
    channels : the capture's
    health : as the watches judged it
    actions : the journal's, ascending by time, numbered from 1
    facts : what was read
    database : None when there is none
    recording : read a second time where dropouts are to be explained; None: it cannot be, as on a live bus
    """
    found = watches.codes(health)
    returns = find_returns(machine, channels, watches, health, found.codes, actions)
    incidents = sorted((*health.incidents, *found.incidents), key=lambda incident: incident.onset_ns)
    health = replace(health, incidents=tuple(incidents))
    because = attribute(health, actions, machine)
    plain = replace(health, incidents=tuple(i for i in health.incidents if i.kind is not IncidentKind.CODE))
    seen = seen_actions(machine, plain, actions, watches)
    isolation = isolated(machine, health, actions, because, found.codes)

    def gather(dropouts: Sequence[Dropouts]) -> Evidence:
        events = watches.event_kinds(health, found.codes, actions)
        if recording is None:
            return Evidence(kinds=events.kinds, left_out=(*events.left_out, _LIVE))
        values = second_look(recording, database, health, watches.signal_summaries(), dropouts)
        return Evidence(kinds=events.kinds, covariates=values.covariates, left_out=(*events.left_out, *values.left_out))

    return Result(
        capture=facts,
        machine=machine,
        health=health,
        incidents=health.incidents,
        actions=actions,
        seen=seen,
        because=because,
        codes=found.codes,
        isolation=isolation,
        intermittent=look_into(
            health,
            because,
            machine,
            (*actions, *seen),
            gather=gather,
            suspects=[(suspect.part, suspect.probability) for suspect in isolation.suspects],
            epoch=facts.epoch,
            journal_kept=bool(actions),
        ),
        signals=watches.signal_summaries(),
        resync=returns.power_ups,
        changes=returns.changes,
        warnings=(
            *_wrong_inputs(machine, database, actions, health),
            *_warnings(channels, health, watches),
            *found.warnings,
        ),
    )


def isolated(
    machine: Machine,
    health: Health,
    actions: Sequence[Action],
    because: Sequence[Because],
    codes: Sequence[FaultCode],
) -> IsolationVerdict:
    """Weigh the parts; a machine that went off and on as a whole accuses nobody where no power action was written down.

    A key turned off and on and a lost main supply look the same on the bus.
    """
    pairs = list(zip(health.incidents, because, strict=True))
    if not any(action.kind in POWER_KINDS for action in actions):
        pairs = [pair for pair in pairs if not _is_off_and_on(pair[0])]
    kept = replace(health, incidents=tuple(incident for incident, _ in pairs))
    return isolate(kept, actions, machine, [reason for _, reason in pairs], codes)


def _is_off_and_on(incident: Incident) -> bool:
    return incident.kind is IncidentKind.BUS_SILENCE and incident.ran_on is RanOn.RESTARTED


def seen_actions(machine: Machine, health: Health, actions: Sequence[Action], watches: Watches) -> tuple[Action, ...]:
    """Say what the traffic looks as if had been done; numbered after the journal, and never trusted over it."""
    power = power_actions(machine, health.incidents, health.controllers, actions)
    plugs = plug_actions(machine, watches.availability(), health.controllers, actions)
    in_order = sorted((*power, *plugs), key=lambda action: action.time_ns)
    return tuple(replace(action, n=n) for n, action in enumerate(in_order, start=len(actions) + 1))


def _facts(capture: Capture, watches: Watches) -> CaptureFacts:
    channels = capture.channels
    return CaptureFacts(
        files=capture.files,
        epoch=capture.epoch,
        channel_names=tuple((number, channels.name(number)) for number in channels.numbers),
        channel_frames=tuple(sorted(watches.frames_by_channel.items())),
        skipped_lines=capture.skipped.total,
        skipped=tuple(
            SkippedInput(file=line.file.name, line=line.line, reason=line.reason) for line in capture.skipped.first
        ),
    )


def _wrong_inputs(machine: Machine, database: Database | None, actions: Sequence[Action], health: Health) -> list[str]:
    """Say which input seems to belong to another machine or another day."""
    texts = []
    heard = {controller.name for controller in health.controllers if controller.first_ns is not None}
    if machine.controllers and not heard & set(machine.controllers):
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


def _warnings(channels: ChannelTable, health: Health, watches: Watches) -> tuple[str, ...]:
    texts = [*health.warnings]
    texts += [f"{channels.name(wire.channel)}: {text}" for wire in health.wire for text in wire.warnings]
    if watches.signals is not None:
        texts += watches.signals.warnings
    return tuple(texts)
