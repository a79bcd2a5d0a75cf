"""What the isolation engine answers: trials, suspects, and the next tests."""

from dataclasses import dataclass
from enum import StrEnum

from busdoc.actions.action import ActionKind

__all__ = [
    "ELSEWHERE",
    "NAMED_FROM",
    "SUSPECTED_FROM",
    "SWITCHED",
    "Because",
    "IsolationVerdict",
    "NextTest",
    "Outcome",
    "Quiet",
    "Repair",
    "Step",
    "Suspect",
    "Trial",
]

NAMED_FROM = 0.95
"""A part is called the one at fault from here on, once; below, the likeliest are listed as suspects (common practice:
95 % sure before a part is ordered)."""
SUSPECTED_FROM = 0.2
"""From one in five on a part is no longer 'unlikely', by definition of our words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Because:
    """The posterior over the recorded actions and 'none of them' for one incident."""

    incident: int
    """Index into the incidents that were given."""
    action: int | None
    """`Action.n` of the likeliest; None when 'none of them' wins."""
    probability: float
    """Of `action`; 0 when it is None."""
    spontaneous: float
    """Probability that no recorded action caused it."""
    lag_ns: int | None
    """Onset minus the action's written time; negative when the press came late. None when `action` is."""
    expected: bool
    """The action alone explains it: its power, its bus or its own connector was taken away."""
    weights: tuple[tuple[int, float], ...] = ()
    """(`Action.n`, probability) of every action with more than 0.001, highest first."""


ELSEWHERE = "elsewhere"
"""The suspect that stands for 'no part on the map': a name, by definition."""


SWITCHED = "somebody switched it"
"""The suspect that stands for a hand at the main switch that nobody wrote down: a name, by definition."""


class Outcome(StrEnum):
    """How a trial ended."""

    QUIET = "quiet"
    TROUBLE = "trouble"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A stretch of constant exposure in which the controller was healthy at the start."""

    from_ns: int
    to_ns: int
    controller: str
    exposed: tuple[str, ...]
    outcome: Outcome
    shown_after_ns: int | None
    """From the start of the stretch to the trouble; None when quiet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A part, and how sure the record makes us that it is at fault."""

    part: str
    probability: float
    cleared: bool
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do with one's hands."""

    action: ActionKind
    part: str | None
    into: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTest:
    """A test worth making: what to do, how long to watch, and what either outcome would tell."""

    steps: tuple[Step, ...]
    watch_ns: int
    gain_bits: float
    """Expected information."""
    effort_s: float
    """Expected time that it takes, waiting included."""
    tells: str
    cautions: tuple[str, ...] = ()
    clear_ns: int | None = None
    """Quiet for so long clears what the test exposes with 95 %; None: nothing showed yet."""
    proof: bool = False
    """It tells nothing apart: it proves a repair."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """The one duration of quiet: in this time the fault would have shown with 95 %."""

    needed_ns: int
    why: str
    """What it rests on, as a part of a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """A part that was replaced, the last time it was."""

    part: str
    action: int
    """`Action.n`."""
    at_ns: int
    """As written down."""
    quiet_ns: int
    """Since then, up to the trouble where it came again: with the new part in, and its controller there."""
    came_back_ns: int | None
    """When the trouble first came after it; None: not yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IsolationVerdict:
    """The engine's answer at one instant."""

    at_ns: int
    trials: tuple[Trial, ...]
    suspects: tuple[Suspect, ...]
    """Highest first, `ELSEWHERE` among them."""
    next_tests: tuple[NextTest, ...]
    """Best first; empty when nothing more needs to be told apart."""
    quiet: Quiet | None = None
    """How long to wait for this fault, whatever for; None: nothing showed."""
    repairs: tuple[Repair, ...] = ()
    """By time."""
    proving: tuple[str, ...] = ()
    """Parts whose repair may have cured it: no trouble came since, and no other part is named."""
    by_hand: bool = False
    """All that fell looks as if somebody had switched its supply and written nothing down."""
