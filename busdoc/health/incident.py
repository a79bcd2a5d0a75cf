"""An incident: something that happened to one or more controllers, or to the whole bus, and when."""

from dataclasses import dataclass
from enum import StrEnum

from busdoc.health.controller import StreamKey

__all__ = ["NORMAL_LIFE", "FramesAround", "Gap", "GapKind", "Incident", "IncidentKind", "Loss", "RanOn"]


class IncidentKind(StrEnum):
    """What happened."""

    DROPOUT = "dropout"
    """Controllers that were on the bus fell silent, expected or not."""
    RESTART = "restart"
    """A controller started anew without a silence long enough to be a dropout."""
    RESTARTING = "restarting"
    """Controllers restarted again and again: one incident, with a loss for each restart."""
    LATE = "late"
    """Some of a controller's cyclic streams went missing while others went on."""
    BUS_SILENCE = "bus-silence"
    """Everything on a channel fell silent at once: the bus, or the laptop's own lead."""
    CAPTURE_GAP = "capture-gap"
    """The recorder itself lost frames or time."""
    CODE = "code"
    """A fault code was raised."""
    CRANK = "crank"
    """Controllers were away while the starter turned the engine, and came back."""
    POWER_UP = "power-up"
    """Controllers paused while more of the machine was switched on."""
    POWER_CYCLE = "power-cycle"
    """All left, in an order, and came back: the machine was off and on, or its bus slept."""
    POWER_DOWN = "power-down"
    """The machine was switched off: controllers left in an order, to the end."""


NORMAL_LIFE = (IncidentKind.CRANK, IncidentKind.POWER_UP, IncidentKind.POWER_CYCLE, IncidentKind.POWER_DOWN)
"""What machines do when nothing is wrong."""


class RanOn(StrEnum):
    """Whether a controller that came back had restarted, or had only been unheard."""

    RESTARTED = "restarted"
    KEPT_RUNNING = "kept running"
    UNKNOWN = "unknown"


class GapKind(StrEnum):
    """Whose silence it was."""

    CAPTURE_GAP = "capture-gap"
    BUS_SILENCE = "bus-silence"


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch in which nothing was heard, or could have been."""

    channel: int | None
    """None: every channel."""
    from_ns: int
    to_ns: int
    kind: GapKind
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FramesAround:
    """The last frames of one stream before a loss and the first ones after it, as (ns, payload), ascending."""

    stream: StreamKey
    before: tuple[tuple[int, bytes], ...]
    after: tuple[tuple[int, bytes], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """One controller's part in an incident."""

    controller: str
    last_seen_ns: int
    """The last frame heard of it before."""
    onset_ns: int
    """The first frame of it that was missed: the loss lies between `last_seen_ns` and here."""
    back_ns: int | None
    """The first frame heard again; None while it is silent."""
    steady_ns: int | None
    """When all its cyclic streams were in rhythm again; None while they are not."""
    ran_on: RanOn
    p_restarted: float | None
    """Probability that it restarted rather than kept running; None without evidence."""
    evidence: tuple[str, ...] = ()
    """What speaks for `ran_on`, in words a technician would use."""
    frames: tuple[FramesAround, ...] = ()
    """The controller's streams around the loss, where they were kept."""
    announced: bool = False
    """It said that it had just started when it was back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """Something that happened, at its earliest onset; several controllers lost within one deadline are one."""

    kind: IncidentKind
    channel: int | None
    controllers: tuple[str, ...]
    """In the order in which they fell."""
    last_seen_ns: int
    onset_ns: int
    back_ns: int | None
    """When the last of them was heard again; None while any is silent."""
    steady_ns: int | None
    ran_on: RanOn
    p_restarted: float | None
    losses: tuple[Loss, ...] = ()
    why: tuple[str, ...] = ()
    among: int | None = None
    """For a dropout of several: how many controllers with a rhythm were on the bus when they fell."""
    boxes: tuple[tuple[str, ...], ...] = ()
    """For a dropout: which of them are addresses of one box, all of whose addresses fell."""
    code: str | None = None
    """For `CODE`: which one, as the code list writes it."""

    @property
    def each_restart(self) -> tuple[Loss, ...]:
        """The restarts of `RESTARTING`, one loss for each; none of any other incident."""
        if self.kind is not IncidentKind.RESTARTING or not self.losses:
            return ()
        first = self.losses[0].controller  # all of them fell each time
        return tuple(loss for loss in self.losses if loss.controller == first)
