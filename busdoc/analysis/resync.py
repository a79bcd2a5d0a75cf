"""Resync of a recording: capture, map, database and journal in; how every controller came back out.

This joins the folders for `busdoc resync`, and for `busdoc baseline`, which learns from the same returns.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from busdoc.actions.action import Action
from busdoc.actions.journal import Journal, load_journal
from busdoc.analysis.postmortem import DatabaseFile, conclude
from busdoc.analysis.power_ups import find_returns
from busdoc.analysis.result import CaptureFacts, Result
from busdoc.analysis.watches import Watches
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import RecorderGap
from busdoc.capture.source import open_capture
from busdoc.decode.database.database import Database, load_databases
from busdoc.health.codes.code import FaultCode
from busdoc.health.summary import Health
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import load_machine
from busdoc.resync_check.changes import Change
from busdoc.resync_check.power_up import Opening
from busdoc.resync_check.records import PowerUpReturn, ReturnVerdict, verdict_over

__all__ = ["Resync", "ResyncWatches", "resync"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Resync:
    """All power-ups of a recording."""

    files: tuple[Path, ...]
    epoch: bool
    """Times are Unix times; else they count from the capture's own zero."""
    machine: Machine
    health: Health
    channel_names: tuple[tuple[int, str], ...]
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
    progress: Callable[[int], None] | None = None,
) -> Resync:
    """Say of each power-up in a recording whether every controller came back in step.

    Parameters
    ----------
    captures : capture files, or folders of them, that make up one recording
    databases : message databases, each for every channel or as ``(channel, file)``
    machine_file : the machine map, TOML, with limits that `busdoc baseline` learnt
    journal_file : what was done, CSV
    progress : called with the number of frames of each block

    Raises
    ------
    InputError : a file that cannot be used
    """
    machine = Machine() if machine_file is None else load_machine(machine_file)
    capture = open_capture(captures)
    database = load_databases(databases) if databases else None
    watches = ResyncWatches(machine, database, capture.channels)
    for block in capture.blocks():
        watches.feed(block)
        if progress is not None:
            progress(len(block))
    for gap in capture.gaps:
        watches.note_gap(gap.from_ns, gap.to_ns, gap.channel, gap.why)
    start_ns = watches.start_ns
    journal = (
        Journal()
        if journal_file is None
        else load_journal(journal_file, machine, start_ns=start_ns, epoch=capture.epoch)
    )
    found = watches.judge(journal.actions)
    names = tuple((number, capture.channels.name(number)) for number in capture.channels.numbers)
    own = () if database is None else database.warnings
    return replace(
        found,
        files=capture.files,
        epoch=capture.epoch,
        channel_names=names,
        warnings=tuple(dict.fromkeys((*capture.warnings, *found.warnings, *own, *journal.warnings))),
    )


class ResyncWatches:
    """All that following returns needs of the frames; a recording and a live bus feed it alike.

    Parameters
    ----------
    machine : the map, empty when there is none
    database : None when there is none
    channels : the capture's, filled while it is read
    """

    def __init__(self, machine: Machine, database: Database | None, channels: ChannelTable) -> None:
        self._machine = machine
        self._database = database
        self._channels = channels
        self._watches = Watches(machine, database, channels)

    @property
    def start_ns(self) -> int:
        """The first frame; 0 before there was one."""
        return self._watches.start_ns or 0

    def feed(self, block: FrameBlock) -> None:
        """Take in the next frames, in the order of time."""
        self._watches.feed(block)

    def note_gap(self, from_ns: int, to_ns: int, channel: int | None, why: str) -> None:
        """Tell that the recorder itself lost frames or time."""
        self._watches.note_gap(from_ns, to_ns, channel, why)

    def judge(
        self,
        actions: Sequence[Action] = (),
        until_ns: int | None = None,
        *,
        open_gaps: Sequence[RecorderGap] = (),
        listened_from_ns: int | None = None,
    ) -> Resync:
        """Judge every power-up so far; feeding may go on afterwards.

        Parameters
        ----------
        actions : the journal's
        until_ns : until when was listened; None: the last frame
        open_gaps : stretches that are not heard right now
        listened_from_ns : since when was listened, where that was before the first frame
        """
        health = self._watches.close() if until_ns is None else self._watches.so_far(until_ns, open_gaps)
        codes = self._watches.codes(health)
        found = find_returns(
            self._machine,
            self._channels,
            self._watches,
            health,
            codes.codes,
            actions,
            listened_from_ns=listened_from_ns,
        )
        return Resync(
            files=(),
            epoch=True,
            machine=self._machine,
            health=health,
            channel_names=(),
            opening=found.opening,
            power_ups=found.power_ups,
            changes=found.changes,
            codes=codes.codes,
            warnings=(*health.warnings, *codes.warnings),
        )

    def as_result(self, found: Resync, actions: Sequence[Action], *, epoch: bool) -> Result:
        """Give what was judged as the result of one analysis.

        Parameters
        ----------
        found : as `judge` gave it
        actions : the same that it was given
        epoch : times are Unix times
        """
        facts = CaptureFacts(
            files=found.files,
            epoch=epoch,
            channel_names=tuple((number, self._channels.name(number)) for number in self._channels.numbers),
            channel_frames=tuple(sorted(self._watches.frames_by_channel.items())),
            skipped_lines=0,
            skipped=(),
        )
        result = conclude(
            self._machine,
            self._watches,
            self._channels,
            found.health,
            tuple(actions),
            facts=facts,
            database=self._database,
        )
        return replace(result, resync=found.power_ups, changes=found.changes)
