"""Machines by chance on which one controller resets itself over and over, frame by frame, with every restart known.

A shorted branch pulls its controller down: it starts, speaks for 0.08 to 2 s, and goes down again for 0.5 to 8 s, as
long as the branch is in. Nothing here is drawn by the project's own simulator: other laws for the times up and down,
streams that begin at once, one after the other or at phases of their own, and its own clock in each controller.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom
from busdoc.machine.machine import Bus, Controller, Machine, Part, PartKind

__all__ = ["Announces", "ResetMachine", "Restart", "reset_machine"]

_NS = 1_000_000_000
START_NS = 1_781_000_000 * _NS
_PERIODS_S = (0.02, 0.05, 0.1, 0.1, 0.2, 0.25, 0.5, 1.0)
_PRESS_S = 0.5
"""Mean lateness of a press."""


class Announces(StrEnum):
    """How the controllers say that they have started."""

    CLAIM = "address claim"
    FIRST_HEARTBEAT = "first heartbeat"
    BOOT_UP = "boot-up"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Restart:
    """One time that the controller was away: its last frame before, its first frame after, ns."""

    last_ns: int
    back_ns: int
    expected: bool = False
    """The power was off."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResetMachine:
    """What was recorded and written down, and what was true."""

    seed: int
    block: FrameBlock
    machine: Machine
    """The map: every controller, with or without its streams."""
    actions: tuple[Action, ...]
    name: str
    """What busdoc calls the controller that resets: its name on the map, else after its address or node."""
    ids: frozenset[int]
    """Its identifiers."""
    announces: Announces
    mapped: bool
    """The map tells names, addresses and periods; else nothing is known beforehand."""
    faulty: str | None
    """The branch that pulls it down; None: nobody did anything."""
    restarts: tuple[Restart, ...]
    from_s: float
    """Since when it resets."""
    until_ns: int


@dataclass(slots=True, kw_only=True)
class _Unit:
    """One controller: what it sends in one run from its start until it goes down."""

    number: int
    announces: Announces
    periods_s: tuple[float, ...]
    counts: bool
    begins: str
    rng: np.random.Generator
    t_s: list[float] = field(default_factory=list)
    id: list[int] = field(default_factory=list)
    data: list[int] = field(default_factory=list)
    runs_s: list[tuple[float, float]] = field(default_factory=list)
    """First and last frame of each run."""

    @property
    def ids(self) -> tuple[int, ...]:
        if self.announces is Announces.BOOT_UP:
            return tuple(base + self.number for base in (0x180, 0x280, 0x380, 0x480)[: len(self.periods_s)])
        return tuple((6 << 26) | (0xFF10 + k) << 8 | self.number for k in range(len(self.periods_s)))

    def run(self, from_s: float, to_s: float, *, starts: bool) -> None:
        """Speak from a start (or from before the record) until it goes down."""
        clock = 1.0 + self.rng.normal(0.0, 30e-6)
        stagger_s = 0.0
        n_before = len(self.t_s)
        for k, (identifier, period_s) in enumerate(zip(self.ids, self.periods_s, strict=True)):
            if not starts or self.begins == "phases":
                first_s = from_s + self.rng.uniform(0.0, period_s)
            elif self.begins == "at once":
                first_s = from_s + 0.0004 * k
            else:
                stagger_s += self.rng.uniform(0.002, 0.02)
                first_s = from_s + stagger_s
            ticks = np.arange(first_s, to_s, period_s * clock)
            late = np.abs(self.rng.normal(0.0, min(0.01 * period_s, 0.002), len(ticks)))
            for n, t in enumerate((ticks + late).tolist()):
                if t < to_s:
                    self._send(t, identifier, (n & 0xFF) if self.counts else 0x5A)
        if starts:
            self._announce(from_s, to_s)
        if len(self.t_s) > n_before:
            self.runs_s.append((min(self.t_s[n_before:]), max(self.t_s[n_before:])))

    def _announce(self, from_s: float, to_s: float) -> None:
        at_s = from_s + self.rng.uniform(0.0, 0.04)
        if at_s >= to_s:
            return
        if self.announces is Announces.CLAIM:
            self._send(at_s, (6 << 26) | 0xEEFF << 8 | self.number, 0xA0 << 56 | 0x1234 + self.number)
        elif self.announces is Announces.FIRST_HEARTBEAT:
            heartbeat = (6 << 26) | 0xF0E4 << 8 | self.number  # ISO 11783-7: 251 first, then 0 … 250, each 100 ms
            for n, t in enumerate(np.arange(at_s, to_s, 0.1).tolist()):
                self._send(t, heartbeat, 251 if n == 0 else (n - 1) % 251)
        elif self.announces is Announces.BOOT_UP:
            self._send(from_s, 0x700 + self.number, 0)  # CiA 301: boot-up, then operational once a second
            for t in np.arange(from_s + 0.5, to_s, 1.0).tolist():
                self._send(t, 0x700 + self.number, 5)

    def _send(self, t_s: float, identifier: int, data: int) -> None:
        self.t_s.append(t_s)
        self.id.append(identifier)
        self.data.append(data)


