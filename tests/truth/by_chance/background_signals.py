"""Hundreds of signals that go about their own business: switches, states and measured values of a machine at work.

What a search for antecedents must not be fooled by: switches that come in bursts or follow the duty cycle, values that
drift for an hour, values that hardly change, and all of them on and off for reasons of their own. Everything is a
function of time alone, so a controller that was away shows on its return what it would have shown.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

import numpy as np

from busdoc.arrays import Float64Array
from busdoc.simulation.content import Shape

__all__ = [
    "Habit",
    "Message",
    "Switching",
    "Wandering",
    "database_text",
    "draw_messages",
    "event_times",
    "random_wandering",
]


class Habit(StrEnum):
    """How events lie in time."""

    STEADY = "steady"
    """One independent of the other."""
    BURSTY = "bursty"
    """Several within seconds, then a long pause."""
    DUTY = "duty cycle"
    """Hardly any at rest, many at work."""
    REGULAR = "regular"
    """Every so often, give or take a tenth."""


def event_times(rng: np.random.Generator, habit: Habit, n: float, until_s: float) -> Float64Array:
    """Draw the times of about `n` events within a record, s, ascending."""
    if habit is Habit.REGULAR:
        pause_s = until_s / max(n, 1.0)
        ticks = (np.arange(int(until_s / pause_s)) + rng.uniform(0.0, 1.0)) * pause_s
        times = ticks + rng.normal(0.0, 0.1 * pause_s, len(ticks))
    elif habit is Habit.BURSTY:
        size = float(rng.uniform(3.0, 10.0))
        parents = rng.uniform(0.0, until_s, max(1, int(rng.poisson(n / size))))
        sizes = rng.poisson(size, len(parents)) + 1
        spread_s = float(rng.uniform(5.0, 60.0))
        times = np.repeat(parents, sizes) + rng.exponential(spread_s, int(sizes.sum()))
    elif habit is Habit.DUTY:
        cycle_s, angle = until_s * float(rng.uniform(0.15, 1.0)), float(rng.uniform(0.0, 2.0 * np.pi))
        drawn = rng.uniform(0.0, until_s, int(rng.poisson(2.0 * n)))
        busy = 0.5 - 0.5 * np.cos(2.0 * np.pi * drawn / cycle_s + angle)
        times = drawn[rng.random(len(drawn)) < busy**2 / 0.75]
    else:
        times = rng.uniform(0.0, until_s, int(rng.poisson(n)))
    times = np.sort(times)
    return np.asarray(times[(times > 0.0) & (times < until_s)], np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Switching:
    """A value that holds until it changes."""

    at_s: Float64Array
    """(n,) ascending"""
    to: Float64Array
    """(n,)"""
    before: float = 0.0

    def __call__(self, times_s: Float64Array) -> Float64Array:
        """Give the value at each time; `times_s` (n,), s."""
        held = np.searchsorted(self.at_s, times_s, side="right")
        return np.concatenate((np.array([self.before]), self.to))[held]

    @classmethod
    def pulses(cls, on_s: Float64Array, rng: np.random.Generator, hold_s: float) -> "Switching":
        """Go to one at each of these times, and back to zero before the next."""
        room_s = np.diff(np.append(on_s, np.inf))
        off_s = on_s + np.minimum(rng.exponential(hold_s, len(on_s)) + 0.3, 0.6 * room_s)
        at_s = np.column_stack((on_s, off_s)).ravel()
        return cls(at_s=at_s, to=np.tile([1.0, 0.0], len(on_s)))

    @classmethod
    def states(cls, at_s: Float64Array, rng: np.random.Generator, n_states: int) -> "Switching":
        """Go through states, each time to another one."""
        steps = rng.integers(1, n_states, len(at_s))
        return cls(at_s=at_s, to=(np.cumsum(steps) % n_states).astype(np.float64))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wandering:
    """A measured value, given once a second and joined by straight lines, with the sensor's own noise."""

    values: Float64Array
    """(seconds + 1,)"""
    noise: float
    rng: np.random.Generator

    def __call__(self, times_s: Float64Array) -> Float64Array:
        """Give the value at each time, with noise; `times_s` (n,), s."""
        at_s = np.arange(len(self.values), dtype=np.float64)
        return np.interp(times_s, at_s, self.values) + self.rng.normal(0.0, self.noise, len(times_s))


def random_wandering(
    rng: np.random.Generator, until_s: float, middle: float, spread: float, memory_s: float | None = None
) -> Wandering:
    """Draw a value that wanders about its middle, remembers for `memory_s`, and follows a cycle of its own a little."""
    n = int(until_s) + 2
    memory_s = float(np.exp(rng.uniform(np.log(2.0), np.log(3000.0)))) if memory_s is None else memory_s
    stay = float(np.exp(-1.0 / memory_s))
    wander = _first_order(rng.normal(0.0, np.sqrt(1.0 - stay**2), n), stay, float(rng.normal()))
    cycle_s, angle = until_s * float(rng.uniform(0.1, 1.5)), float(rng.uniform(0.0, 2.0 * np.pi))
    cycle = np.sin(2.0 * np.pi * np.arange(n) / cycle_s + angle)
    share = float(rng.choice((0.0, 0.0, 0.5, 1.5)))
    values = middle + spread * (wander + share * cycle) / np.sqrt(1.0 + share**2 / 2.0)
    return Wandering(values=values, noise=0.02 * spread, rng=rng)


