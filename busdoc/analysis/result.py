"""The result of one analysis: everything that any rendering shows, computed before a renderer starts."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from busdoc.actions.action import Action
from busdoc.actions.journal_clock import SAME_CLOCK, JournalClock
from busdoc.analysis.case import CaptureFacts
from busdoc.analysis.trouble import Trouble, trouble_of
from busdoc.decode.signals.summary import SignalSummary
from busdoc.health.codes.code import FaultCode
from busdoc.health.incident import Incident
from busdoc.health.summary import Health
from busdoc.intermittent.intermittent import Intermittent
from busdoc.isolation.conclusion import Conclusion, State, conclusion_of
from busdoc.isolation.verdict import Because, IsolationVerdict
from busdoc.machine.machine import Machine
from busdoc.resync_check.changes import Change
from busdoc.resync_check.records import PowerUpReturn
from busdoc.symptoms.symptom import Symptom
from busdoc.times import SECOND_NS

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
    intermittent: Intermittent | None = None
    """What the losses that no action explains have in common; None where there are fewer than three."""
    signals: tuple[SignalSummary, ...] = ()
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
    machine_file: Path | None = None
    journal_file: Path | None = None
    photographs: tuple[tuple[int, Path], ...] = ()
    """(`Action.n`, file) of those that the notes of the actions name."""

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
