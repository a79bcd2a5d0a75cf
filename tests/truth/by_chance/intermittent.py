"""Hours of a machine at work whose controllers drop off now and then, with nobody near, and with known cause.

One cause, two, or none: an event after which a controller drops out with a probability and a lag, a sag of the supply,
a temperature above which dropouts come twenty times as often, a feed or a bus segment that fails; with spontaneous
dropouts beside them, and two hundred signals that have nothing to do with it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

import numpy as np

from busdoc.arrays import BoolArray, Float64Array, Int64Array
from busdoc.machine.controller_spec import ExpectedStream, PeriodFrom
from busdoc.machine.machine import Controller, Machine, PartKind
from busdoc.simulation.content import Shape, message_content, sagging
from busdoc.simulation.database import read_layouts
from busdoc.simulation.fault import Fault
from busdoc.simulation.recording import Recording
from busdoc.simulation.run import Run
from busdoc.simulation.stream import Stream
from busdoc.simulation.world import World
from busdoc.times import SECOND_NS
from tests.truth.by_chance.background_signals import (
    Habit,
    Message,
    Switching,
    Wandering,
    database_text,
    draw_messages,
    event_times,
    random_wandering,
)
from tests.truth.by_chance.random_machine import Protocol, random_machine
from tests.truth.by_chance.random_traffic import machine_units

__all__ = ["IntermittentRun", "TrueCause", "intermittent_run"]

_START_NS = 1_772_438_400 * SECOND_NS
_REST_S = 12.0
"""After a dropout there is no other for so long: the controller must be back and steady first."""


class TrueCause(StrEnum):
    """What really goes before the dropouts."""

    NOTHING = "nothing"
    EVENT = "event"
    SAG = "sag"
    TEMPERATURE = "temperature"
    MIXED = "mixed"
    """An event and a temperature, each its share."""
    FEED = "feed"
    SEGMENT = "segment"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IntermittentRun:
    """The capture, what an analysis needs beside it, and the truth."""

    run: Run
    database: str
    """The text of the `.dbc` file."""
    cause: TrueCause
    controller: str
    """The one that drops off; of a feed or segment, the first below it."""
    signals: tuple[str, ...]
    """`Message.Signal` of each signal that shows the cause; empty where none does."""
    due: tuple[int, ...]
    """Dropouts due to each of `signals` in turn; for a feed or segment the showings of the fault."""
    part: str | None
    """The feed or segment at fault."""
    dropouts_s: Float64Array
    """(n,) when anything really fell, s from the start."""


@dataclass(slots=True, kw_only=True)
class _Plan:
    """When what falls, and the signals that tell of it."""

    at_s: Float64Array
    source: Int64Array
    """(n,) which of `signals` each is due to; -1: to none."""
    signals: tuple[str, ...] = ()


def intermittent_run(
    cause: TrueCause,
    seed: int,
    *,
    hours: float = 2.0,
    n_due: tuple[int, int] = (12, 30),
    n_controllers: int = 8,
    fastest_ms: int = 100,
    signals: tuple[int, int, int] = (4, 2, 3),
    tells_of_it: bool = True,
) -> IntermittentRun:
    """Live through some hours and record them.

    Parameters
    ----------
    cause : what goes before the dropouts
    seed : decides everything else; the same seed gives the same frames
    n_due : least and most dropouts due to the cause (each of two), as far as chance allows
    n_controllers : each sends three messages
    fastest_ms : the period of the first of the three
    signals : switches, states and measured values in each message
    tells_of_it : another controller has a switch that says, half a second late, that the lost one is missing
    """
    rng = np.random.default_rng([seed, list(TrueCause).index(cause), 8])
    until_s = 3600.0 * hours
    machine = _machine(rng, n_controllers, fastest_ms)
    victim, *others = machine.controllers
    part, fallen = _part(rng, machine, cause)
    messages = list(draw_messages(rng, _streams(machine), until_s, signals))
    plan = _plan(cause, rng, messages, victim, until_s, n_due)
    spontaneous = event_times(rng, _habit(rng), float(rng.uniform(0.0, 0.25)) * len(plan.at_s), until_s)
    alone = cause in (TrueCause.NOTHING, TrueCause.TEMPERATURE)  # where it is cold, dropouts are spontaneous enough
    at_s, source = _spaced(plan, np.empty(0) if alone else spontaneous, until_s)
    world = _world(machine, rng, part, victim, at_s, source, until_s)
    if tells_of_it:
        _add_missing(messages, others[0], [e.time_s for e in world.events if e.controller == victim])
    recording = Recording(
        world=world,
        units=machine_units(machine),
        rng=rng,
        until_s=until_s,
        start_ns=_START_NS,
        background_errors_hz=0.002,
    )
    text = database_text(messages)
    layouts = read_layouts(text)
    streams = tuple(
        Stream(
            controller=message.sender,
            id=message.id,
            extended=True,
            period_s=message.period_s,
            content=message_content(layouts[message.name], message.shapes),
        )
        for message in messages
    )
    return IntermittentRun(
        run=recording.run(streams),
        database=text,
        cause=cause,
        controller=victim if part is None else fallen[0],
        signals=plan.signals,
        due=tuple(int((source == k).sum()) for k in range(1 if part is not None else len(plan.signals))),
        part=part,
        dropouts_s=at_s,
    )


def _machine(rng: np.random.Generator, n_controllers: int, fastest_ms: int) -> Machine:
    """Make a machine whose messages are slow enough for hours: one fast, and two between 200 ms and 1 s."""
    machine = random_machine(
        rng, n_controllers=n_controllers, n_branches=0, n_feeds=3, n_segments=3, protocol=Protocol.J1939
    )
    controllers: dict[str, Controller] = {}
    for name, controller in machine.controllers.items():
        address = controller.spec.identity.address or 0
        periods_ms = (fastest_ms, int(rng.choice((200, 250, 500))), int(rng.choice((500, 1000))))
        expects = tuple(
            ExpectedStream(
                id=0x18FF0000 | (0x10 + k) << 8 | address,
                extended=True,
                period_ns=ms * 1_000_000,
                period_from=PeriodFrom.MAP,
            )
            for k, ms in enumerate(periods_ms)
        )
        controllers[name] = replace(controller, spec=replace(controller.spec, expects=expects))
    return replace(machine, controllers=MappingProxyType(controllers))


def _streams(machine: Machine) -> list[tuple[str, int, float]]:
    return [
        (name, stream.id, (stream.period_ns or 0) / SECOND_NS)
        for name, controller in machine.controllers.items()
        for stream in controller.spec.expects
    ]


def _part(rng: np.random.Generator, machine: Machine, cause: TrueCause) -> tuple[str | None, tuple[str, ...]]:
    """Choose a feed or segment with at least two controllers below it, and not all of them."""
    kinds = {TrueCause.FEED: PartKind.FEED, TrueCause.SEGMENT: PartKind.SEGMENT}
    if cause not in kinds:
        return None, ()
    parts = [part.name for part in machine.parts.values() if part.kind is kinds[cause]]
    fitting = [part for part in parts if 2 <= len(machine.controllers_below(part)) < len(machine.controllers)]
    part = fitting[int(rng.integers(len(fitting)))]
    return part, machine.controllers_below(part)


def _habit(rng: np.random.Generator) -> Habit:
    return (Habit.STEADY, Habit.BURSTY, Habit.DUTY)[int(rng.integers(3))]


def _plan(
    cause: TrueCause,
    rng: np.random.Generator,
    messages: list[Message],
    victim: str,
    until_s: float,
    n_due: tuple[int, int],
) -> _Plan:
    """Decide when the cause takes the controller down, and give the signals that show it their shape."""
    n = int(rng.integers(n_due[0], n_due[1] + 1))
    foreign = [k for k, message in enumerate(messages) if message.sender != victim]
    if cause is TrueCause.EVENT:
        return _after_events(rng, messages, foreign, until_s, n)
    if cause is TrueCause.SAG:
        return _with_sags(rng, messages, foreign, until_s, n)
    if cause is TrueCause.TEMPERATURE:
        return _when_hot(rng, messages, foreign, until_s, n)
    if cause is TrueCause.MIXED:
        first = _after_events(rng, messages, foreign[: len(foreign) // 2], until_s, n)
        second = _when_hot(rng, messages, foreign[len(foreign) // 2 :], until_s, n)
        return _Plan(
            at_s=np.concatenate((first.at_s, second.at_s)),
            source=np.concatenate((first.source, np.where(second.source == 0, 1, second.source))),
            signals=(*first.signals, *second.signals),
        )
    at_s = event_times(rng, _habit(rng), n, until_s)
    return _Plan(at_s=at_s, source=np.zeros(len(at_s), np.int64))


def _after_events(
    rng: np.random.Generator, messages: list[Message], among: Sequence[int], until_s: float, n: int
) -> _Plan:
    """Let a switch take the controller down with a probability of 0.2 to 0.9, 0.05 to 3 s after it went on."""
    k = int(rng.choice(np.array(among)))
    name = messages[k].switches[0]
    share = float(rng.uniform(0.2, 0.9))
    on_s = event_times(rng, (Habit.STEADY, Habit.REGULAR)[int(rng.integers(2))], n / share, until_s)
    on_s = on_s[np.diff(on_s, prepend=-_REST_S) > _REST_S / 2.0]
    takes = rng.random(len(on_s)) < share
    least_s = float(rng.uniform(0.05, 1.5))
    most_s = float(rng.uniform(least_s, 3.0))
    at_s = on_s[takes] + rng.uniform(least_s, most_s, int(takes.sum()))
    _reshape(messages, k, name, Switching.pulses(on_s, rng, 8.0))
    return _Plan(at_s=at_s, source=np.zeros(len(at_s), np.int64), signals=(f"{messages[k].name}.{name}",))


def _with_sags(
    rng: np.random.Generator, messages: list[Message], among: Sequence[int], until_s: float, n: int
) -> _Plan:
    """Let the supply sag before each dropout; it also sags, less deeply, with nothing to follow."""
    fast = [k for k in among if messages[k].period_s <= 0.15]
    k = int(rng.choice(np.array(fast)))
    name = f"SupplyVoltage{k}"
    at_s = event_times(rng, Habit.STEADY, n, until_s)
    lead_s = float(rng.uniform(0.4, 1.5))
    deep = [(float(t) - lead_s, float(t), float(rng.uniform(3.0, 6.0))) for t in at_s]
    shallow_s = event_times(rng, Habit.STEADY, 2.0 * n, until_s)
    shallow = [(float(t) - lead_s, float(t), float(rng.uniform(0.2, 1.5))) for t in shallow_s]
    calm = random_wandering(rng, until_s, 27.2, 0.3, memory_s=60.0)
    old = next(iter(messages[k].analogue))
    _rename_analogue(messages, k, old, name, "V", sagging(calm, sorted((*deep, *shallow))))
    return _Plan(at_s=at_s, source=np.zeros(len(at_s), np.int64), signals=(f"{messages[k].name}.{name}",))


def _when_hot(rng: np.random.Generator, messages: list[Message], among: Sequence[int], until_s: float, n: int) -> _Plan:
    """Let dropouts come twenty times as often above a temperature that is passed for a tenth of the time or so.

    It forgets itself 60 to 200 times in the record. What was hot only a few times cannot be told from all else that
    came and went a few times.
    """
    k = int(rng.choice(np.array(among)))
    name = f"CabinetTemperature{k}"
    warm = random_wandering(rng, until_s, 55.0, 9.0, memory_s=until_s / float(rng.uniform(60.0, 200.0)))
    limit = float(np.quantile(warm.values, rng.uniform(0.85, 0.95)))
    hot: BoolArray = np.asarray(warm.values > limit)
    per_s = n / max(float(hot.sum()), 1.0)
    rate = np.where(hot, per_s, per_s / 20.0)
    second = np.flatnonzero(rng.random(len(rate)) < rate)
    source = np.where(hot[second], 0, -1).astype(np.int64)
    old = next(iter(messages[k].analogue))
    _rename_analogue(messages, k, old, name, "degC", Wandering(values=warm.values, noise=0.2, rng=rng))
    at_s = np.asarray(second + rng.random(len(second)), np.float64)
    return _Plan(at_s=at_s, source=source, signals=(f"{messages[k].name}.{name}",))


def _reshape(messages: list[Message], k: int, name: str, shape: Shape) -> None:
    messages[k] = replace(messages[k], shapes=MappingProxyType({**messages[k].shapes, name: shape}))


def _rename_analogue(messages: list[Message], k: int, old: str, name: str, unit: str, shape: Shape) -> None:
    message = messages[k]
    shapes = {signal: value for signal, value in message.shapes.items() if signal != old}
    analogue = {
        (name if signal == old else signal): (unit if signal == old else u) for signal, u in message.analogue.items()
    }
    messages[k] = replace(
        message, shapes=MappingProxyType({**shapes, name: shape}), analogue=MappingProxyType(analogue)
    )


def _add_missing(messages: list[Message], watcher: str, changes_s: Sequence[float]) -> None:
    """Let a switch of another controller tell of the loss, late: a consequence, and nothing that goes before."""
    k = next(k for k, message in enumerate(messages) if message.sender == watcher)
    name = messages[k].switches[-1]
    at_s = np.array(changes_s) + 0.5
    _reshape(messages, k, name, Switching(at_s=at_s, to=np.tile([1.0, 0.0], len(at_s))[: len(at_s)]))


def _spaced(plan: _Plan, others_s: Float64Array, until_s: float) -> tuple[Float64Array, Int64Array]:
    """Put all in order and leave out what would come before the controller is back from the last one."""
    at_s = np.concatenate((plan.at_s, others_s))
    source = np.concatenate((plan.source, np.full(len(others_s), -1)))
    kept: list[int] = []
    for k in np.argsort(at_s, kind="stable").tolist():
        if 5.0 < at_s[k] < until_s - 5.0 and (not kept or at_s[k] - at_s[kept[-1]] >= _REST_S):
            kept.append(k)
    return np.asarray(at_s[kept], np.float64), np.asarray(source[kept], np.int64)


def _world(
    machine: Machine,
    rng: np.random.Generator,
    part: str | None,
    victim: str,
    at_s: Float64Array,
    source: Int64Array,
    until_s: float,
) -> World:
    """Live through it: at each time the fault of the part shows, or the controller restarts by itself."""
    faults = () if part is None else (Fault(part=part, rate_hz=0.0, holds_s=3.0, holds_spread=0.5),)
    boot_s = {name: float(rng.uniform(1.0, 4.0)) for name in machine.controllers}
    world = World(machine, faults, rng, boot_s=boot_s, boot_spread=0.05)
    for t, due_to in zip(at_s.tolist(), source.tolist(), strict=True):
        world.advance(t - world.now_s)
        if part is not None and due_to >= 0:
            world.show(part)
        else:
            world.restart(victim)
    world.advance(until_s - world.now_s)
    return world
