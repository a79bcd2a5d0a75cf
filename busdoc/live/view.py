"""All that a screen shows of a running session, as plain values computed before anything is drawn.

Times are nanoseconds on the clock of the frames.
"""

from dataclasses import dataclass
from enum import StrEnum

from busdoc.actions.action import Action
from busdoc.capture.listening import BusState
from busdoc.health.controller import ControllerState
from busdoc.isolation.verdict import NextTest, Suspect
from busdoc.symptoms.looks import Asked

__all__ = [
    "ComplaintRow",
    "ControllerRow",
    "Happening",
    "HappeningKind",
    "HarnessRow",
    "NextRow",
    "Proposal",
    "SessionView",
    "SilenceAnswer",
    "SilenceRow",
    "StripSpan",
    "SymptomRow",
    "Watching",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripSpan:
    """A stretch in which a controller was in one state."""

    from_ns: int
    to_ns: int
    state: ControllerState
    expected: bool = False
    """It was away because an action had taken it away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControllerRow:
    """One controller of the roll call."""

    name: str
    channel: str
    state: ControllerState
    since_ns: int | None
    """When it came into this state; None when it was never seen."""
    dropouts: int
    """Unexpected ones."""
    expected_off: bool
    """It is away because an action took it away."""
    last_fault: str
    """Its latest code or unexplained loss, in words; empty when there was none."""
    spans: tuple[StripSpan, ...]
    """From the start of the session, ascending, without holes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HarnessRow:
    """One part or controller of the map's tree, in the order in which the tree is drawn."""

    name: str
    kind: str
    """The part's kind, or ``controller``."""
    depth: int
    plugged: bool
    powered: bool
    label: int | None
    """The number taped onto its connector; None until labels were given."""
    probability: float | None
    """Of being at fault; None when it is not among the suspects."""
    cleared: bool
    unsafe_live: bool
    """Never to be plugged or unplugged with power on."""
    swaps_with: tuple[str, ...] = ()
    """Like parts that it can change places with, as the map names them."""
    repaired: bool = False
    """It was, and that is being proved or is: what spoke against it before is history."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watching:
    """The wait that is on: until when the exposed parts must stay quiet to be called clear."""

    since_ns: int
    clear_at_ns: int | None
    """None: not within days."""
    parts: tuple[str, ...]
    proves: bool = False
    """It is the proof of a repair of these parts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NextRow:
    """The proposed test, step by step."""

    test: NextTest
    step: int
    """Index of the step of `test.steps` to do now; their number when all are done and the watch is on."""
    steps_text: tuple[str, ...]
    """Each step as a sentence, with label numbers where given."""
    hold_until_ns: int | None = None
    """The step to do now is to wait until then: the power has to stay off; None: it need not wait."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SymptomRow:
    """A symptom that may be made the complaint."""

    name: str | None
    """As `--symptom` names it; None: what stands out."""
    text: str
    aside: str
    """How it stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComplaintRow:
    """The symptom that is isolated, where it is no dropout."""

    name: str
    showing: bool
    seen: bool
    """It could be seen now."""
    since_ns: int
    """When it began to show, or was gone, last."""
    n_came: int
    own_count: int | None
    """The machine's own count of how often it came, where it sends one."""
    goes: str
    """How it goes away, where that is known."""
    spans: tuple[tuple[int, int], ...]
    """(from, to) in which it showed, ns."""
    observable: tuple[tuple[int, int], ...]
    """(from, to) in which it could be seen, ns."""
    asked: Asked = Asked.NOTHING
    """The look that a person is asked for now."""


class SilenceAnswer(StrEnum):
    """What a silence of everybody was."""

    LEAD = "lead"
    """The laptop's own plug or adapter."""
    KEY = "key"
    """The machine was switched off."""
    MACHINE = "machine"
    """Neither: the machine's supply, or its bus."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceRow:
    """No frame from anybody, and nothing that was logged says why."""

    since_ns: int
    ended_ns: int | None
    """None: it goes on; else everybody ran on through it."""
    asked: bool
    """It has lasted long enough to ask what it is."""


class HappeningKind(StrEnum):
    """What a bell or a line of the plain session may tell."""

    LOST = "lost"
    BACK = "back in step"
    RESTARTED = "restarted"
    CODE = "code"
    SHOWS = "shows"
    """The complaint came, where it is no dropout and no person has just said so."""
    ACTION = "action"
    BUS = "bus"
    CLEARED = "cleared"
    NAMED = "named"
    """A part reached the probability at which it is named."""
    NOTE = "note"
    CURED = "cured"
    """A repair is proved."""
    CAME_BACK = "came back"
    """It was not that, or not only that."""
    ALARM = "alarm"
    """Hands are in danger: a machine that was logged off lives."""
    RECORD = "record"
    """The record was written by itself, or could not be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened, once."""

    n: int
    """Ascending; a reader asks for those after the last it has seen."""
    time_ns: int
    kind: HappeningKind
    text: str
    controller: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """An action that the traffic looks like and nobody pressed: to be taken or refused."""

    key: str
    action: Action
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionView:
    """The session at one instant."""

    start_ns: int
    now_ns: int
    machine_name: str
    buses: tuple[BusState, ...]
    frames: int
    frames_per_s: float
    loads: tuple[tuple[str, float], ...]
    """(bus, share of the bit rate in the last seconds), where the bit rate is known."""
    controllers: tuple[ControllerRow, ...]
    harness: tuple[HarnessRow, ...]
    actions: tuple[Action, ...]
    """Ascending by time; what was undone is left out."""
    headline: str
    """The verdict so far in one sentence."""
    why: tuple[str, ...]
    """The reasons of the first suspect."""
    suspects: tuple[Suspect, ...]
    """Highest first."""
    next: NextRow | None
    watching: Watching | None
    proposals: tuple[Proposal, ...]
    cautions: tuple[str, ...]
    """Those of the machine and those that the step to do now needs."""
    labels_given: bool
    not_back: tuple[str, ...]
    """Parts that are not where they came from, as sentences: the check at the end."""
    recording: str
    """Where it is kept and how it goes; empty when nothing is recorded."""
    trouble: str
    """What the session itself suffers from (a full disk, say), in words; empty when nothing."""
    finished: bool
    epoch: bool = True
    """Whether times are Unix times; else they count from the recording's own zero."""
    guided: bool = False
    """There is no map: a name that is not known yet is a new branch."""
    focus: str | None = None
    """The controller that the suspicion is about; None while there is none."""
    gaps: tuple[tuple[int, int], ...] = ()
    """(from, to), ns: stretches that were not heard, ascending; nobody's absence."""
    complaint: ComplaintRow | None = None
    """What is isolated, where it is no dropout."""
    repaired: tuple[str, ...] = ()
    """Parts whose repair is being proved, or is: nobody accuses them any more."""
    cured: str = ""
    """That a repair is proved, in a sentence; empty: none is."""
    silence: SilenceRow | None = None
    """Nobody is heard, or was, and nobody knows why: until that is told, nobody is accused of it."""
    alarm: str = ""
    """Why hands are in danger; empty: they are not."""
    foreign: str = ""
    """That the map seems to be another machine's, and what to do; none of it is shown. Empty: it does not."""
    practice: bool = False
    """It is no machine's session, but one of practice."""
    symptoms: tuple[SymptomRow, ...] = ()
    """What may be isolated instead: what stands out first, then the dropouts, then whatever showed."""
