"""Power-ups by chance: a machine that is switched on again and again, and once something about it is odd."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.simulation.recording import Recording, Unit
from busdoc.simulation.run import Run
from busdoc.simulation.stream import Stream
from busdoc.simulation.technician import Technician
from busdoc.simulation.world import World
from busdoc.times import SECOND_NS
from tests.truth.by_chance.random_machine import Protocol, random_machine
from tests.truth.by_chance.random_traffic import machine_streams, machine_units

__all__ = ["Oddity", "PowerUpSession", "random_power_ups"]

_ON_S = 25.0
_OFF_S = 6.0


class Oddity(StrEnum):
    """What is odd about a power-up."""

    NONE = "none"
    SLOW = "slow"
    """One controller takes three times as long, and five seconds more."""
    MISSING = "missing"
    RESTARTS_TWICE = "restarts twice"
    """One controller comes, and starts anew a second or two later."""
    LATE_STREAM = "late stream"
    """One stream of one controller begins eight seconds late."""
    EXCHANGED = "exchanged"
    """Another unit sits in its place: same address, another NAME (29-bit buses)."""
    MOVED = "moved"
    """It claims another address (29-bit buses)."""
    WAITS = "waits"
    """One controller starts only when another one is up, and that one is slow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerUpSession:
    """The recording of several power-ups."""

    run: Run
    oddity: Oddity
    controller: str | None
    """The odd one; for `WAITS` the one that waits."""
    waits_for: str | None
    odd_power_up: int
    """Index into the run's `truth.power_ups`: the last one; all before are healthy."""
    boot_s: dict[str, float]
    """Each controller's ordinary time to start, spread by 5 % either way."""


def random_power_ups(
    seed: int, oddity: Oddity, *, n_healthy: int = 10, protocol: Protocol | None = None
) -> PowerUpSession:
    """Switch a made-up machine off and on `n_healthy` times, then once more with something odd.

    Parameters
    ----------
    seed : decides machine, times and frames
    oddity : of the last power-up
    n_healthy : power-ups before, from which limits can be learnt
    protocol : None: drawn; `EXCHANGED` and `MOVED` need `Protocol.J1939`
    """
    rng = np.random.default_rng([seed, list(Oddity).index(oddity), 7])
    needs_j1939 = oddity in (Oddity.EXCHANGED, Oddity.MOVED)
    drawn = Protocol.J1939 if needs_j1939 else list(Protocol)[int(rng.integers(len(Protocol)))]
    machine = random_machine(
        rng, n_controllers=int(rng.integers(4, 9)), n_feeds=1, protocol=drawn if protocol is None else protocol
    )
    names = list(machine.controllers)
    odd, other = (names[int(k)] for k in rng.permutation(len(names))[:2])
    boot_s = {name: float(rng.uniform(0.5, 4.0)) for name in names}
    waits_for = {odd: other} if oddity is Oddity.WAITS else {}
    world = World(machine, (), rng, boot_s=boot_s, boot_spread=0.05, off_s=0.05, waits_for=waits_for)
    technician = Technician(world, rng, start_ns=1_772_000_000 * SECOND_NS)
    technician.watch(10.0)
    for _ in range(n_healthy):
        _switch(technician)
    odd_from_s = world.now_s + 0.5
    _make_odd(world, oddity, odd, other)
    _switch(technician, None if oddity is not Oddity.RESTARTS_TWICE else odd)
    streams, units = _as_heard(
        machine_streams(machine, rng, extras=False), machine_units(machine), oddity, odd, odd_from_s
    )
    if oddity is Oddity.LATE_STREAM:
        streams = _late(streams, odd, n_healthy)
    recording = Recording(
        world=world,
        units=units,
        rng=rng,
        until_s=world.now_s,
        technician=technician,
        start_ns=1_772_000_000 * SECOND_NS,
    )
    return PowerUpSession(
        run=recording.run(streams),
        oddity=oddity,
        controller=None if oddity is Oddity.NONE else odd,
        waits_for=other if oddity is Oddity.WAITS else None,
        odd_power_up=n_healthy,
        boot_s=boot_s,
    )


def _switch(technician: Technician, restarts: str | None = None) -> None:
    technician.do(ActionKind.POWER_OFF)
    technician.watch(_OFF_S)
    technician.do(ActionKind.POWER_ON)
    if restarts is not None:
        technician.watch(technician.world.expected_boot_s(restarts) + 1.5)
        technician.world.restart(restarts)
    technician.watch(_ON_S)


def _make_odd(world: World, oddity: Oddity, odd: str, other: str) -> None:
    if oddity is Oddity.SLOW:
        world.set_boot_s(odd, 3.0 * world.expected_boot_s(odd) + 5.0)
    elif oddity is Oddity.MISSING:
        world.set_boot_s(odd, math.inf)
    elif oddity is Oddity.WAITS:
        world.set_boot_s(other, 3.0 * world.expected_boot_s(other) + 5.0)


def _as_heard(
    streams: Sequence[Stream], units: dict[str, Unit], oddity: Oddity, odd: str, from_s: float
) -> tuple[tuple[Stream, ...], dict[str, Unit]]:
    """Put another unit, or another address, in the odd one's place."""
    address = units[odd].address
    if oddity is Oddity.EXCHANGED and address is not None:
        units[odd] = replace(units[odd], exchanged=(from_s, 0xA000_0000_0000_0002 | address << 40))
    if oddity is not Oddity.MOVED or address is None:
        return tuple(streams), units
    moved_to = next(a for a in range(128, 248) if all(unit.address != a for unit in units.values()))
    units[odd] = replace(units[odd], moved=(from_s, moved_to))
    heard: list[Stream] = []
    for stream in streams:
        if stream.controller != odd:
            heard.append(stream)
            continue
        heard.append(replace(stream, window=(0.0, from_s)))
        heard.append(replace(stream, id=stream.id & ~0xFF | moved_to, window=(from_s, math.inf)))
    return tuple(heard), units


def _late(streams: Sequence[Stream], odd: str, start: int) -> tuple[Stream, ...]:
    """Delay the odd one's last stream after one start, the first stream staying as it is."""
    own = [stream for stream in streams if stream.controller == odd]
    late = own[-1]
    return tuple(replace(s, late_s={start: 8.0}) if s is late else s for s in streams)
