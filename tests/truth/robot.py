"""A technician in software who does what the screen of a practice machine says, and presses as people press."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import POWER_KINDS, ActionKind
from busdoc.health.controller import ControllerState
from busdoc.isolation.verdict import ELSEWHERE, NAMED_FROM
from busdoc.simulation.fault import Fault
from busdoc.simulation.technician import Technician
from busdoc.simulation.world import World
from tests.truth.practice import Bench, rear_of_sweeper

__all__ = ["MOST_APART_S", "ByHand", "Job", "Robot", "one_at_a_time"]

_MOVES = (ActionKind.UNPLUG, ActionKind.PLUG, ActionKind.SWAP, ActionKind.REPLACE)
_WHEN_S = (-1.5, 0.0, 1.0, 2.0, 5.0)
"""The press against the beginning of an act of two seconds: early, at its start, midway, at its end, 3 s late."""
MOST_APART_S = 2.0
"""No state on the screen may contradict the traffic for longer."""
_AWAY = (ControllerState.LOST, ControllerState.OFF)
_THERE = (ControllerState.STEADY, ControllerState.STARTING, ControllerState.LATE)
_READ_S, _HAND_S = 1.5, 2.0
"""A step is read, and done."""
_ACT_S = _READ_S + _HAND_S
_DWELL_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """How a job went."""

    named: bool
    """Every faulty part was named, or there was none and none was."""
    accused: bool
    """A sound part stood at 95 % at any time."""
    cured: bool
    live: bool
    """A step asked for hands in a machine that had power, or stood there for longer than `MOST_APART_S` of one."""
    apart_s: float
    """The longest that the screen said away of a controller that sent, or there of one that did not."""
    apart: str = ""
    """Of which, and what it said."""
    acts: int
    presses: int
    seconds: float
    """In all: to the cure proved, where it was."""
    named_s: float | None = None
    """To the name of every faulty part; None: they were not all named, or there was none."""
    late_s: float = 0.0
    """The longest that the machine's own frames were sent late: then it is the machine that stood still."""