def _first_order(pushes: Float64Array, stay: float, first: float) -> Float64Array:
    from scipy.signal import lfilter

    filtered, _ = lfilter([1.0], [1.0, -stay], pushes, zi=np.array([stay * first]))
    return np.asarray(filtered, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Message:
    """A message of the made-up database, and what its signals read."""

    name: str
    sender: str
    id: int
    period_s: float
    shapes: Mapping[str, Shape]
    analogue: Mapping[str, str]
    """Signals of 16 bits -> unit; the others are switches (2 bits) and states (4 bits)."""
    switches: tuple[str, ...]
    states: tuple[str, ...]


_SWITCHES = ("Raised", "Locked", "Running", "Open", "Lit", "Pumping", "Braked", "Tilted")
_STATES = ("Mode", "Step", "Gear", "Level")
_ANALOGUE = (
    ("OilTemperature", "degC", 60.0, 8.0),
    ("Pressure", "bar", 140.0, 20.0),
    ("Speed", "rpm", 1400.0, 150.0),
    ("Current", "A", 20.0, 4.0),
    ("Angle", "deg", 45.0, 12.0),
    ("Flow", "l/min", 60.0, 9.0),
)


def draw_messages(
    rng: np.random.Generator,
    streams: Sequence[tuple[str, int, float]],
    until_s: float,
    signals: tuple[int, int, int] = (4, 2, 3),
) -> tuple[Message, ...]:
    """Fill messages with signals.

    Parameters
    ----------
    streams : (sender, identifier, period in s) of each message, 29 bits
    signals : switches (8 at most), states (4) and measured values (3) in each
    """
    return tuple(_draw_message(rng, k, *stream, until_s, signals) for k, stream in enumerate(streams))


def _draw_message(
    rng: np.random.Generator,
    k: int,
    sender: str,
    identifier: int,
    period_s: float,
    until_s: float,
    signals: tuple[int, int, int],
) -> Message:
    n_switches, n_states, n_values = signals
    shapes: dict[str, Shape] = {}
    switches = tuple(f"{_SWITCHES[j]}{k}" for j in rng.permutation(len(_SWITCHES))[:n_switches].tolist())
    states = tuple(f"{_STATES[j]}{k}" for j in rng.permutation(len(_STATES))[:n_states].tolist())
    for name in switches:
        shapes[name] = Switching.pulses(_some_times(rng, until_s), rng, float(rng.uniform(1.0, 60.0)))
    for name in states:
        shapes[name] = Switching.states(_some_times(rng, until_s), rng, int(rng.integers(3, 7)))
    analogue = {}
    for j in rng.permutation(len(_ANALOGUE))[:n_values].tolist():
        name, unit, middle, spread = _ANALOGUE[j]
        analogue[f"{name}{k}"] = unit
        shapes[f"{name}{k}"] = random_wandering(rng, until_s, middle, spread)
    return Message(
        name=f"{sender.title().replace('-', '')}Message{k}",
        sender=sender,
        id=identifier,
        period_s=period_s,
        shapes=MappingProxyType(shapes),
        analogue=MappingProxyType(analogue),
        switches=switches,
        states=states,
    )


def _some_times(rng: np.random.Generator, until_s: float) -> Float64Array:
    """Draw times by a habit and a number of their own; from a few in the whole record to one every 20 s."""
    n = float(np.exp(rng.uniform(np.log(4.0), np.log(until_s / 20.0))))
    return event_times(rng, list(Habit)[int(rng.integers(len(Habit)))], n, until_s)


def database_text(messages: Sequence[Message]) -> str:
    """Write the messages as a `.dbc` database; the highest values of every signal say 'error' and 'not available'."""
    senders = sorted({_node(message.sender) for message in messages})
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(senders)}", ""]
    values = []
    for message in messages:
        number = message.id | 0x80000000
        lines.append(f"BO_ {number} {message.name}: 8 {_node(message.sender)}")
        at = 0
        for name in message.switches:
            lines.append(f' SG_ {name} : {at}|2@1+ (1,0) [0|3] "" {senders[0]}')
            values.append(f'VAL_ {number} {name} 0 "off" 1 "on" 2 "error" 3 "not available" ;')
            at += 2
        for name in message.states:
            lines.append(f' SG_ {name} : {at}|4@1+ (1,0) [0|15] "" {senders[0]}')
            values.append(f'VAL_ {number} {name} 0 "idle" 1 "start" 2 "work" 3 "hold" 4 "stop" 5 "wash" ;')
            at += 4
        for name, unit in message.analogue.items():
            lines.append(
                f' SG_ {name} : {at}|16@1+ ({_scale(unit)},0) [0|{64255 * _scale(unit):g}] "{unit}" {senders[0]}'
            )
            at += 16
        lines.append("")
    lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;', 'BA_DEF_DEF_ "GenMsgCycleTime" 0;']
    lines += [
        f'BA_ "GenMsgCycleTime" BO_ {message.id | 0x80000000} {round(message.period_s * 1000)};' for message in messages
    ]
    return "\n".join((*lines, *values)) + "\n"


def _scale(unit: str) -> float:
    return 0.125 if unit == "rpm" else 0.01


def _node(sender: str) -> str:
    """Name a sender as the file format allows: letters, digits and underscores."""
    return sender.replace("-", "_")
