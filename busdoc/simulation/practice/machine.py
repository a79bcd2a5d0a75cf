"""A machine in software that is lived with: it takes what is done to it, and gives its frames as time goes on.

The same world, traffic and signs as those of a scenario that is simulated whole; only that nobody knows yet what will
be done. What depends on what happened is therefore worked out anew whenever something did.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from busdoc.actions.action import Action, ActionKind
from busdoc.capture.frames import FrameBlock
from busdoc.simulation.protocol import CodeSpan, boot_ups, claims, dm1_frames, emcy_frames, error_burst
from busdoc.simulation.recording import FaultSign, Recording, heard_of
from busdoc.simulation.scenario.scenario import Scenario, plan_events, recording_of, streams_of, world_of
from busdoc.simulation.traffic import LooseFrame, Traffic

__all__ = ["PracticeMachine"]

_FOREVER_S = 1e9
_DM1_LOOKS_BACK_S = 3.0
"""What a broadcast of codes depends on lies no further back: the last one, a second or so ago."""
_INVERSE = {
    ActionKind.UNPLUG: ActionKind.PLUG,
    ActionKind.PLUG: ActionKind.UNPLUG,
    ActionKind.POWER_OFF: ActionKind.POWER_ON,
    ActionKind.POWER_ON: ActionKind.POWER_OFF,
    ActionKind.SWAP: ActionKind.SWAP,
}
"""What puts a thing back that was done by mistake; what is missing here leaves no trace, or cannot be put back."""


class PracticeMachine:
    """A scenario's machine, as far as it has been lived with.

    Parameters
    ----------
    scenario : its machine, faults and events; the steps are left to whoever works on it
    seed : decides what is left to chance; None: the scenario's own
    """

    def __init__(self, scenario: Scenario, seed: int | None = None) -> None:
        self.scenario = scenario
        self._rng = np.random.default_rng(scenario.seed if seed is None else seed)
        self.world = world_of(scenario, self._rng, with_signs=True)
        plan_events(scenario, self.world)
        self._phase_s: dict[tuple[str, float], float] = {}
        """(controller, start of its stint) -> of its broadcast of codes."""
        self._told_breaks: set[tuple[str, float]] = set()
        """(controller, s) of the losses and returns that had their error frames."""
        self._known: object = None
        self._recording = self._recorded()
        self._traffic = Traffic(
            streams_of(scenario, self._recording, self._rng),
            self._recording.timelines,
            (),
            self._rng,
            until_s=_FOREVER_S,
            start_ns=scenario.start_ns,
            bitrate={
                bus.channel: bus.bitrate
                for bus in scenario.machine.buses
                if isinstance(bus.channel, int) and bus.bitrate is not None
            },
            drift_ppm={unit.controller: unit.drift_ppm for unit in scenario.units if unit.drift_ppm is not None},
        )
        self._given_s = 0.0

    @property
    def now_s(self) -> float:
        """How long it has been lived with."""
        return self.world.now_s

    def advance_to(self, to_s: float) -> None:
        """Let time pass up to a moment; one that has passed already changes nothing."""
        if to_s > self.world.now_s:
            self.world.advance(to_s - self.world.now_s)

    def do(self, kind: ActionKind, part: str | None = None, into: str | None = None) -> None:
        """Do something to it, now; what it has no such part for is done to nothing."""
        known = (part is None or part in self.scenario.machine) and (into is None or self._is_place(into))
        if known:
            self.world.act(kind, part, into)

    def put_back(self, action: Action) -> None:
        """Put back what was done by mistake, now; what was replaced stays replaced."""
        inverse = _INVERSE.get(action.kind)
        if inverse is not None:
            self.do(inverse, action.part, action.into if action.kind is ActionKind.SWAP else None)

    def frames(self) -> FrameBlock:
        """Give the frames since the last time, up to now, in the order of time."""
        to_s = self.world.now_s
        if to_s <= self._given_s:
            return FrameBlock.empty()
        known = (len(self.world.events), len(self.world.showings), tuple(self.world.omens.items()))
        changed = known != self._known
        if changed:
            self._known = known
            self._recording = self._recorded()
        streams = streams_of(self.scenario, self._recording, self._rng) if changed else self._traffic.streams
        loose = list(self._loose(self._given_s, to_s))
        self._traffic.goes_on(streams, self._recording.timelines, loose)
        block = self._traffic.until(to_s)
        self._given_s = to_s
        return heard_of(block, self.world.deaf, self.scenario.start_ns)

    def _is_place(self, into: str) -> bool:
        return into.partition(":")[0] in self.scenario.machine

    def _recorded(self) -> Recording:
        """What a recorder would make of it so far, and of nothing happening from here on."""
        return recording_of(self.scenario, self.world, self._rng, until_s=_FOREVER_S)

    def _codes(self) -> tuple[CodeSpan, ...]:
        """The codes so far: of what happened, and of what is about to."""
        return (*self._recording.codes, *self._foretold())

    def _foretold(self) -> Iterator[CodeSpan]:
        """What controllers say of a fault that will show within the moment."""
        for part, told_s in self.world.omens.items():
            sign = self.scenario.signs.get(part, FaultSign())
            if sign.spn is None and sign.emcy is None:
                continue
            for name in self.world.exposed(part):
                if not self.world.healthy(name):
                    continue
                before = sum(one.controller == name and one.spn == sign.spn for one in self._recording.codes)
                yield CodeSpan(
                    controller=name,
                    raised_s=told_s,
                    cleared_s=None,
                    spn=sign.spn,
                    fmi=sign.fmi,
                    emcy=sign.emcy,
                    count=min(before + 1, 126),
                )

    def _loose(self, from_s: float, to_s: float) -> Iterator[LooseFrame]:
        """What is sent outside the streams within a stretch."""
        codes = self._codes()
        found: list[LooseFrame] = []
        for name, unit in self._recording.units.items():
            stints = self._recording.timelines[name]
            begun = [stint for stint in stints if from_s - 1.0 <= stint.start_s < to_s]
            if unit.address is not None:
                for stint in begun:
                    found += claims([stint], name, *unit.claim_at(stint.start_s), unit.channel)
                for stint in stints if unit.dm1 != "none" else ():
                    if stint.end_s < from_s or stint.start_s >= to_s:
                        continue
                    key = (name, stint.start_s)
                    if key not in self._phase_s:
                        self._phase_s[key] = stint.start_s + float(self._rng.uniform(0.3, 1.0))
                    found += dm1_frames(
                        codes,
                        name,
                        unit.claim_at(stint.start_s)[0],
                        unit.channel,
                        from_s=max(stint.start_s, from_s - _DM1_LOOKS_BACK_S),
                        until_s=min(stint.end_s, to_s),
                        phase_s=self._phase_s[key],
                        only_active=unit.dm1 == "active",
                    )
            if unit.node_id is not None:
                found += boot_ups(begun, name, unit.node_id, unit.channel)
                if unit.emcy:
                    found += emcy_frames(codes, name, unit.node_id, unit.channel)
        channel = min((unit.channel for unit in self._recording.units.values()), default=0)
        found += self._errors(from_s, to_s, channel)
        return (frame for frame in found if from_s <= frame.time_s < to_s)

    def _errors(self, from_s: float, to_s: float, channel: int) -> Iterator[LooseFrame]:
        """Error frames about losses and returns, and those of everyday."""
        for absence in self._recording.absences:
            sign = self.scenario.signs.get(absence.cause.removeprefix("fault:"))
            if sign is None or not sign.errors:
                continue
            for at_s in (absence.lost_s, absence.back_s):
                if at_s is not None and (absence.controller, at_s) not in self._told_breaks:
                    self._told_breaks.add((absence.controller, at_s))
                    for frame in error_burst(self._rng, at_s, sign.errors, channel):
                        yield replace(frame, time_s=min(max(frame.time_s, from_s), to_s - 1e-6))
        n_errors = int(self._rng.poisson(self.scenario.background_errors_hz * (to_s - from_s)))
        for at_s in self._rng.uniform(from_s, to_s, n_errors):
            yield from error_burst(self._rng, float(at_s), 1, channel, 0.0)
