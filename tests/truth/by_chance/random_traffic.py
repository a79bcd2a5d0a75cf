"""Streams for made-up machines: what the map expects, event-driven ones beside them, and load up to any share."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from busdoc.machine.machine import Machine
from busdoc.simulation.protocol import heartbeat
from busdoc.simulation.recording import Recording, Unit
from busdoc.simulation.stream import Beat, Stream
from busdoc.simulation.world import World
from busdoc.times import SECOND_NS
from tests.truth.by_chance.random_codes import random_codes
from tests.truth.by_chance.random_machine import Protocol, random_machine

__all__ = ["fill_to_load", "healthy_recording", "machine_streams", "machine_units"]

_FILLER_PERIODS_S = (0.01, 0.02, 0.05, 0.1)


def machine_units(machine: Machine, *, dm1: str = "active") -> dict[str, Unit]:
    """Give each controller of a made-up machine its appearance on the bus."""
    units: dict[str, Unit] = {}
    for name, controller in machine.controllers.items():
        spec = controller.spec
        units[name] = Unit(
            address=spec.identity.address,
            can_name=spec.identity.can_name,
            node_id=spec.identity.node_id,
            channel=spec.channel if isinstance(spec.channel, int) else 0,
            dm1=dm1 if spec.identity.address is not None else "none",
            emcy=spec.identity.node_id is not None,
        )
    return units


def machine_streams(
    machine: Machine, rng: np.random.Generator, *, extras: bool = True, starts_s: Sequence[float] = ()
) -> tuple[Stream, ...]:
    """Give every stream that a map expects, some with counters, and some event-driven ones beside them.

    Parameters
    ----------
    machine : whose controllers' `expects` say identifiers and periods
    rng : decides which have counters, and the extras
    extras : add streams that are no sign of life: events, on change, and bursts
    starts_s : when nodes start, for the heartbeats' pre-operational state
    """
    streams: list[Stream] = []
    for name, controller in machine.controllers.items():
        spec = controller.spec
        channel = spec.channel if isinstance(spec.channel, int) else 0
        for expected in spec.expects:
            if expected.period_ns is None:
                continue
            period_s = expected.period_ns / SECOND_NS
            node_id = spec.identity.node_id
            if node_id is not None and expected.id == 0x700 + node_id:
                streams.append(heartbeat(name, node_id, period_s, channel, starts_s))
                continue
            streams.append(
                Stream(
                    controller=name,
                    id=expected.id,
                    extended=expected.extended,
                    period_s=period_s,
                    channel=channel,
                    jitter_s=float(rng.uniform(0.0001, 0.02)) * min(period_s, 0.2),
                    counter=(0, 0, int(rng.choice((4, 8)))) if rng.random() < 0.4 else None,
                )
            )
        if extras and rng.random() < 0.5 and spec.identity.address is not None:
            beat = list(Beat)[2 + int(rng.integers(3))]
            taken = {stream.id for stream in streams}
            candidates = (0x18FFE000 | group << 8 | spec.identity.address for group in range(0x10))
            identifier = next(candidate for candidate in candidates if candidate not in taken)
            streams.append(
                Stream(
                    controller=name,
                    id=identifier,
                    extended=True,
                    period_s=float(rng.uniform(2.0, 20.0)),
                    channel=channel,
                    beat=beat,
                )
            )
    return tuple(streams)


def fill_to_load(
    streams: Sequence[Stream], load: float, bitrate: int, rng: np.random.Generator, *, by_rate: bool = True
) -> tuple[Stream, ...]:
    """Add cyclic streams to the controllers of a bus until its load is reached, as nearly as one stream allows.

    Parameters
    ----------
    streams : of the bus so far
    load : share of the bit rate that cyclic streams are to take
    bitrate : bit/s
    rng : decides who gets what
    by_rate : faster streams get higher priorities, as network designers assign them; False: priorities at random, with
        which a fast stream of low priority can wait for many of its own periods
    """
    bits_of = {True: 137, False: 117}  # eight bytes with the stuffing that random payloads have
    used = {stream.id for stream in streams}
    rate = sum(bits_of[s.extended] / s.period_s for s in streams if s.beat in (Beat.CYCLIC, Beat.ENGINE_SPEED))
    filled = list(streams)
    cyclic = [stream for stream in streams if stream.beat is Beat.CYCLIC and stream.length == 8]
    while rate < load * bitrate:
        like = cyclic[int(rng.integers(len(cyclic)))]
        rank = int(rng.integers(len(_FILLER_PERIODS_S)))
        identifier = _filler_id(like, rank if by_rate else int(rng.integers(len(_FILLER_PERIODS_S))), rng)
        if identifier in used:
            continue
        used.add(identifier)
        period_s = _FILLER_PERIODS_S[rank]
        filled.append(replace(like, id=identifier, period_s=period_s, jitter_s=0.01 * period_s, counter=None))
        rate += bits_of[like.extended] / period_s
    return tuple(filled)


def _filler_id(like: Stream, rank: int, rng: np.random.Generator) -> int:
    """Draw an identifier of a rank of priority, 0 the highest, for the sender of another stream."""
    if like.extended:
        priority = (3, 4, 6, 7)[rank]
        return priority << 26 | 0x00FF0000 | int(rng.integers(256)) << 8 | like.id & 0xFF
    return 0x180 + 0x100 * rank + int(rng.integers(0x100))


def healthy_recording(
    seed: int,
    *,
    length_s: float,
    load: float = 0.8,
    protocol: Protocol | None = None,
    n_controllers: int = 12,
    most_codes: int = 0,
    by_rate: bool = True,
) -> tuple[Recording, tuple[Stream, ...]]:
    """Prepare a loaded, healthy bus: drifting clocks, priority queuing, events, bursts, engine-speed periods.

    Parameters
    ----------
    seed : decides everything else
    length_s, load : how long, and which share of the bit rate the cyclic streams take
    protocol : None: by seed
    n_controllers : how many
    by_rate : see `fill_to_load`
    most_codes : raise and clear up to so many fault codes at once on every controller of a 29-bit bus

    Returns
    -------
    recording : `Recording.blocks(streams)` yields the frames
    streams : of all controllers
    """
    rng = np.random.default_rng([seed, 99])
    drawn = list(Protocol)[seed % len(Protocol)]
    machine = random_machine(
        rng, n_controllers=n_controllers, protocol=drawn if protocol is None else protocol, n_segments=3
    )
    bitrate = machine.buses[0].bitrate or 250_000
    streams = list(machine_streams(machine, rng))
    streams[0] = replace(streams[0], beat=Beat.ENGINE_SPEED, period_s=0.02, jitter_s=0.0002)
    world = World(machine, (), rng)
    world.advance(length_s)
    codes = random_codes(rng, machine.controllers, until_s=length_s, most=most_codes) if most_codes else ()
    recording = Recording(
        world=world,
        units=machine_units(machine, dm1="always" if codes else "active"),
        rng=rng,
        until_s=length_s,
        extra_codes=codes,
    )
    return recording, fill_to_load(streams, load, bitrate, rng, by_rate=by_rate)
