"""A scenario: a machine, what is wrong with it, how its controllers talk, and what somebody does to it.

`simulate` lives through it and gives the capture, the journal and the truth. Reading scenarios from their files is
`busdoc.simulation.scenario.file`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.machine.machine import Machine
from busdoc.simulation.content import (
    Shape,
    condition,
    constant,
    dropping,
    message_content,
    noisy,
    retries,
    sagging,
    sine,
    steps,
    while_joined,
)
from busdoc.simulation.database import MessageLayout
from busdoc.simulation.protocol import heartbeat
from busdoc.simulation.recording import FaultSign, Recording, Unit
from busdoc.simulation.run import Run
from busdoc.simulation.stream import Beat, Stream
from busdoc.simulation.technician import CAREFUL, Habits, Technician
from busdoc.simulation.world import Fault, World

__all__ = [
    "Scenario",
    "ScenarioEvent",
    "ScenarioStep",
    "ScenarioStream",
    "ScenarioUnit",
    "SignalShape",
    "plan_events",
    "recording_of",
    "simulate",
    "streams_of",
    "world_of",
]

_BOOT_SPREAD = 0.02
"""No two starts of a real controller take the same time to the microsecond."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalShape:
    """What one signal reads; exactly one of the first six says what, the rest add to it."""

    value: float | None = None
    sine: tuple[float, float, float] | None = None
    """Low, high, period in seconds."""
    points: tuple[tuple[float, float], ...] = ()
    """(s, value), joined by straight lines."""
    condition: Mapping[str, float] = field(default_factory=dict)
    """Values for ``running``, ``starting``, ``fault``, ``retry``."""
    retries: bool = False
    counter: bool = False
    noise: float = 0.0
    sensor: str | None = None
    """The part without which it reads 'not available'."""
    sags: bool = False
    """It is a supply voltage, and shows the sags of failing feeds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioStream:
    """A stream by a message of the database, or by its bare identifier."""

    controller: str
    message: str | None = None
    id: int | None = None
    extended: bool = True
    period_s: float | None = None
    """None: the database's cycle time."""
    beat: Beat = Beat.CYCLIC
    jitter_s: float = 0.0005
    length: int = 8
    delay_s: float | None = None
    counter: tuple[int, int, int] | None = None
    signals: Mapping[str, SignalShape] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioUnit:
    """How a controller starts, stops and complains."""

    controller: str
    boot_s: float = 3.0
    off_s: float = 0.1
    drift_ppm: float | None = None
    can_name: int | None = None
    dm1: str = "none"
    emcy: bool = False
    heartbeat_s: float | None = None
    waits_for: str | None = None
    misses: tuple[str, ...] = ()
    """Controllers whose silence it reports by a code."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioStep:
    """One thing done, or a procedure."""

    do: str
    part: str | None = None
    into: str | None = None
    seconds: float = 0.0
    controller: str | None = None
    branches: tuple[str, ...] = ()
    dwell_s: float = 8.0
    times: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioEvent:
    """Something that happens by itself, or that nobody writes down: once, or again and again."""

    do: str
    """``restart`` a controller, ``show`` the fault of a part, ``lead-out`` and ``lead-in`` (the laptop's own lead),
    ``key-off`` and ``key-on`` (somebody else turns the key)."""
    at_s: float
    every_s: float = 0.0
    times: int = 1
    controller: str | None = None
    part: str | None = None

    @property
    def moments_s(self) -> tuple[float, ...]:
        """When it happens."""
        return tuple(self.at_s + k * self.every_s for k in range(self.times))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """All that `simulate` needs but the seed's luck."""

    name: str
    seed: int
    machine: Machine
    start_ns: int = 0
    powered: bool = True
    background_rate_hz: float = 0.0
    background_errors_hz: float = 0.0
    cycle_off_s: float = 5.0
    layouts: Mapping[str, MessageLayout] = field(default_factory=dict)
    units: tuple[ScenarioUnit, ...] = ()
    streams: tuple[ScenarioStream, ...] = ()
    faults: tuple[Fault, ...] = ()
    signs: Mapping[str, FaultSign] = field(default_factory=dict)
    steps: tuple[ScenarioStep, ...] = ()
    events: tuple[ScenarioEvent, ...] = ()
    habits: Habits = CAREFUL
    machine_file: str = "machine.toml"
    database_file: str | None = None
    folder: str = "."


def simulate(scenario: Scenario, seed: int | None = None) -> Run:
    """Live through a scenario and record it.

    Parameters
    ----------
    scenario : what happens
    seed : decides what is left to chance; None: the scenario's own. The same seed gives the same frames.
    """
    rng = np.random.default_rng(scenario.seed if seed is None else seed)
    world = world_of(scenario, rng)
    plan_events(scenario, world)
    technician = Technician(world, rng, scenario.habits, start_ns=scenario.start_ns)
    for step in scenario.steps:
        _take(step, technician, rng)
    recording = recording_of(scenario, world, rng, until_s=world.now_s, technician=technician)
    return recording.run(streams_of(scenario, recording, rng))


def world_of(scenario: Scenario, rng: np.random.Generator, *, with_signs: bool = False) -> World:
    """Make the machine of a scenario, with its faults, at the moment at which it begins.

    Parameters
    ----------
    with_signs : let it say beforehand what a fault will do, where the scenario has a sign come before it
    """
    units = {unit.controller: unit for unit in scenario.units}
    sensors = {
        shape.sensor for stream in scenario.streams for shape in stream.signals.values() if shape.sensor is not None
    }
    return World(
        scenario.machine,
        scenario.faults,
        rng,
        background_rate_hz=scenario.background_rate_hz,
        boot_s={name: unit.boot_s for name, unit in units.items()},
        off_s={name: unit.off_s for name, unit in units.items()},
        boot_spread=_BOOT_SPREAD,
        cycle_off_s=scenario.cycle_off_s,
        waits_for={name: unit.waits_for for name, unit in units.items() if unit.waits_for is not None},
        powered=scenario.powered,
        track=sorted(sensors),
        lead_s={part: sign.lead_s for part, sign in scenario.signs.items()} if with_signs else None,
    )


def plan_events(scenario: Scenario, world: World) -> None:
    """Let the events of a scenario happen at their times."""
    for event in scenario.events:
        for at_s in event.moments_s:
            world.happen_at(at_s, event.do, event.controller or event.part)


def recording_of(
    scenario: Scenario,
    world: World,
    rng: np.random.Generator,
    *,
    until_s: float,
    technician: Technician | None = None,
) -> Recording:
    """Give what a recorder makes of a scenario's world."""
    units = {unit.controller: unit for unit in scenario.units}
    return Recording(
        world=world,
        units={name: _unit(scenario.machine, name, units.get(name)) for name in scenario.machine.controllers},
        rng=rng,
        until_s=until_s,
        technician=technician,
        start_ns=scenario.start_ns,
        signs=scenario.signs,
        up_at_start=scenario.powered,
        background_errors_hz=scenario.background_errors_hz,
        watchers={name: unit.misses for name, unit in units.items() if unit.misses},
    )


def _take(step: ScenarioStep, technician: Technician, rng: np.random.Generator) -> None:
    """Do one step."""
    controller = step.controller or ""
    if step.do == "watch":
        technician.watch(step.seconds)
    elif step.do == "watch-until-lost":
        technician.watch_until_lost(controller, step.seconds)
    elif step.do == "restore-one-at-a-time":
        technician.restore_one_at_a_time(controller, step.branches, dwell_s=step.dwell_s)
    elif step.do == "half-split":
        technician.half_split(controller, step.branches, dwell_s=step.dwell_s)
    elif step.do == "fiddle":
        technician.fiddle(step.branches, times=step.times, gap_s=lambda: float(rng.uniform(2.0, step.dwell_s)))
    elif step.do == ActionKind.POWER_CYCLE:
        technician.do(ActionKind.POWER_CYCLE, step.part)
        technician.watch(step.seconds)
    else:
        technician.do(ActionKind(step.do), step.part, step.into)
        technician.watch(step.seconds)


def _unit(machine: Machine, name: str, unit: ScenarioUnit | None) -> Unit:
    spec = machine.controllers[name].spec
    identity = spec.identity
    return Unit(
        address=identity.address,
        can_name=identity.can_name if unit is None or unit.can_name is None else unit.can_name,
        node_id=identity.node_id,
        channel=spec.channel if isinstance(spec.channel, int) else 0,
        dm1="none" if unit is None else unit.dm1,
        emcy=unit is not None and unit.emcy,
        drift_ppm=None if unit is None else unit.drift_ppm,
    )


def streams_of(scenario: Scenario, recording: Recording, rng: np.random.Generator) -> tuple[Stream, ...]:
    """Build every stream, now that what happened is known."""
    streams: list[Stream] = []
    for given in scenario.streams:
        layout = scenario.layouts.get(given.message) if given.message is not None else None
        spec = scenario.machine.controllers[given.controller].spec
        identifier = layout.id if layout is not None else given.id
        if identifier is None:
            raise ValueError(f"a stream of {given.controller} has neither a message nor a frame")
        period_s = given.period_s if given.period_s is not None else layout.cycle_s if layout is not None else None
        rolling = [name for name, shape in given.signals.items() if shape.counter]
        shapes = {
            name: _shape(shape, given.controller, recording, rng)
            for name, shape in given.signals.items()
            if not shape.counter
        }
        streams.append(
            Stream(
                controller=given.controller,
                id=identifier,
                extended=layout.extended if layout is not None else given.extended,
                period_s=period_s or 1.0,
                channel=spec.channel if isinstance(spec.channel, int) else 0,
                beat=given.beat,
                jitter_s=given.jitter_s,
                length=layout.length if layout is not None else given.length,
                delay_s=given.delay_s,
                counter=given.counter,
                content=message_content(layout, shapes, rolling) if layout is not None else None,
            )
        )
    for unit in scenario.units:
        node_id = scenario.machine.controllers[unit.controller].spec.identity.node_id
        if unit.heartbeat_s is not None and node_id is not None:
            starts_s = [stint.start_s for stint in recording.timelines[unit.controller] if stint.fresh]
            streams.append(heartbeat(unit.controller, node_id, unit.heartbeat_s, 0, starts_s))
    return tuple(streams)


def _shape(given: SignalShape, controller: str, recording: Recording, rng: np.random.Generator) -> Shape:
    if given.sine is not None:
        shape = sine(*given.sine)
    elif given.points:
        shape = steps(given.points)
    elif given.condition:
        starts_s = [stint.start_s for stint in recording.timelines[controller] if stint.fresh]
        shape = condition(given.condition, recording.troubles(controller), starts_s, recording.falls_s(controller))
    elif given.retries:
        shape = retries(recording.attempts_s(controller))
    else:
        shape = constant(given.value if given.value is not None else 0.0)
    if given.noise > 0.0:
        shape = noisy(shape, given.noise, rng)
    if given.sags:
        shape = dropping(sagging(shape, recording.sags()), recording.drops())
    if given.sensor is not None:
        shape = while_joined(shape, recording.world.joined[given.sensor], controller)
    return shape
