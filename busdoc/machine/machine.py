"""The machine: its controllers, the parts that hang on them, and the two trees that join them.

`into` is the supply tree, `on` the bus tree. This module holds the records and walks the trees; reading the map from
its file is `busdoc.machine.machine_map`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from types import MappingProxyType

from busdoc.machine.condition import Condition
from busdoc.machine.controller_spec import ControllerSpec

__all__ = ["Bus", "CodeHint", "Controller", "Machine", "Part", "PartKind", "StatusSignal", "Wake"]


class PartKind(StrEnum):
    """What a part is."""

    FEED = "feed"
    SEGMENT = "segment"
    HARNESS = "harness"
    SENSOR = "sensor"
    ACTUATOR = "actuator"
    LEAD = "lead"
    CONNECTOR = "connector"
    TERMINATOR = "terminator"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bus:
    """One channel of the machine."""

    channel: int | str
    bitrate: int | None = None
    """bit/s, nominal."""
    data_bitrate: int | None = None
    """bit/s of the CAN FD data phase."""
    usual_load: float | None = None
    """Share of the bit rate that its frames took when the machine was healthy."""
    usual_errors_per_min: float | None = None
    """Error frames a minute at that time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wake:
    """How long it takes from power until the first controller speaks."""

    usual_ns: int | None = None
    limit_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Something that can be at fault or be unplugged, other than a controller."""

    name: str
    kind: PartKind
    owner: str | None = None
    """The part or controller that it plugs into (the supply tree for feeds, the bus tree for segments)."""
    socket: str | None = None
    """Which socket of the owner."""
    swaps_with: tuple[str, ...] = ()
    prior: float | None = None
    signal: str | None = None
    """`Message.Signal` that reads 'not available' when this is unplugged."""
    supply: str | None = None
    """The sensor supply of a controller that it hangs on, `hopper:5V-1`, say: parts of one supply share a fault of
    it."""
    unsafe_live: bool = False
    safe_live: bool = False
    """The maker lets it be plugged, unplugged and moved with the power on."""
    label: str | None = None
    """What is taped onto its connector."""
    effort_s: float | None = None
    """What it takes to get at it, in seconds of work."""
    wake: Wake = Wake()
    """Of a feed: how soon its controllers speak."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Controller:
    """A controller in its two trees; `spec` is what the bus knows of it."""

    spec: ControllerSpec
    feed: str | None = None
    """What supplies it."""
    segment: str | None = None
    """The bus segment that it sits on."""
    prior: float | None = None
    swaps_with: tuple[str, ...] = ()
    unsafe_live: bool = False
    back_usually_ns: int | None = None
    """Ordinary time from the first frame after power-up until it is in step."""
    starts_after: str | None = None
    """The controller that it waits for when it starts."""
    code_layout: int | None = None
    """Which of the older layouts of SPN, 1 to 3, it uses in fault codes; a frame cannot tell them apart."""

    @property
    def name(self) -> str:
        """What people call it: its spec's name."""
        return self.spec.name


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusSignal:
    """A signal of the user's database that counts as a fault code while it reads one of `bad`."""

    controller: str
    signal: str
    bad: tuple[str | float, ...] = ()
    """Named values or numbers; empty when `bad_range` is given."""
    bad_range: tuple[float, float] | None = None
    counter: str | None = None
    """A signal that counts the controller's own attempts to recover."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeHint:
    """Where a fault code says to look."""

    controller: str | None
    spn: int | None = None
    fmi: int | None = None
    emcy: int | None = None
    status: str | None = None
    points_at: tuple[str, ...] = ()
    """Part kinds or part names."""
    latches: bool | None = None
    """It stays until the power is cycled; False: it clears once its cause is gone; None: nobody said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A machine as its map describes it; empty when there is no map."""

    name: str = ""
    cautions: tuple[str, ...] = ()
    wake: Wake = Wake()
    """How soon it speaks after its main power is switched on."""
    buses: tuple[Bus, ...] = ()
    parts: Mapping[str, Part] = field(default_factory=lambda: MappingProxyType({}))
    controllers: Mapping[str, Controller] = field(default_factory=lambda: MappingProxyType({}))
    statuses: tuple[StatusSignal, ...] = ()
    codes: tuple[CodeHint, ...] = ()
    symptoms: tuple[Condition, ...] = ()
    """Conditions on signals that count as a symptom while they hold."""
    report: Mapping[str, str | int | float | bool] = field(default_factory=lambda: MappingProxyType({}))

    def __contains__(self, name: str) -> bool:
        return name in self.parts or name in self.controllers

    def without_periods(self) -> "Machine":
        """Give the same machine, of whose streams nothing is said but whose they are."""
        controllers = {
            name: replace(
                one, spec=replace(one.spec, expects=tuple(stream.without_period() for stream in one.spec.expects))
            )
            for name, one in self.controllers.items()
        }
        return replace(self, controllers=MappingProxyType(controllers))

    def feeds_above(self, name: str) -> tuple[str, ...]:
        """Name the feeds that supply a controller or feed, nearest first.

        A loop in the map ends the walk instead of hanging it.
        """
        here = self.controllers[name].feed if name in self.controllers else self.parts[name].owner
        above: list[str] = []
        while here is not None and here in self.parts and here not in above:
            above.append(here)
            here = self.parts[here].owner
        return tuple(above)

    def home(self, name: str) -> str | None:
        """Name the nearest controller above a part: the one that a fault of it troubles. None: no controller is."""
        seen: set[str] = set()
        here: str | None = name
        while here is not None and here not in seen:
            if here in self.controllers:
                return here
            seen.add(here)
            here = self.parts[here].owner if here in self.parts else None
        return None

    def hanging_on(self, name: str) -> tuple[str, ...]:
        """Name the parts and controllers that hang directly on this one: by plug, by supply or by bus."""
        parts = (part.name for part in self.parts.values() if part.owner == name)
        controllers = (one.name for one in self.controllers.values() if name in (one.feed, one.segment))
        return (*parts, *controllers)

    def above(self, name: str) -> tuple[str, ...]:
        """Name everything that a part or controller hangs on: by plug, by supply and by bus, nearest first."""
        found: dict[str, None] = {}
        queue = [name]
        while queue:
            here = queue.pop(0)
            if here in self.controllers:
                owners = (self.controllers[here].feed, self.controllers[here].segment)
            else:
                owners = (self.parts[here].owner if here in self.parts else None, None)
            for owner in owners:
                if owner is not None and owner not in found and owner != name:
                    found[owner] = None
                    queue.append(owner)
        return tuple(found)

    def below(self, name: str) -> tuple[str, ...]:
        """Name everything that hangs on a part or controller, through any number of plugs, nearest first."""
        hangs: dict[str, list[str]] = {}
        for part in self.parts.values():
            if part.owner is not None:
                hangs.setdefault(part.owner, []).append(part.name)
        for one in self.controllers.values():
            for owner in {one.feed, one.segment} - {None}:
                hangs.setdefault(str(owner), []).append(one.name)
        found: dict[str, None] = {}
        queue = [name]
        while queue:
            for lower in hangs.get(queue.pop(0), ()):
                if lower not in found and lower != name:
                    found[lower] = None
                    queue.append(lower)
        return tuple(found)

    def controllers_below(self, name: str) -> tuple[str, ...]:
        """Name the controllers that a feed supplies or that sit beyond a segment, in the order of the map."""
        below = set(self.below(name))
        return tuple(controller for controller in self.controllers if controller in below)