def reset_machine(seed: int, *, isolated: bool = False) -> ResetMachine:
    """Make up a machine and let one of its controllers reset itself over and over.

    Parameters
    ----------
    seed : decides everything
    isolated : a technician unplugs branches one at a time, finds the one, and plugs it in again; else nobody does
        anything
    """
    rng = np.random.default_rng([seed, 1601, isolated])
    announces = list(Announces)[seed % 3] if rng.random() < 0.9 else Announces.NOTHING
    mapped = bool(announces is Announces.NOTHING or rng.random() < 0.5)
    n_units = int(rng.integers(3, 7))
    numbers = (rng.permutation(96)[:n_units] + 0x10).tolist()
    units = [_unit(rng, number, announces) for number in numbers]
    bad = units[int(rng.integers(n_units))]
    names = {unit.number: f"unit-{k}" for k, unit in enumerate(units, start=1)}
    branches = [f"harness-{k}" for k in range(1, int(rng.integers(3, 6)))]
    faulty = str(rng.choice(branches)) if isolated else None
    from_s = 0.0 if rng.random() < 0.5 else float(rng.uniform(15.0, 45.0))
    actions, spans, power, until_s = _work(rng, branches, faulty, from_s)
    _speak(rng, units, bad, spans, power, until_s)
    block, until_ns = _block(units, until_s, extended=announces is not Announces.BOOT_UP)
    own = frozenset(bad.id)
    return ResetMachine(
        seed=seed,
        block=block,
        machine=_map(units, names, names[bad.number], branches, mapped=mapped, isolated=isolated),
        actions=actions,
        name=names[bad.number] if mapped or isolated else _unmapped(bad),
        ids=own,
        announces=announces,
        mapped=mapped,
        faulty=faulty,
        restarts=_restarts(bad.runs_s, power),
        from_s=from_s,
        until_ns=until_ns,
    )


def _unit(rng: np.random.Generator, number: int, announces: Announces) -> _Unit:
    n_streams = int(rng.integers(2, 5))
    periods = tuple(float(p) for p in rng.choice(_PERIODS_S, n_streams))
    begins = ("phases", "at once", "one after the other")[int(rng.integers(3))]
    return _Unit(
        number=number,
        announces=announces,
        periods_s=periods,
        counts=bool(rng.random() < 0.4),
        begins=begins,
        rng=np.random.default_rng(rng.integers(2**32)),
    )


def _unmapped(bad: _Unit) -> str:
    return f"node {bad.number}" if bad.announces is Announces.BOOT_UP else f"address 0x{bad.number:02X}"


def _work(
    rng: np.random.Generator, branches: Sequence[str], faulty: str | None, from_s: float
) -> tuple[tuple[Action, ...], list[tuple[float, float]], list[tuple[float, float]], float]:
    """Give what was written down, when the short was on, when the power was off, and when the record ends, s."""
    if faulty is None:
        until_s = from_s + float(rng.uniform(60.0, 150.0))
        return (), [(from_s, until_s)], [], until_s
    actions: list[Action] = []
    spans: list[tuple[float, float]] = []
    power: list[tuple[float, float]] = []
    now_s, since_s = from_s + float(rng.uniform(15.0, 30.0)), from_s

    def do(kind: ActionKind, part: str | None) -> None:
        late_s = min(float(rng.exponential(_PRESS_S)), 2.0)
        actions.append(
            Action(
                n=len(actions) + 1,
                time_ns=START_NS + round((now_s + late_s) * _NS),
                uncertainty_ns=_NS,
                kind=kind,
                part=part,
            )
        )

    # one at a time: out, watch, in again when the trouble goes on
    cycles = bool(rng.random() < 0.4)
    for branch in [str(b) for b in rng.permutation(list(branches))]:
        if cycles:
            do(ActionKind.POWER_OFF, None)
            power.append((now_s, now_s + 6.0))
            now_s += 3.0
        do(ActionKind.UNPLUG, branch)
        if branch == faulty:
            spans.append((since_s, now_s))
        if cycles:
            now_s += 3.0
            do(ActionKind.POWER_ON, None)
        now_s += float(rng.uniform(15.0, 30.0))
        if branch == faulty:
            now_s += float(rng.uniform(30.0, 60.0))
            break
        do(ActionKind.PLUG, branch)
        now_s += float(rng.uniform(5.0, 10.0))
    # the proof: in once more, and out
    do(ActionKind.PLUG, faulty)
    since_s = now_s
    now_s += float(rng.uniform(15.0, 25.0))
    do(ActionKind.UNPLUG, faulty)
    spans.append((since_s, now_s))
    now_s += float(rng.uniform(30.0, 90.0))
    return tuple(actions), spans, power, now_s


