"""The result of one analysis: everything that any rendering shows, computed before a renderer starts."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from busdoc.actions.action import Action
from busdoc.actions.journal_clock import SAME_CLOCK, JournalClock
from busdoc.analysis.case import CaptureFacts
from busdoc.analysis.data.moments import Moment, moment_ns
from busdoc.analysis.data.presence import frame_of_presence
from busdoc.analysis.data.recorded import Recorded
from busdoc.analysis.database_use import DatabaseUse
from busdoc.analysis.trouble import Trouble, trouble_of
from busdoc.decode.signals.summary import SignalSummary
from busdoc.errors import InputError
from busdoc.files.parts import needs
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident
from busdoc.health.summary import Health
from busdoc.isolation.conclusion import Conclusion, State, conclusion_of
from busdoc.isolation.verdict import Because, IsolationVerdict
from busdoc.machine.machine import Machine
from busdoc.resync_check.changes import Change
from busdoc.resync_check.records import PowerUpReturn
from busdoc.symptoms.symptom import Symptom
from busdoc.times import SECOND_NS

if TYPE_CHECKING:
    import pandas as pd

    from busdoc.intermittent.intermittent import Intermittent

__all__ = ["Result"]


_LEAST_NS = 2 * SECOND_NS
"""A shorter record does not show the slowest heartbeat twice (common practice: they come once a second)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Result:
    """One analysis, recorded or live, up to `health.until_ns`."""

    capture: CaptureFacts
    machine: Machine
    health: Health
    incidents: tuple[Incident, ...]
    """Those of `health` and the codes, by time; `because` has one entry for each."""
    actions: tuple[Action, ...]
    """The journal's."""
    because: tuple[Because, ...]
    seen: tuple[Action, ...] = ()
    """What the traffic looks as if had been done and no journal tells; listed, and no ground of any verdict."""
    codes: tuple[FaultCode, ...] = ()
    isolation: IsolationVerdict | None = None
    """On the complaint."""
    symptoms: tuple[Symptom, ...] = ()
    """Whatever showed: dropouts that no action explains, codes that were active, what was asked for."""
    complaint: Symptom | None = None
    """What `isolation` speaks of; None: the dropouts, or nothing showed."""
    answers: tuple[tuple[int, Because], ...] = ()
    """(first seen showing in ns, which action it answers to) of each time that the complaint came."""
    apart: tuple[Symptom, ...] = ()
    """Symptoms that come and go apart from the complaint: they may have a fault of their own."""
    intermittent: "Intermittent | None" = None
    """What the losses that no action explains have in common; None where there are fewer than three."""
    signal_summaries: tuple[SignalSummary, ...] = ()
    """Of each signal of each stream, what its values were like; `signals` gives the values."""
    resync: tuple[PowerUpReturn, ...] = ()
    """How every controller came back after each power-up, ascending by time."""
    changes: tuple[Change, ...] = ()
    """What is not as it was when the map's baseline was learnt."""
    warnings: tuple[str, ...] = ()
    clock: JournalClock = SAME_CLOCK
    """Of the journal; `actions` have it taken into account already."""
    doubted: bool = False
    """The journal's clock, or the map, is another's: nobody is named by it."""
    databases: tuple[Path, ...] = ()
    database_uses: tuple[DatabaseUse, ...] = ()
    """What was heard of each, and why one was of no use."""
    machine_file: Path | None = None
    journal_file: Path | None = None
    photographs: tuple[tuple[int, Path], ...] = ()
    """(`Action.n`, file) of those that the notes of the actions name."""
    recorded: Recorded | None = None
    """What can be read again; None: nothing was kept, as of a live bus."""

    def signals(
        self,
        pattern: str | Iterable[str],
        *,
        channel: int | str | None = None,
        start: Moment | None = None,
        end: Moment | None = None,
        every_s: float | None = None,
        texts: bool = False,
    ) -> "pd.DataFrame":
        """Give the values of the signals that match as columns ``Message.Signal``, indexed by time.

        The recording is read again once, whatever is asked for afterwards, here or of `frames`.

        Parameters
        ----------
        pattern : ``Signal`` or ``Message.Signal``, with ``*`` and ``?`` as in file names; one or several
        channel : number or name of the only channel that is wanted
        start, end : seconds on the capture's clock, or a date and time with its zone; both included
        every_s : one row for each such stretch, named by its end, with the last value that came in it; None: a row
            for each frame
        texts : give the database's names of values instead of numbers, where a signal has them

        Returns
        -------
        Index in UTC, or time since the capture's own zero. A cell is empty where that instant's frame is another's, or
        holds no value. Where several send one message, a column is named ``Message.Signal CHANNEL IDENTIFIER``.
        `attrs["units"]` has the database's units by column.

        Raises
        ------
        InputError : no database, a pattern that no signal matches, or nothing that can be read again
        """
        every_ns = None if every_s is None else round(every_s * SECOND_NS)
        if every_ns is not None and every_ns < 1:
            raise InputError("every_s", "a number of seconds above 0", f"{every_s}", "Write for example every_s=1.")
        return self._recorded("signals").signals(
            [pattern] if isinstance(pattern, str) else list(pattern),
            self._span(start, end),
            channel=channel,
            every_ns=every_ns,
            texts=texts,
            epoch=self.capture.epoch,
        )

    def frames(
        self,
        *,
        around: Incident | int | None = None,
        seconds: float = 1.0,
        start: Moment | None = None,
        end: Moment | None = None,
        channel: int | str | None = None,
    ) -> "pd.DataFrame":
        """Give frames, indexed by time: of a stretch, or around an incident.

        Parameters
        ----------
        around : an incident, or its number from 1: the frames around its onset, and around the return
        seconds : how far on either side of it
        start, end : seconds on the capture's clock, or a date and time with its zone; both included
        channel : number or name of the only channel that is wanted

        Returns
        -------
        `channel`, `id`, `extended`, `kind` (data, remote, error), `fd`, `length`, `data` (hexadecimal), `controller`
        and `message` (empty where nobody knows)

        Raises
        ------
        InputError : no such incident, or nothing that can be read again
        """
        spans = [self._span(start, end)]
        if around is not None:
            incident = self._incident(around)
            margin_ns = round(seconds * SECOND_NS)
            near = [(incident.last_seen_ns - margin_ns, incident.onset_ns + margin_ns)]
            if incident.back_ns is not None:
                near.append((incident.back_ns - margin_ns, incident.back_ns + margin_ns))
            spans = [(max(a, spans[0][0]), min(b, spans[0][1])) for a, b in near]
        owner_of = {
            (stream.key.channel, stream.key.extended, stream.key.id): controller.name
            for controller in self.health.controllers
            for stream in controller.streams
        }
        return self._recorded("frames").frames(
            spans,
            channel=channel,
            owner=lambda number, extended, identifier: owner_of.get((number, extended, identifier)),
            epoch=self.capture.epoch,
        )

    def presence(self) -> "pd.DataFrame":
        """Give the presence of every controller as intervals without holes.

        Returns
        -------
        `controller`, `state` (heard, silent, not yet heard, no more heard, not recorded), `start`, `end`, `duration_s`,
        and `incident`: the number of the one that a silence belongs to
        """
        needs("tables", "presence")
        return frame_of_presence(self.health, self.incidents, epoch=self.capture.epoch)

    def _recorded(self, where: str) -> Recorded:
        needs("tables", where)
        if self.recorded is None:
            advice = "Keep the session in a folder, and give that to busdoc.postmortem."
            raise InputError("the result", "a recording to read again", "none", advice)
        return self.recorded

    def _span(self, start: Moment | None, end: Moment | None) -> tuple[int, int]:
        epoch = self.capture.epoch
        return (
            self.health.start_ns if start is None else moment_ns(start, "start", epoch=epoch),
            self.health.until_ns if end is None else moment_ns(end, "end", epoch=epoch),
        )

    def _incident(self, around: Incident | int) -> Incident:
        if isinstance(around, Incident):
            return around
        if not 1 <= around <= len(self.incidents):
            expected = f"an incident, or a number from 1 to {len(self.incidents)}"
            raise InputError("around", expected, f"{around}", "busdoc.tables(result)['incidents'] has them as n.")
        return self.incidents[around - 1]

    @property
    def trouble(self) -> Trouble:
        """What the exit status and the headline speak of."""
        return trouble_of(
            self.machine,
            self.health.controllers,
            self.incidents,
            self.because,
            self.codes,
            self.complaint,
            self.resync,
            accused=self.isolation is not None and bool(self.isolation.suspects),
        )

    @property
    def conclusion(self) -> Conclusion:
        """What every section is a view of."""
        found = conclusion_of(self.isolation, troubled=bool(self.trouble), doubted=self.doubted)
        return replace(found, state=State.NOT_JUDGED) if found.state is State.HEALTHY and self.tells_nothing else found

    @property
    def tells_nothing(self) -> bool:
        """Whether the record is too short, or too thin, to call anything healthy."""
        heard = any(one.first_ns is not None for one in self.health.controllers)
        return not heard or self.health.until_ns - self.health.start_ns < _LEAST_NS

    def cautions(self) -> tuple[str, ...]:
        """Give the machine's own cautions and the usual ones."""
        return (*self.machine.cautions, *USUAL_CAUTIONS)


USUAL_CAUTIONS: Sequence[str] = (
    "The machine maker's manual and local codes come first; where they differ from this, follow them.",
    "Before hands go in: park, lower or prop what can fall, key out, disconnect switch off and locked, stored energy "
    "(hydraulic pressure, springs, raised parts, capacitors, heat) released or blocked, then proved gone.",
    "Switch power off before a controller's connector is plugged or unplugged.",
    "A machine can come to life when a bad contact makes: nobody within reach of moving parts while power is on.",
)
"""Common practice; they are shown wherever a step can hurt someone."""
