"""Machines by chance: controllers, feeds, segments and harness branches, on 29-bit, CANopen or plain 11-bit buses."""

from collections.abc import Callable
from enum import StrEnum
from types import MappingProxyType

import numpy as np

from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from busdoc.machine.machine import Bus, Controller, Machine, Part, PartKind

__all__ = ["Protocol", "random_machine"]

_PERIODS_MS = (10, 20, 25, 50, 100, 100, 200, 250, 500, 1000)
_JOBS = (
    "engine",
    "hopper",
    "broom",
    "water",
    "fan",
    "display",
    "steering",
    "lift",
    "brakes",
    "lights",
    "cabin",
    "boom",
    "pump",
    "chassis",
    "outrigger",
    "winch",
)


class Protocol(StrEnum):
    """What a machine's controllers speak."""

    J1939 = "j1939"
    """29-bit identifiers, source addresses, address claims, DM1."""
    CANOPEN = "canopen"
    """11-bit identifiers, heartbeats, boot-ups, EMCY."""
    PLAIN = "plain"
    """11-bit identifiers that say nothing of their sender."""


def random_machine(
    rng: np.random.Generator,
    *,
    n_controllers: int = 6,
    n_branches: int = 4,
    sensors_per_branch: int = 1,
    n_feeds: int = 2,
    n_segments: int = 2,
    protocol: Protocol = Protocol.J1939,
    latches: bool | None = None,
) -> Machine:
    """Make up a machine.

    The first controller carries the branches ``harness-1`` … (sensors ``sensor-1`` …, counted through). Feeds
    ``fuse-1`` … hang on ``battery``, segments ``trunk-1`` … hang one on the other from the diagnostic port outwards.

    Parameters
    ----------
    rng : decides who sits on which feed and segment, addresses, streams and periods
    n_controllers : at most 60
    n_branches, sensors_per_branch : of the first controller
    n_feeds, n_segments : at least one of each
    protocol : what identifiers look like
    latches : what the map says of every controller
    """
    parts: dict[str, Part] = {"battery": Part(name="battery", kind=PartKind.FEED)}
    for k in range(1, n_feeds + 1):
        parts[f"fuse-{k}"] = Part(name=f"fuse-{k}", kind=PartKind.FEED, owner="battery")
    for k in range(1, n_segments + 1):
        nearer = f"trunk-{k - 1}" if k > 1 else None
        parts[f"trunk-{k}"] = Part(name=f"trunk-{k}", kind=PartKind.SEGMENT, owner=nearer)
    names = [_JOBS[k] if k < len(_JOBS) else f"unit-{k + 1}" for k in rng.permutation(max(n_controllers, len(_JOBS)))]
    names = names[:n_controllers]
    numbers = _numbers(rng, n_controllers, protocol)
    controllers: dict[str, Controller] = {}
    used: set[int] = set()
    for k, name in enumerate(names):
        spec = _spec(rng, name, int(numbers[k]), protocol, used, latches)
        controllers[name] = Controller(
            spec=spec,
            feed=f"fuse-{1 + (k % n_feeds if k < n_feeds else int(rng.integers(n_feeds)))}",
            segment=f"trunk-{1 + (k % n_segments if k < n_segments else int(rng.integers(n_segments)))}",
        )
    sockets = [chr(ord("A") + k) for k in range(n_branches)]
    for k, socket in enumerate(sockets, start=1):
        harness = f"harness-{k}"
        parts[harness] = Part(name=harness, kind=PartKind.HARNESS, owner=names[0], socket=socket)
        for s in range(1, sensors_per_branch + 1):
            sensor = f"sensor-{(k - 1) * sensors_per_branch + s}"
            parts[sensor] = Part(name=sensor, kind=PartKind.SENSOR, owner=harness, socket=f"S{s}")
    return Machine(
        name="made-up machine",
        buses=(Bus(channel=0, bitrate=250_000 if protocol is Protocol.J1939 else 500_000),),
        parts=MappingProxyType(parts),
        controllers=MappingProxyType(controllers),
    )


def _numbers(rng: np.random.Generator, n: int, protocol: Protocol) -> list[int]:
    """Draw n different addresses or node ids; 60 of each are far from any service tool's."""
    low, high = (1, 128) if protocol is Protocol.J1939 else (1, 64)
    return [int(number) for number in low + rng.permutation(high - low)[:n]]


def _spec(
    rng: np.random.Generator, name: str, number: int, protocol: Protocol, used: set[int], latches: bool | None
) -> ControllerSpec:
    n_streams = int(rng.integers(2, 6))
    periods_ms = [int(rng.choice(_PERIODS_MS)) for _ in range(n_streams)]
    periods_ms[0] = min(periods_ms[0], 250)  # every controller has one stream that tells soon
    expects: list[ExpectedStream] = []
    for k, period_ms in enumerate(periods_ms):
        if protocol is Protocol.CANOPEN:
            if k >= 4:
                break
            identifier = (0x180, 0x280, 0x380, 0x480)[k] + number
        elif protocol is Protocol.J1939:
            identifier = _fresh(used, lambda: 0x18FF0000 | int(rng.integers(0x00, 0xE0)) << 8 | number)
        else:
            identifier = _fresh(used, lambda: int(rng.integers(0x100, 0x700)))
        expects.append(
            ExpectedStream(
                id=identifier,
                extended=protocol is Protocol.J1939,
                period_ns=period_ms * 1_000_000,
                period_from=PeriodFrom.MAP,
            )
        )
    if protocol is Protocol.CANOPEN:
        heartbeat_ns = int(rng.choice((100, 200, 500, 1000))) * 1_000_000
        expects.append(
            ExpectedStream(id=0x700 + number, extended=False, period_ns=heartbeat_ns, period_from=PeriodFrom.MAP)
        )
    identity = {
        Protocol.J1939: Identity(address=number),
        Protocol.CANOPEN: Identity(node_id=number),
        Protocol.PLAIN: Identity(),
    }[protocol]
    return ControllerSpec(name=name, channel=0, identity=identity, expects=tuple(expects), latches=latches)


def _fresh(used: set[int], draw: Callable[[], int]) -> int:
    while True:
        identifier = draw()
        if identifier not in used:
            used.add(identifier)
            return identifier