def _speak(
    rng: np.random.Generator,
    units: Sequence[_Unit],
    bad: _Unit,
    spans: Sequence[tuple[float, float]],
    power: Sequence[tuple[float, float]],
    until_s: float,
) -> None:
    for unit in units:
        if unit is not bad:
            edges = [(0.0, False), *((on_s + unit.rng.uniform(0.6, 2.0), True) for _, on_s in power)]
            ends = [*(off_s + unit.rng.uniform(0.02, 0.2) for off_s, _ in power), until_s]
            for (begin_s, starts), end_s in zip(edges, ends, strict=True):
                unit.run(begin_s, end_s, starts=starts)
    up, down = _law(rng, 0.08, 2.0), _law(rng, 0.5, 8.0)
    now_s, starts = 0.0, bool(spans[0][0] == 0.0)
    while now_s < until_s:
        shorted = next(((a, b) for a, b in spans if b > now_s), None)
        if shorted is None:
            end_s = until_s
        elif starts or shorted[0] <= now_s:
            end_s = max(now_s, shorted[0]) + up()
        else:
            end_s = shorted[0] + up()
        if shorted is not None and end_s >= shorted[1]:
            # the short went before it was pulled down: on until the next one
            later = next(((a, b) for a, b in spans if a > shorted[1]), None)
            end_s = until_s if later is None else later[0] + up()
        off = next(((a, b) for a, b in power if now_s < b and a < end_s), None)
        if off is not None:
            end_s = max(now_s, off[0] + 0.05)
        end_s = min(end_s, until_s)
        bad.run(now_s, end_s, starts=starts)
        now_s = (off[1] + bad.rng.uniform(0.6, 1.5)) if off is not None else end_s + down()
        off = next(((a, b) for a, b in power if a <= now_s < b), None)
        if off is not None:
            now_s = off[1] + bad.rng.uniform(0.6, 1.5)
        starts = True


def _law(rng: np.random.Generator, least_s: float, most_s: float) -> Callable[[], float]:
    """Give a drawer of times: always the same, even, or lognormal about a median."""
    typical_s = float(np.exp(rng.uniform(np.log(least_s * 1.1), np.log(most_s * 0.9))))
    kind = int(rng.integers(3))

    def draw() -> float:
        if kind == 0:
            return typical_s
        spread = rng.uniform(0.7, 1.4) if kind == 1 else np.exp(rng.normal(0.0, 0.3))
        return float(np.clip(typical_s * spread, least_s, most_s))

    return draw


def _block(units: Sequence[_Unit], until_s: float, *, extended: bool) -> tuple[FrameBlock, int]:
    t_s = np.concatenate([unit.t_s for unit in units])
    ids = np.concatenate([np.array(unit.id, np.uint32) for unit in units])
    data = np.concatenate([np.array(unit.data, np.uint64) for unit in units])
    order = np.argsort(t_s, kind="stable")
    order = order[t_s[order] <= until_s]
    n = len(order)
    is_control = ((ids[order] & 0x780) == 0x700) & (not extended)
    block = FrameBlock(
        t_ns=START_NS + np.round(t_s[order] * _NS).astype(np.int64),
        channel=np.zeros(n, np.uint8),
        id=ids[order],
        flags=np.full(n, int(FrameFlag.EXTENDED) if extended else 0, np.uint16),
        length=np.where(is_control, 1, 8).astype(np.uint8),
        data=data[order].view(np.uint8).reshape(-1, 8),
    )
    return block, START_NS + round(until_s * _NS)


def _restarts(runs_s: Sequence[tuple[float, float]], power: Sequence[tuple[float, float]]) -> tuple[Restart, ...]:
    """Give the gaps between the runs: what was sent is the truth, not when it was down."""
    return tuple(
        Restart(
            last_ns=START_NS + round(last_s * _NS),
            back_ns=START_NS + round(back_s * _NS),
            expected=any(a < back_s and b > last_s for a, b in power),
        )
        for (_, last_s), (back_s, _) in pairwise(runs_s)
    )


def _map(
    units: Sequence[_Unit],
    names: dict[int, str],
    bad: str,
    branches: Sequence[str],
    *,
    mapped: bool,
    isolated: bool,
) -> Machine:
    if not mapped and not isolated:
        return Machine()
    parts: dict[str, Part] = {"battery": Part(name="battery", kind=PartKind.FEED)}
    for branch in branches if isolated else ():
        parts[branch] = Part(name=branch, kind=PartKind.HARNESS, owner=bad)
    controllers = {}
    for unit in units:
        extended = unit.announces is not Announces.BOOT_UP
        spec = ControllerSpec(
            name=names[unit.number],
            identity=Identity(address=unit.number) if extended else Identity(node_id=unit.number),
            expects=tuple(
                ExpectedStream(id=i, extended=extended, period_ns=round(p * _NS), period_from=PeriodFrom.MAP)
                for i, p in zip(unit.ids, unit.periods_s, strict=True)
            )
            if mapped
            else (),
        )
        controllers[spec.name] = Controller(spec=spec, feed="battery")
    return Machine(buses=(Bus(channel=0, bitrate=250_000),), parts=parts, controllers=controllers)
