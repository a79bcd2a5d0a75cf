"""Resync: the records of how every controller came back after its power was switched on."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from busdoc.health.controller import StreamKey
from busdoc.machine.controller_spec import ExpectedStream, Identity

__all__ = [
    "ControllerReturn",
    "Expectation",
    "FoundBy",
    "PowerUp",
    "PowerUpReturn",
    "ReturnFault",
    "ReturnVerdict",
    "StreamReturn",
    "Switched",
    "Zero",
    "verdict_over",
]


class ReturnVerdict(StrEnum):
    """Whether a controller came back as it should."""

    PASS = "pass"
    FAIL = "fail"
    NO_LIMIT = "no limit"
    """Nothing is wrong, but nobody said within what time it must be back, or the recording does not show it."""


class ReturnFault(StrEnum):
    """What was wrong with a return."""

    MISSING = "missing"
    SLOW = "slow"
    LATE_STREAM = "late stream"
    """It was there in time, but some of its streams were not."""
    NOT_IN_RHYTHM = "not in rhythm"
    RESTARTED = "restarted"
    FELL_AGAIN = "fell again"
    CODE = "code"
    SYMPTOM = "symptom"
    """What the map calls a symptom, or was asked for, shows still or again."""
    EXCHANGED = "exchanged"
    """Another NAME claims its address."""
    MOVED = "moved"
    """It claims another address."""
    ALL_LATE = "all late"
    """The first of all controllers spoke late, and with it every other."""


class FoundBy(StrEnum):
    """How a power-up is known."""

    JOURNAL = "journal"
    SIGNAL = "signal"
    TRAFFIC = "traffic"
    """All controllers of a feed, or of the machine, were silent and came back."""
    OPENING = "opening"
    """The capture begins while the machine starts."""


class Zero(StrEnum):
    """What is known of the moment at which power came on."""

    PRESS = "press"
    """Somebody pressed when switching on, within the uncertainty of people."""
    SIGNAL = "signal"
    FIRST_FRAME = "first frame"
    """Nobody said: it was no later than the first frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Switched:
    """Somebody, or a signal, says that power was switched on."""

    time_ns: int
    uncertainty_ns: int
    """Standard deviation of that time."""
    feed: str | None
    """None: the whole machine."""
    controllers: tuple[str, ...]
    """Those that it supplies."""
    found_by: FoundBy
    off_and_on: bool = False
    """The press stands for switching off and on: nobody knows which of the two it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerUp:
    """Controllers got their supply."""

    time_ns: int
    """As the journal or the signal says, else the first frame."""
    zero_ns: int | None
    """The first frame of any of them: what times of return are counted from. None: none came back."""
    off_ns: int | None
    """Their last frame before; None: the capture begins after it."""
    until_ns: int
    """Until when the return can be followed: they were switched off again, or the capture ends."""
    ends_capture: bool
    """It is the end of the capture that ends it."""
    feed: str | None
    controllers: tuple[str, ...]
    found_by: FoundBy
    whole: bool = True
    """False: the capture begins in the middle of it, so that times are lower bounds."""
    zero: Zero = Zero.FIRST_FRAME
    """What `time_ns` rests on."""
    uncertainty_ns: int = 0
    """Standard deviation of `time_ns`."""

    @property
    def wake_ns(self) -> int | None:
        """From power until the first frame; None when nobody told when power came, or no frame followed."""
        return None if self.zero is Zero.FIRST_FRAME or self.zero_ns is None else self.zero_ns - self.time_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What is known beforehand of a controller's return."""

    name: str
    channel: int | None = None
    identity: Identity = field(default_factory=Identity)
    streams: tuple[ExpectedStream, ...] = ()
    """With a period; empty: those that the capture shows to be cyclic."""
    limit_ns: int | None = None
    """From the first frame of the power-up until it must be in step."""
    usual_ns: int | None = None
    """The ordinary time of the same."""
    may_be_exchanged: bool = False
    """Somebody wrote down that it was replaced or swapped."""
    starts_after: str | None = None
    """The controller that it waits for when it starts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamReturn:
    """One stream that a controller should send."""

    key: StreamKey
    period_ns: int
    first_ns: int | None
    """None: it did not come, or it cannot be told when."""
    steady_ns: int | None
    """The second frame of the first run that held the rhythm; None: it never did."""
    heard: bool
    may_settle: bool = False
    """Not steady, but the recording ends before it could have been."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControllerReturn:
    """One controller after one power-up."""

    name: str
    first_ns: int | None
    identified_ns: int | None
    """Its first address claim, boot-up or first heartbeat."""
    steady_ns: int | None
    """When every expected stream was in step, after its last restart."""
    streams: tuple[StreamReturn, ...]
    restarts_ns: tuple[int, ...]
    """When it came back from each restart inside the settling time."""
    fell_again: bool
    """It went silent inside the settling time and stayed so."""
    codes: tuple[str, ...]
    """Fault codes that were raised after it was in step, or still stood at the end of the settling time."""
    can_name: int | None
    """NAME that it claimed."""
    expected_name: int | None
    moved_to: int | None
    """Address that it claimed instead of its own."""
    limit_ns: int | None
    usual_ns: int | None
    cranked_ns: int | None = None
    """When it came back from the engine's start, which took it away; None: it did not."""
    passed_codes: tuple[str, ...] = ()
    """Fault codes that came while it started and were gone by the end of the settling time."""
    symptoms: tuple[str, ...] = ()
    """Other symptoms of it that showed after it was in step, or still at the end of the settling time."""
    starts_after: str | None = None
    """The controller that it waits for when it starts, as the map says."""
    waited_for: str | None = None
    """It was late by as much as this one, which came before it; or neither came."""
    faults: tuple[ReturnFault, ...] = ()
    reasons: tuple[str, ...] = ()
    """The faults, or what keeps from a verdict, as sentences."""
    notes: tuple[str, ...] = ()
    """What differs without being wrong."""
    verdict: ReturnVerdict = ReturnVerdict.NO_LIMIT

    def took_ns(self, t_ns: int, zero_ns: int) -> int:
        """Give how long something took: from the first frame of all, or from its return where a crank came between.

        When somebody turns the key to start is no time of the machine's.
        """
        return t_ns - (self.cranked_ns if self.cranked_ns is not None and t_ns > self.cranked_ns else zero_ns)

    @property
    def missing(self) -> tuple[StreamReturn, ...]:
        """The expected streams that did not come."""
        return tuple(stream for stream in self.streams if not stream.heard)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerUpReturn:
    """All controllers after one power-up."""

    power_up: PowerUp
    controllers: tuple[ControllerReturn, ...]
    """In the order of their first frames; those that did not come last."""
    new: tuple[str, ...] = ()
    """Heard after it, and on no map."""
    wake_usual_ns: int | None = None
    wake_limit_ns: int | None = None
    """From power until the first frame, where the map says so."""
    faults: tuple[ReturnFault, ...] = ()
    """What was wrong with all of them together."""
    reasons: tuple[str, ...] = ()
    """The same as sentences."""

    @property
    def verdict(self) -> ReturnVerdict:
        """Fail when any controller fails, or all were late together; pass when all pass."""
        if self.faults:
            return ReturnVerdict.FAIL
        return verdict_over(one.verdict for one in self.controllers)

    @property
    def slowest(self) -> ControllerReturn | None:
        """The last one to be in step; None when none was."""
        steady = [one for one in self.controllers if one.steady_ns is not None]
        return max(steady, key=lambda one: one.steady_ns or 0) if steady else None


def verdict_over(verdicts: Iterable[ReturnVerdict]) -> ReturnVerdict:
    """Sum up several verdicts: fail when any fails, pass when there are some and all pass."""
    found = set(verdicts)
    if ReturnVerdict.FAIL in found:
        return ReturnVerdict.FAIL
    return ReturnVerdict.PASS if found == {ReturnVerdict.PASS} else ReturnVerdict.NO_LIMIT