class Robot:
    """A technician in software before a practice machine.

    Parameters
    ----------
    faults : of the machine
    seed : decides what is left to chance, in the machine and in the presses
    bench : where it works; None: on a clock that goes as fast as it can be reckoned
    """

    def __init__(self, faults: Sequence[Fault], seed: int, *, tick_s: float = 0.5, bench: Bench | None = None) -> None:
        self.faults = tuple(faults)
        self.bench = Bench(rear_of_sweeper(*faults), seed, presses_act=False, tick_s=tick_s) if bench is None else bench
        self._rng = np.random.default_rng([7, seed])
        self._acts = self._presses = 0
        self._named: dict[str, float] = {}
        """Faulty part -> when it was first named."""
        self._accused = self._live = False
        self._apart_s, self._apart = 0.0, ""
        self._apart_now_s: dict[str, float] = {}
        """What contradicts the machine now -> for how long it has."""

    def work(self, most_s: float, *, before: Callable[["Robot"], None] | None = None) -> Job:
        """Work until the machine is called cured, or the time is over."""
        bench = self.bench
        self._watch(8.0)
        if before is not None:
            before(self)
        while bench.t_s < most_s and not (bench.view.cured and not bench.view.not_back):
            self._go_on()
        faulty = {fault.part for fault in self.faults}
        return Job(
            named=faulty <= set(self._named) if faulty else not self._named,
            accused=self._accused,
            cured=bool(bench.view.cured and not bench.view.not_back),
            live=self._live,
            apart_s=self._apart_s,
            apart=self._apart,
            acts=self._acts,
            presses=self._presses,
            seconds=bench.t_s,
            named_s=max(self._named.values()) if faulty and faulty <= set(self._named) else None,
            late_s=bench.late_s,
        )

    def _go_on(self) -> None:
        view = self.bench.view
        if view.silence is not None and view.silence.asked and view.silence.ended_ns is None:
            self._watch(3.0)
            if self.bench.view.silence is not None:
                self._press("2" if not self.bench.world.powered else "1")
            return
        following = view.next
        if following is None or following.step >= len(following.test.steps):
            self._watch(1.0)
            return
        if following.hold_until_ns is not None and following.hold_until_ns > view.now_ns:
            self._watch(1.0)
            return
        step = following.test.steps[following.step]
        self._watch(_READ_S)
        now = self.bench.view.next
        if now is None or now.step >= len(now.test.steps) or now.test.steps[now.step] != step:
            return
        powered = self.bench.world.powered
        if step.action in _MOVES and powered:
            self._live = True
        self._do(step.action, step.part, step.into)

    def _do(self, kind: ActionKind, part: str | None, into: str | None) -> None:
        """Do it, two seconds long, and press as people do."""
        bench, rng = self.bench, self._rng
        if kind is ActionKind.UNPLUG and rng.random() < 0.05:
            self._slip()
        if kind in POWER_KINDS:  # nobody needs to press: the traffic shows it
            self._act(kind, part, into)
            n_before = len(bench.view.actions)
            end_s = bench.t_s + 10.0
            while bench.t_s < end_s and len(bench.view.actions) == n_before:
                self._watch(bench.tick_s)
            if len(bench.view.actions) == n_before:
                self._press("space")
                self._press("y")
            return
        when_s = float(rng.choice(_WHEN_S))
        if when_s < 0.0:
            self._press("space")
            self._watch(-when_s)
            self._act(kind, part, into)
            self._watch(2.0)
        else:
            self._act(kind, part, into)
            self._watch(max(when_s, bench.tick_s))
            self._press("space")
        if kind in (ActionKind.REPLACE, ActionKind.SWAP):
            self._press("y")
        if rng.random() < 0.1:
            self._watch(0.25)
            self._press("space")  # a thumb that slips

    def _slip(self) -> None:
        """Press the wrong thing, and take it back."""
        self._press("m")
        self._watch(1.0)
        self._press("z")

    def _act(self, kind: ActionKind, part: str | None, into: str | None) -> None:
        self._acts += 1
        self.bench.bus.do(kind, part, into)

    def _press(self, key: str) -> None:
        self._presses += 1
        self.bench.key(key)

    def _watch(self, seconds: float) -> None:
        """Let time pass, and look at what the screen says all the while."""
        bench = self.bench
        end_s = bench.t_s + seconds
        faulty = {fault.part for fault in self.faults}
        while bench.t_s < end_s - 1e-9:
            bench.run(min(bench.tick_s, end_s - bench.t_s))
            named = {one.part for one in bench.view.suspects if one.probability >= NAMED_FROM} - {ELSEWHERE}
            for part in named & faulty:
                self._named.setdefault(part, bench.t_s)
            self._accused |= bool(named - faulty)
            self._hold_against_the_machine()

    def _hold_against_the_machine(self) -> None:
        """Note for how long the screen has been saying what is not so; without the lead nobody can know."""
        bench, view = self.bench, self.bench.view
        said: list[str] = []
        for row in view.controllers if bench.world.lead_in else ():
            sends = bench.world.healthy(row.name)
            if sends and (row.expected_off or row.state in _AWAY):
                said.append(f"{row.name} sends, and is said to be {row.state}")
            elif not sends and not row.expected_off and row.state in _THERE and view.silence is None:
                said.append(f"{row.name} is silent, and is said to be {row.state}")
        following = view.next
        steps = () if following is None else following.test.steps[following.step : following.step + 1]
        hands = [step for step in steps if step.action in _MOVES and bench.world.powered]
        said += [f"hands in a live machine: {step.action} {step.part}" for step in hands]
        self._apart_now_s = {one: self._apart_now_s.get(one, 0.0) + bench.tick_s for one in said}
        for one, lasted_s in self._apart_now_s.items():
            if lasted_s > self._apart_s:
                self._apart_s, self._apart = lasted_s, one
        self._live |= bool(hands) and max(self._apart_now_s.values()) > MOST_APART_S


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHand:
    """How a job without the tool went, up to where a branch is believed to be at fault."""

    right: bool
    """The branch that was left out has a faulty part in it; which part of it is, this does not tell."""
    seconds: float


def one_at_a_time(faults: Sequence[Fault], seed: int, *, sure: bool) -> ByHand | None:
    """Unplug every branch and put them back one by one, as fast as the robot works; None: there is nothing to find.

    As restoring one at a time does: all out with the power off, then each back, with a dwell of ten seconds.

    Parameters
    ----------
    sure : each dwell is as long as the fault needs to show with 95 %, which nobody knows who works so
    """
    if not faults:
        return None
    machine = rear_of_sweeper().machine
    rng = np.random.default_rng(seed)
    world = World(machine, faults, rng, boot_s=1.5)
    technician = Technician(world, rng, start_ns=0, hand_s=_ACT_S)
    technician.watch_until_lost("hopper", 600.0)
    slowest_hz = min(fault.rate_hz for fault in faults)
    dwell_s = max(_DWELL_S, -math.log(0.05) / slowest_hz) if sure else _DWELL_S
    left = technician.restore_one_at_a_time("hopper", ("harness-A", "harness-B"), dwell_s=dwell_s)
    branches = {machine.parts[f.part].owner if f.part in machine.parts else None for f in faults}
    right = left is not None and left in {fault.part for fault in faults} | branches
    return ByHand(right=right, seconds=technician.world.now_s)
