"""Ways of working that find one fault on a simulated machine, and what each costs in tests and time.

Hands take `HAND_S` for a plug, power `POWER_S`; every way of working pays the same.
"""

from dataclasses import dataclass, replace

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.isolation.proposals.next_tests import UNSEEN_WATCH_S
from busdoc.isolation.verdict import Step
from busdoc.machine.machine import Machine
from busdoc.simulation.timeline import absences
from busdoc.simulation.world import Fault, World
from tests.truth.by_chance.random_machine import random_machine
from tests.truth.hand_records import HandRecord
from tests.truth.isolation_sessions import NS, START_NS, observe

__all__ = ["Bench", "Cost", "dwell_at_first_s", "find_by_proposals", "find_one_at_a_time", "make_machine"]

HAND_S = 8.0
POWER_S = 12.0
_SURE = 0.95
_MOST_S = 6000.0
_MOST_AGAIN = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What it took."""

    tests: int
    """Changes of what is plugged, watched."""
    time_s: float
    right: bool


def make_machine(n: int, seed: int) -> tuple[Machine, np.random.Generator]:
    """Make a machine of few controllers whose first has n bare branches."""
    rng = np.random.default_rng([seed, n])
    machine = random_machine(rng, n_controllers=4, n_branches=n, sensors_per_branch=0)
    live = {name: replace(part, safe_live=not part.unsafe_live) for name, part in machine.parts.items()}
    return replace(machine, parts=live), rng  # one at a time is done live, too: only the order is compared


class Bench:
    """A machine with one fault on it, hands, and a clock."""

    def __init__(self, n: int, seed: int, rate_hz: float) -> None:
        self.machine, rng = make_machine(n, seed)
        self.branches = [f"harness-{k}" for k in range(1, n + 1)]
        self.culprit = str(rng.choice(self.branches))
        fault = Fault(part=self.culprit, rate_hz=rate_hz, latches=True, from_s=float(rng.uniform(20.0, 30.0)))
        self.controller = next(iter(self.machine.controllers))
        self.world = World(self.machine, [fault], rng, boot_s=3.0, off_s=0.1)
        self.rng = np.random.default_rng([seed, n, 1])
        self.actions: list[Action] = []
        self.watch(30.0 + (0.0 if np.isinf(rate_hz) else 3.0 / rate_hz))  # the complaint: it has been seen to fall

    def watch(self, watch_s: float) -> bool:
        """Watch; a human second after a fall it is over. Say whether the controller stayed up."""
        until_s = self.world.now_s + watch_s
        while self.world.now_s < until_s - 1e-9:
            self.world.advance(min(0.5, until_s - self.world.now_s))
            if not self.up:
                self.world.advance(1.0)
                return False
        return True

    @property
    def up(self) -> bool:
        return self.world.healthy(self.controller)

    def do(self, step: Step) -> None:
        """Do one step, press half a second later, and let the hands' time pass."""
        self.world.advance(POWER_S if step.action.value.startswith("power") else HAND_S)
        self.world.act(step.action, step.part, step.into)
        late_s = min(float(self.rng.exponential(0.5)), 2.0)
        self.actions.append(
            Action(
                n=len(self.actions) + 1,
                time_ns=START_NS + round((self.world.now_s + late_s) * NS),
                uncertainty_ns=NS,
                kind=step.action,
                part=step.part,
                into=step.into,
            )
        )

    def revive(self) -> None:
        """Cycle the power when the controller is down, and wait until it would be back."""
        if not self.up:
            self.do(Step(action=ActionKind.POWER_CYCLE, part=None))
            self.await_return()

    def await_return(self) -> None:
        """Wait until the controller is back on the bus, at most as long as a power cycle takes."""
        until_s = self.world.now_s + 12.0
        while not self.up and self.world.now_s < until_s:
            self.world.advance(0.05)

    def session(self) -> HandRecord:
        session = HandRecord(self.machine, start_ns=START_NS)
        rng = np.random.default_rng(7)  # the same blur of detection however often the same past is looked at
        for incident in observe(absences(self.world.events, self.world.now_s), self.machine, rng)[0]:
            session.saw(incident)
        for action in self.actions:
            session.act(action)
        return session


def dwell_at_first_s(n: int, seed: int, rate_hz: float) -> float:
    """Give how long a quiet must last as the search begins, the fault having been seen at most a few times, s."""
    bench = Bench(n, seed, rate_hz)
    quiet = bench.session().verdict(START_NS + round(bench.world.now_s * NS)).quiet
    return UNSEEN_WATCH_S if quiet is None else quiet.needed_ns / NS


def find_by_proposals(n: int, seed: int, rate_hz: float) -> Cost:
    """Do what the engine proposes until a part is at 95 %."""
    bench = Bench(n, seed, rate_hz)
    begun_s, tests = bench.world.now_s, 0
    while bench.world.now_s - begun_s < _MOST_S:
        verdict = bench.session().verdict(START_NS + round(bench.world.now_s * NS))
        top = verdict.suspects[0]
        if top.probability >= _SURE or not verdict.next_tests:
            break
        test = verdict.next_tests[0]
        for step in test.steps:
            bench.do(step)
        tests += any(step.action in (ActionKind.PLUG, ActionKind.UNPLUG) for step in test.steps)
        bench.await_return()
        bench.watch(test.watch_ns / 1e9)
    return Cost(tests=tests, time_s=bench.world.now_s - begun_s, right=top.part == bench.culprit)


def find_one_at_a_time(n: int, seed: int, rate_hz: float, dwell_s: float) -> Cost:
    """Pull all branches, and restore them one after the other, each watched for a fixed dwell.

    The one that troubles is tried again, power cycled, until it is as sure as the proposals must be; so is the last,
    which nobody troubles to restore when all others were quiet.
    """
    bench = Bench(n, seed, rate_hz)
    begun_s, tests = bench.world.now_s, 0
    for branch in bench.branches:
        bench.do(Step(action=ActionKind.UNPLUG, part=branch))
    bench.revive()
    for branch in bench.branches:
        bench.do(Step(action=ActionKind.PLUG, part=branch))
        tests += branch != bench.branches[-1]
        if not bench.watch(dwell_s):
            break
    for _ in range(_MOST_AGAIN):
        top = bench.session().verdict(START_NS + round(bench.world.now_s * NS)).suspects[0]
        if top.probability >= _SURE:
            break
        bench.revive()
        bench.watch(dwell_s)
    return Cost(tests=tests, time_s=bench.world.now_s - begun_s, right=top.part == bench.culprit)
