"""Resync of a recording: capture, map, database and journal in; how every controller came back out.

This joins the folders for `busdoc resync`, and for `busdoc baseline`, which learns from the same returns.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from busdoc.actions.action import Action
from busdoc.actions.journal import Journal, load_journal
from busdoc.analysis.case import Case
from busdoc.analysis.postmortem import conclude
from busdoc.analysis.power_ups import find_returns
from busdoc.analysis.reading import DatabaseFile, Follow, read_recording
from busdoc.analysis.result import Result
from busdoc.analysis.watches import Watches
from busdoc.capture.reading import RecorderGap
from busdoc.health.codes.code import FaultCode
from busdoc.health.summary import Health
from busdoc.resync_check.changes import Change
from busdoc.resync_check.power_up import Opening
from busdoc.resync_check.records import PowerUpReturn, ReturnVerdict, verdict_over

__all__ = ["Resync", "judge_resync", "resync", "resync_result"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Resync:
    """All power-ups of a recording."""

    case: Case
    health: Health
    opening: Opening
    power_ups: tuple[PowerUpReturn, ...]
    """Ascending by time."""
    changes: tuple[Change, ...] = ()
    """What is not as it was when the map's baseline was learnt."""
    codes: tuple[FaultCode, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def verdict(self) -> ReturnVerdict:
        """Fail when any power-up fails; pass when all pass."""
        return verdict_over(one.verdict for one in self.power_ups)


def resync(
    captures: Sequence[Path],
    *,
    databases: Sequence[DatabaseFile] = (),
    machine_file: Path | None = None,
    journal_file: Path | None = None,
    symptom: str | None = None,
    progress: Follow | None = None,
    learning: bool = False,
) -> Resync:
    """Say of each power-up in a recording whether every controller came back in step.

    Parameters
    ----------
    captures : capture files, or folders of them, that make up one recording
    databases : message databases, each for every channel or as ``(channel, file)``
    machine_file : the machine map, TOML, with limits that `busdoc baseline` learnt
    journal_file : what was done, CSV
    symptom : what must be gone after each power-up beside codes and the map's symptoms, as the option `--symptom` takes
        it: a condition on a signal, or something of a bus
    progress : called after each block with how far the reading is; a true answer stops it there
    learning : every rhythm is to be learnt, whatever the map says of it

    Raises
    ------
    InputError : a file that cannot be used
    """
    case, watches = read_recording(
        captures, databases=databases, machine_file=machine_file, asked=symptom, progress=progress, learning=learning
    )
    journal = (
        Journal()
        if journal_file is None
        else load_journal(journal_file, case.machine, start_ns=watches.start_ns or 0, epoch=case.facts.epoch)
    )
    found = judge_resync(case, watches, journal.actions)
    return replace(found, warnings=case.warnings_about(found.warnings, journal.warnings))


def judge_resync(
    case: Case,
    watches: Watches,
    actions: Sequence[Action] = (),
    until_ns: int | None = None,
    *,
    open_gaps: Sequence[RecorderGap] = (),
    listened_from_ns: int | None = None,
) -> Resync:
    """Judge every power-up so far, of a recording or on a live bus; feeding may go on afterwards.

    Parameters
    ----------
    case : the machine and the channels
    watches : fed with the frames so far
    actions : the journal's
    until_ns : until when was listened; None: the last frame
    open_gaps : stretches that are not heard right now
    listened_from_ns : since when was listened, where that was before the first frame
    """
    health = watches.close() if until_ns is None else watches.so_far(until_ns, open_gaps)
    codes = watches.codes(health)
    found = find_returns(
        case,
        watches,
        health,
        codes.codes,
        actions,
        symptoms=watches.condition_symptoms(health),
        listened_from_ns=listened_from_ns,
    )
    return Resync(
        case=case,
        health=health,
        opening=found.opening,
        power_ups=found.power_ups,
        changes=found.changes,
        codes=codes.codes,
        warnings=(*health.warnings, *codes.warnings),
    )


def resync_result(found: Resync, watches: Watches, actions: Sequence[Action]) -> Result:
    """Give what was judged as the result of one analysis.

    Parameters
    ----------
    found : as `judge_resync` gave it, with a case that knows the facts
    watches, actions : the same that it was given
    """
    result = conclude(found.case, watches, found.health, tuple(actions))
    return replace(result, resync=found.power_ups, changes=found.changes)
