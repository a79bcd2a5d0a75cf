"""Sessions by chance: a random machine, a fault of a given kind, somebody who works on it, and the capture."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busdoc.actions.action import ActionKind
from busdoc.machine.machine import Machine
from busdoc.simulation.recording import FaultSign, Recording
from busdoc.simulation.run import Run
from busdoc.simulation.technician import CAREFUL, Habits, Technician
from busdoc.simulation.world import Fault, World
from busdoc.times import SECOND_NS
from tests.truth.by_chance.random_machine import Protocol, random_machine
from tests.truth.by_chance.random_traffic import machine_streams, machine_units

__all__ = ["SessionKind", "random_session"]


class SessionKind(StrEnum):
    """What is wrong with the machine of a session."""

    HARD_BRANCH = "hard branch"
    INTERMITTENT_BRANCH = "intermittent branch"
    TWO_FAULTS = "two faults"
    FEED = "feed"
    SEGMENT = "segment"
    SPONTANEOUS = "spontaneous"
    """No part of the map: restarts of their own, with decoy actions near them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Story:
    """What a kind of session is made of."""

    faults: tuple[Fault, ...]
    background_rate_hz: float = 0.0


def random_session(
    kind: SessionKind,
    seed: int,
    *,
    protocol: Protocol | None = None,
    habits: Habits = CAREFUL,
    length_s: float = 240.0,
) -> Run:
    """Live through one session and record it.

    Parameters
    ----------
    kind : what is wrong
    seed : decides everything else; the same seed gives the same frames
    protocol : None: drawn
    habits : of the technician's presses
    length_s : about how long it takes; sessions with rare faults are watched that long
    """
    rng = np.random.default_rng([seed, list(SessionKind).index(kind)])
    drawn = list(Protocol)[int(rng.integers(len(Protocol)))]
    protocol = drawn if protocol is None else protocol
    n_branches = int(rng.integers(3, 7))
    machine = random_machine(
        rng,
        n_controllers=int(rng.integers(4, 10)),
        n_branches=n_branches,
        n_feeds=int(rng.integers(2, 4)),
        n_segments=int(rng.integers(2, 4)),
        protocol=protocol,
    )
    branches = [f"harness-{k}" for k in range(1, n_branches + 1)]
    story = _story(kind, rng, n_branches, machine)
    boot_s = {name: float(rng.uniform(1.0, 4.0)) for name in machine.controllers}
    off_s = {name: float(rng.uniform(0.02, 0.3)) for name in machine.controllers}
    world = World(
        machine,
        story.faults,
        rng,
        background_rate_hz=story.background_rate_hz,
        boot_s=boot_s,
        off_s=off_s,
        boot_spread=0.03,
    )
    start_ns = 1_772_438_400 * SECOND_NS + seed * SECOND_NS
    technician = Technician(world, rng, habits, start_ns=start_ns)
    technician.watch(float(rng.uniform(30.0, 60.0)))  # what healthy looks like must be in the record
    _work(kind, technician, machine, branches, rng, length_s)
    technician.watch(10.0)
    streams = machine_streams(machine, rng)
    recording = Recording(
        world=world,
        units=machine_units(machine),
        rng=rng,
        until_s=world.now_s,
        technician=technician,
        start_ns=start_ns,
        signs=_signs(story.faults, protocol),
        background_errors_hz=0.002,
    )
    return recording.run(streams)


def _story(kind: SessionKind, rng: np.random.Generator, n_branches: int, machine: Machine) -> _Story:
    culprits = [f"{rng.choice(('harness', 'sensor'))}-{k}" for k in 1 + rng.permutation(n_branches)]
    latches = bool(rng.random() < 0.5)
    from_s = float(rng.uniform(15.0, 30.0))
    rare_hz = 1.0 / float(rng.uniform(30.0, 60.0))
    if kind is SessionKind.HARD_BRANCH:
        return _Story(
            faults=(Fault(part=culprits[0], latches=latches, holds_s=float(rng.uniform(8.0, 15.0)), from_s=from_s),)
        )
    if kind is SessionKind.INTERMITTENT_BRANCH:
        holds_s = float(rng.uniform(2.0, 8.0))
        return _Story(faults=(Fault(part=culprits[0], rate_hz=rare_hz, holds_s=holds_s, from_s=from_s),))
    if kind is SessionKind.TWO_FAULTS:
        first = Fault(part=culprits[0], latches=True, from_s=from_s)
        return _Story(
            faults=(first, Fault(part=culprits[1], rate_hz=rare_hz, holds_s=5.0, latches=latches, from_s=from_s))
        )
    if kind is SessionKind.FEED:
        feed = str(rng.choice([name for name in machine.parts if name.startswith("fuse")]))
        return _Story(faults=(Fault(part=feed, rate_hz=rare_hz, holds_s=float(rng.uniform(2.0, 6.0)), from_s=from_s),))
    if kind is SessionKind.SEGMENT:
        used = {c.segment for c in machine.controllers.values()}
        segment = str(rng.choice([name for name in machine.parts if name in used]))
        return _Story(
            faults=(Fault(part=segment, rate_hz=rare_hz, holds_s=float(rng.uniform(3.5, 10.0)), from_s=from_s),)
        )
    return _Story(faults=(), background_rate_hz=1.0 / float(rng.uniform(200.0, 400.0)))


def _work(
    kind: SessionKind,
    technician: Technician,
    machine: Machine,
    branches: Sequence[str],
    rng: np.random.Generator,
    length_s: float,
) -> None:
    controller = next(iter(machine.controllers))
    if kind in (SessionKind.HARD_BRANCH, SessionKind.TWO_FAULTS):
        if rng.random() < 0.5:
            technician.restore_one_at_a_time(controller, branches, dwell_s=8.0)
        else:
            technician.half_split(controller, branches, dwell_s=8.0)
    elif kind is SessionKind.INTERMITTENT_BRANCH:
        technician.watch(length_s / 3)
        technician.restore_one_at_a_time(controller, branches, dwell_s=length_s / len(branches) / 2)
    elif kind is SessionKind.FEED:
        technician.watch(length_s / 2)
        technician.power_cycle()
        technician.watch(length_s / 2)
    elif kind is SessionKind.SEGMENT:
        technician.watch(length_s / 2)
        if rng.random() < 0.5:
            technician.do(ActionKind.WIGGLE, "trunk-1")
        technician.watch(length_s / 2)
    else:
        technician.fiddle(branches, times=8, gap_s=lambda: float(rng.uniform(3.0, length_s / 12)))


def _signs(faults: Sequence[Fault], protocol: Protocol) -> dict[str, FaultSign]:
    signs: dict[str, FaultSign] = {}
    for fault in faults:
        if fault.part.startswith(("harness", "sensor")):
            codes = {
                Protocol.J1939: FaultSign(spn=3509, fmi=4, lead_s=0.3),
                Protocol.CANOPEN: FaultSign(emcy=0x3120, lead_s=0.3),
                Protocol.PLAIN: FaultSign(),
            }
            signs[fault.part] = codes[protocol]
        elif fault.part.startswith("trunk"):
            signs[fault.part] = FaultSign(errors=6)
    return signs
