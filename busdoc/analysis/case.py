"""The case: the machine, the buses or the capture it is heard through, the user's database, and what is known of it.

It travels through analysis, live session and report in place of its parts; every watch and every conclusion takes one.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from busdoc.capture.channels import ChannelTable, is_practice
from busdoc.capture.source import Capture, SkipCount
from busdoc.decode.database.database import Database
from busdoc.machine.machine import Machine

__all__ = ["CaptureFacts", "Case", "SkippedInput"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SkippedInput:
    """One line of the input that was left out, and why."""

    file: str
    line: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """What was read."""

    files: tuple[Path, ...] = ()
    epoch: bool = True
    """Times are Unix times; else they count from the capture's own zero."""
    channel_names: tuple[tuple[int, str], ...] = ()
    channel_frames: tuple[tuple[int, int], ...] = ()
    """(channel, data, remote and error frames on it)."""
    skipped_lines: int = 0
    skipped: tuple[SkippedInput, ...] = ()
    """The first few."""

    @property
    def practice(self) -> bool:
        """Whether it is no machine's record, but one of practice."""
        return is_practice(name for _, name in self.channel_names)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """What one analysis is about."""

    channels: ChannelTable
    """Of the buses or the capture, filled while they are heard or read."""
    machine: Machine = field(default_factory=Machine)
    """The map; empty when there is none."""
    database: Database | None = None
    facts: CaptureFacts = CaptureFacts()
    """Empty until something was read."""
    asked: str | None = None
    """The symptom that is to be isolated, as `--symptom` names it; None: what stands out."""
    patient: bool = False
    """What is asked for may never have shown: then it is no mistake, and the dropouts are judged."""
    clock_known: bool = False
    """The journal's clock was compared, or is the recorder's own: it is not looked for in the traffic."""
    recording: Capture | None = None
    """Read a second time where dropouts are to be explained; None: it cannot be, as on a live bus."""

    def with_facts(
        self,
        frames_by_channel: Mapping[int, int],
        *,
        epoch: bool,
        files: tuple[Path, ...] = (),
        skipped: SkipCount | None = None,
    ) -> "Case":
        """Give the case with what is known once frames were read or heard.

        Parameters
        ----------
        frames_by_channel : how many came on each channel, by its number
        epoch : times are Unix times
        files : what holds the frames; none: nothing was kept
        skipped : the lines of the input that were left out; None: there are no lines
        """
        facts = CaptureFacts(
            files=files,
            epoch=epoch,
            channel_names=tuple((number, self.channels.name(number)) for number in self.channels.numbers),
            channel_frames=tuple(sorted(frames_by_channel.items())),
            skipped_lines=0 if skipped is None else skipped.total,
            skipped=tuple(
                SkippedInput(file=line.file.name, line=line.line, reason=line.reason)
                for line in (() if skipped is None else skipped.first)
            ),
        )
        return replace(self, facts=facts)

    def warnings_about(self, found: Iterable[str], journal: Iterable[str]) -> tuple[str, ...]:
        """Put every warning in its order, each once: of the capture, of what was found, of database and journal."""
        capture = () if self.recording is None else self.recording.warnings
        database = () if self.database is None else self.database.warnings
        return tuple(dict.fromkeys((*capture, *found, *database, *journal)))
