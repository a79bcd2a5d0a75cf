"""Cure watch: after a repair, the stretch without incident that it takes to call the machine cured, counted down.

Time counts only while the machine is on and heard: a fault that cannot show proves nothing. The engine knows no
terminal; `step` takes what came in and gives what became known.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum

from busdoc.analysis.case import Case
from busdoc.analysis.judgement import Observed, complaint_in, observe
from busdoc.analysis.postmortem import conclude
from busdoc.analysis.result import Result
from busdoc.analysis.watches import Watches
from busdoc.capture.frames import FrameBlock
from busdoc.capture.listening import FrameSource
from busdoc.decode.database.database import Database
from busdoc.health.incident import NORMAL_LIFE, GapKind, Incident, IncidentKind, RanOn
from busdoc.health.summary import Health
from busdoc.isolation.proposals.cure import CureOutcome, CureState, FaultRate
from busdoc.live.resync.frame_ticks import Ticks
from busdoc.machine.machine import Machine
from busdoc.symptoms.complaint import choose_complaint, controller_asked
from busdoc.symptoms.of_codes import heard_of
from busdoc.symptoms.spans import without
from busdoc.symptoms.symptom import ShowingSpan, Symptom, SymptomKind
from busdoc.times import SECOND_NS

__all__ = ["OUTCOMES", "CureEvent", "CureWatch", "counts_against", "outcome_after", "state_of"]

_TICK_NS = SECOND_NS
_SILENT_NS = SECOND_NS
_SURE_LOOKS = 2
"""An incident that stands in so many judgements in a row is one: rhythms are still being learnt at the beginning."""
_LAG_NS = 2 * SECOND_NS
"""What was last told so long ago cannot be seen now: a broadcast comes once a second (SAE J1939-73 5.7.1)."""
_PRESENT_WITHIN_NS = 15 * SECOND_NS
"""Whoever is on the map and was not heard by then is missing (common practice)."""


class CureEvent(StrEnum):
    """What settles a watch; of several at once the first in this order does."""

    SHOWS = "shows"
    """The complaint is there, or there again."""
    INCIDENT = "incident"
    MISSING = "missing"
    """A controller of the map was never heard."""
    QUIET_ENOUGH = "quiet enough"
    BROKEN_OFF = "broken off"
    """The recording ended, or whoever watched did."""


OUTCOMES: Mapping[CureOutcome, Mapping[CureEvent, CureOutcome]] = {
    CureOutcome.WATCHING: {
        CureEvent.SHOWS: CureOutcome.SHOWS,
        CureEvent.INCIDENT: CureOutcome.INCIDENT,
        CureEvent.MISSING: CureOutcome.MISSING,
        CureEvent.QUIET_ENOUGH: CureOutcome.CURED,
        CureEvent.BROKEN_OFF: CureOutcome.CUT_SHORT,
    },
    CureOutcome.CURED: {},
    CureOutcome.INCIDENT: {},
    CureOutcome.SHOWS: {},
    CureOutcome.MISSING: {},
    CureOutcome.CUT_SHORT: {},
}
"""An outcome stands, whatever comes after it."""


def outcome_after(outcome: CureOutcome, events: Iterable[CureEvent]) -> CureOutcome:
    """Give the outcome that events lead to, one after the other.

    >>> outcome_after(CureOutcome.WATCHING, [CureEvent.MISSING, CureEvent.BROKEN_OFF])
    <CureOutcome.MISSING: 'missing'>
    """
    for event in events:
        outcome = OUTCOMES[outcome].get(event, outcome)
    return outcome


def counts_against(incident: Incident, asked: str | None = None) -> bool:
    """Tell an incident from what accuses nobody: a gap of the recorder, a machine that went off and on as a whole.

    A key turned off and on and a lost main supply look the same on the bus; the one who watches knows. Where a symptom
    is watched for (`asked`), fault codes are told beside it: most machines have one that never goes.
    """
    if asked is not None and incident.kind is IncidentKind.CODE:
        return False
    if incident.kind is IncidentKind.CAPTURE_GAP or incident.kind in NORMAL_LIFE:
        return False
    return incident.kind is not IncidentKind.BUS_SILENCE or incident.ran_on is RanOn.KEPT_RUNNING


def state_of(result: Result, rate: FaultRate, needed_s: float | None = None, asked: str | None = None) -> CureState:
    """Say how a recording stands that was made after the repair.

    Parameters
    ----------
    result : the post-mortem of it; what its journal explains does not count
    rate : how often the fault showed before
    needed_s : how long it had to stay quiet; None: until the confidence is 95 %
    asked : the symptom that must stay away, as `--symptom` names it; None: any trouble, and what else stands out
    """
    health = result.health
    needed_s = rate.needed_s if needed_s is None else needed_s
    complaint = (
        result.complaint if asked is None else choose_complaint(result.symptoms, result.actions, asked, patient=True)
    )
    complaint = _beyond_incidents(complaint, asked)
    showing = complaint.spans[0] if complaint is not None and complaint.spans else None
    pairs = zip(result.incidents, result.because, strict=True)
    against = [one for one, because in pairs if counts_against(one, asked) and not because.expected]
    first = min(against, key=lambda one: one.onset_ns, default=None)
    until_ns = health.until_ns if first is None else max(first.last_seen_ns, health.start_ns)
    if showing is not None:
        until_ns = min(until_ns, health.start_ns if showing.not_yet_ns is None else showing.not_yet_ns)
    away = [gap for gap in health.gaps if gap.channel is None] + [
        gap for gap in health.gaps if gap.channel is not None and gap.kind is GapKind.BUS_SILENCE
    ]
    blind = _unseen(complaint, asked, health)
    shut = [(max(from_ns, health.start_ns), min(to_ns, until_ns)) for from_ns, to_ns in blind]
    shut += [(gap.from_ns, min(gap.to_ns, until_ns)) for gap in away]
    quiet_ns = max(until_ns - health.start_ns - _covered_ns(shut), 0)
    missing = _not_heard(result.trouble.never_seen, asked, health)
    starts = sum(one.power_up.zero_ns is not None and one.power_up.zero_ns <= until_ns for one in result.resync)
    awaits_start = rate.only_after_starts and not starts
    found = {
        CureEvent.SHOWS: showing is not None,
        CureEvent.INCIDENT: first is not None,
        CureEvent.MISSING: bool(missing),
        CureEvent.QUIET_ENOUGH: quiet_ns >= needed_s * SECOND_NS and not awaits_start,
        CureEvent.BROKEN_OFF: True,
    }
    return CureState(
        outcome=outcome_after(CureOutcome.WATCHING, [event for event, is_so in found.items() if is_so]),
        quiet_s=quiet_ns / SECOND_NS,
        needed_s=needed_s,
        confidence=0.0 if awaits_start else rate.confidence(quiet_ns / SECOND_NS),
        pausing=False,
        power_cycles=sum(one.kind is IncidentKind.BUS_SILENCE and not counts_against(one) for one in result.incidents),
        incident=first,
        missing=missing,
        complaint=complaint,
        asked=asked if complaint is None else complaint.name,
        showing=showing,
        awaits_start=awaits_start,
        beside=_beside(result.incidents, complaint, asked),
    )


def _not_heard(missing: Sequence[str], asked: str | None, health: Health) -> tuple[str, ...]:
    """Add the controller of what must stay away, where nobody of that name was heard: another map, or none."""
    controller = None if asked is None else controller_asked(asked)
    heard = {one.name for one in health.controllers if one.first_ns is not None}
    return (*missing, controller) if controller and controller not in (*heard, *missing) else tuple(missing)


def _beyond_incidents(complaint: Symptom | None, asked: str | None) -> Symptom | None:
    """Leave a code that nobody asked for to the incidents, which name it already."""
    is_code = complaint is not None and complaint.kind in (SymptomKind.CODE, SymptomKind.STATUS)
    return None if asked is None and is_code else complaint


def _unseen(complaint: Symptom | None, asked: str | None, health: Health) -> list[tuple[int, int]]:
    """Give when what must stay away could not have been seen: its controller silent, its signal not available."""
    whole = (health.start_ns, max(health.until_ns, health.start_ns + 1))
    if complaint is not None:
        return list(without(whole, complaint.observable))
    controller = None if asked is None else controller_asked(asked)
    heard = () if controller is None else heard_of(controller, health)
    return [] if controller is None else list(without(whole, heard))


def _beside(incidents: Sequence[Incident], complaint: Symptom | None, asked: str | None) -> tuple[str, ...]:
    """Name the codes that were raised, and are not what was asked for."""
    if asked is None:
        return ()
    own = () if complaint is None else complaint.codes
    raised = [one for one in incidents if one.kind is IncidentKind.CODE and one.code not in own]
    return tuple(dict.fromkeys(f"{one.code} of {' and '.join(one.controllers)}" for one in raised))


def _quiet_before(showing: ShowingSpan, start_ns: int) -> int:
    """Give how long at most it was quiet before it showed."""
    return 0 if showing.not_yet_ns is None else max(showing.not_yet_ns - start_ns, 0)


def _covered_ns(spans: Sequence[tuple[int, int]]) -> int:
    """Give how long the union of some stretches is."""
    covered_ns, upto_ns = 0, -(1 << 62)
    for from_ns, to_ns in sorted(spans):
        covered_ns += max(0, to_ns - max(from_ns, upto_ns))
        upto_ns = max(upto_ns, to_ns)
    return covered_ns


class CureWatch:
    """Watches live buses, or a recording that is played back, for as long as it takes.

    Parameters
    ----------
    source : started by `start`
    machine : the map, empty when there is none
    database : None when there is none
    rate : how often the fault showed before
    needed_s : how long to watch; None: until the confidence is 95 %
    asked : the symptom that must stay away, as `--symptom` names it; None: any trouble, and what else stands out

    Raises
    ------
    InputError : a condition without a database, or with a signal that it does not have
    """

    def __init__(
        self,
        source: FrameSource,
        machine: Machine,
        database: Database | None = None,
        *,
        rate: FaultRate,
        needed_s: float | None = None,
        asked: str | None = None,
    ) -> None:
        self._source = source
        self._machine = machine
        self._asked = asked
        self._case = Case(machine=machine, channels=source.channels, database=database, asked=asked)
        self._watches = Watches(self._case)
        self._rate = rate
        self._needed_s = rate.needed_s if needed_s is None else needed_s
        self._ticks = Ticks(source, self._watches, _TICK_NS)
        self._looked_ns = 0
        self._first_ns: int | None = None
        self._last_ns: int | None = None
        self._quiet_ns = 0
        self._pausing = True
        self._power_cycles = 0
        self._standing: tuple[object, int] = (None, 0)
        self._outcome = CureOutcome.WATCHING
        self._incident: Incident | None = None
        self._missing: tuple[str, ...] = ()
        self._complaint: Symptom | None = None
        self._showing: ShowingSpan | None = None
        self._beside: tuple[str, ...] = ()

    @property
    def done(self) -> bool:
        """Whether the outcome stands."""
        return self._outcome is not CureOutcome.WATCHING

    def start(self) -> None:
        """Begin to listen.

        Raises
        ------
        InputError : a bus that cannot be opened, or a recording that cannot be read
        """
        self._source.start()

    def stop(self) -> None:
        """Let go of the adapters or files; a watch that was not done is cut short."""
        self._source.stop()
        self._happens(CureEvent.BROKEN_OFF)

    @property
    def state(self) -> CureState:
        """How the watch stands."""
        quiet_s = self._quiet_ns / SECOND_NS
        return CureState(
            outcome=self._outcome,
            quiet_s=quiet_s,
            needed_s=self._needed_s,
            confidence=0.0 if self._awaits_start else self._rate.confidence(quiet_s),
            pausing=self._pausing,
            power_cycles=self._power_cycles,
            incident=self._incident,
            missing=self._missing,
            complaint=self._complaint,
            asked=self._asked if self._complaint is None else self._complaint.name,
            showing=self._showing,
            awaits_start=self._awaits_start,
            beside=self._beside,
        )

    @property
    def _awaits_start(self) -> bool:
        return self._rate.only_after_starts and not self._power_cycles

    def result(self) -> Result:
        """Give all that was heard as the result of one analysis."""
        health = self._watches.close()
        case = self._case.with_facts(self._watches.frames_by_channel, epoch=self._source.epoch)
        return conclude(replace(case, asked=None), self._watches, health, ())

    def step(self) -> None:
        """Take what came in since the last step, second by second.

        Raises
        ------
        InputError : the recording turns out to be unreadable
        """
        self._ticks.take()
        for piece, at_ns in self._ticks.cut():
            self._tick(piece, at_ns)
            if self.done:
                break
        if self._source.finished and not self.done:
            self._end()

    def _tick(self, frames: FrameBlock, now_ns: int) -> None:
        """Take one second, and judge it."""
        self._looked_ns = now_ns
        if len(frames):
            self._first_ns = int(frames.t_ns[0]) if self._first_ns is None else self._first_ns
            self._watches.feed(frames)
            self._last_ns = int(frames.t_ns[-1])
        away = any(gap.channel is None or gap.to_ns >= now_ns - _TICK_NS for gap in self._ticks.open_gaps)
        silent = self._last_ns is None or now_ns - self._last_ns >= _SILENT_NS
        self._pausing = away or silent
        if not silent or away:
            self._judge(self._watches.so_far(now_ns, self._ticks.open_gaps), now_ns)
        if not self._pausing and not self.done and self._standing[1] == 0:
            self._quiet_ns += _TICK_NS
            if self._quiet_ns >= self._needed_s * SECOND_NS and not self._awaits_start:
                self._happens(CureEvent.QUIET_ENOUGH)

    def _judge(self, health: Health, now_ns: int) -> None:
        observed = observe(self._watches, health)
        incidents = observed.incidents
        self._look_for_complaint(observed)
        if self._is_unseen(observed.health, now_ns):
            self._pausing = True
        self._power_cycles = sum(
            one.kind is IncidentKind.BUS_SILENCE and one.back_ns is not None and not counts_against(one)
            for one in incidents
        )
        worst = next((one for one in incidents if counts_against(one, self._asked)), None)
        key = None if worst is None else (worst.kind, worst.controllers, worst.last_seen_ns)
        standing = self._standing[1] + 1 if key is not None and key == self._standing[0] else int(key is not None)
        self._standing = (key, standing)
        self._settle(
            incident=worst if standing >= _SURE_LOOKS else None,
            missing=health if now_ns - (self._first_ns or now_ns) >= _PRESENT_WITHIN_NS else None,
        )

    def _look_for_complaint(self, observed: Observed) -> None:
        """End with the complaint, once it is there: a code that is sent is no matter of rhythm."""
        self._complaint = _beyond_incidents(complaint_in(self._machine, observed, self._asked), self._asked)
        self._beside = _beside(observed.incidents, self._complaint, self._asked)
        if self._complaint is not None and self._complaint.spans and self._happens(CureEvent.SHOWS):
            self._showing = self._complaint.spans[0]
            self._quiet_ns = min(self._quiet_ns, _quiet_before(self._showing, observed.health.start_ns))

    def _is_unseen(self, health: Health, now_ns: int) -> bool:
        """Tell whether the complaint could not be seen in the last seconds."""
        if self._asked is None:
            return False
        unseen = _unseen(self._complaint, self._asked, health)
        return any(from_ns <= now_ns - _LAG_NS and to_ns >= health.until_ns for from_ns, to_ns in unseen)

    def _end(self) -> None:
        """End with the recording: what was seen in its last moments counts as it stands."""
        rest = self._ticks.rest()
        if len(rest):
            self._watches.feed(rest)
            self._quiet_ns += max(0, int(rest.t_ns[-1]) - self._looked_ns) if self._looked_ns else 0
        health = self._watches.close()
        observed = observe(self._watches, health)
        self._look_for_complaint(observed)
        worst = next((one for one in observed.incidents if counts_against(one, self._asked)), None)
        self._settle(incident=worst, missing=health)
        if self._awaits_start:
            self._happens(CureEvent.BROKEN_OFF)
        if self._quiet_ns >= self._needed_s * SECOND_NS and not math.isinf(self._needed_s):
            self._happens(CureEvent.QUIET_ENOUGH)
        self._happens(CureEvent.BROKEN_OFF)

    def _settle(self, *, incident: Incident | None, missing: Health | None) -> None:
        """End with an incident that stands, else with a controller of the map that `missing` shows was never heard."""
        if incident is not None and self._happens(CureEvent.INCIDENT):
            self._incident = incident
        if missing is None:
            return
        names = tuple(
            one.name for one in missing.controllers if one.first_ns is None and one.name in self._machine.controllers
        )
        names = _not_heard(names, self._asked, missing)
        if names and self._happens(CureEvent.MISSING):
            self._missing = names

    def _happens(self, event: CureEvent) -> bool:
        """Go on to the outcome that an event leads to; False where it changes nothing."""
        before, self._outcome = self._outcome, outcome_after(self._outcome, [event])
        return self._outcome is not before
