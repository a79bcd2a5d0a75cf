"""From a world that has been lived through to the run that a recorder would have made of it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from busdoc.capture.frames import FrameBlock
from busdoc.machine.machine import Bus
from busdoc.simulation.protocol import CodeSpan, boot_ups, claims, dm1_frames, emcy_frames, error_burst
from busdoc.simulation.run import Run, Truth, find_power_ups, find_silences, frame_times, periods_ns
from busdoc.simulation.stream import Stream
from busdoc.simulation.technician import Technician
from busdoc.simulation.timeline import Absence, Stint, absences, stints
from busdoc.simulation.traffic import LooseFrame, Traffic
from busdoc.simulation.world import World
from busdoc.times import SECOND_NS

__all__ = ["FaultSign", "Recording", "Unit", "heard_of"]


def heard_of(block: FrameBlock, deaf: Sequence[tuple[float, float]], start_ns: int) -> FrameBlock:
    """Give the frames of a block that were heard.

    Parameters
    ----------
    deaf : (from, to) in seconds since `start_ns`, in which nothing was
    """
    if not deaf:
        return block
    t_s = (block.t_ns - start_ns) / SECOND_NS
    missed = np.zeros(len(block), np.bool_)
    for from_s, to_s in deaf:
        missed |= (t_s >= from_s) & (t_s < to_s)
    return block.take(np.flatnonzero(~missed))


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """How a controller appears on its bus, beyond its streams."""

    address: int | None = None
    can_name: int | None = None
    """None with an address: made from the address."""
    node_id: int | None = None
    channel: int = 0
    dm1: str = "none"
    """``none``, ``active`` (only while a code is) or ``always`` (the empty form each second too)."""
    emcy: bool = False
    drift_ppm: float | None = None
    exchanged: tuple[float, int] | None = None
    """(s, NAME): from then on another unit sits in its place."""
    moved: tuple[float, int] | None = None
    """(s, address): from then on it claims another address; its streams are the caller's to move."""

    def claim_at(self, time_s: float) -> tuple[int, int]:
        """Give (address, NAME) of a claim at a moment; the NAME is made up from the address where none is given."""
        address = self.address if self.address is not None else 254
        can_name = 0xA000_0000_0000_0001 | address << 40 if self.can_name is None else self.can_name
        if self.moved is not None and time_s >= self.moved[0]:
            address = self.moved[1]
        if self.exchanged is not None and time_s >= self.exchanged[0]:
            can_name = self.exchanged[1]
        return address, can_name


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultSign:
    """What a fault tells of itself beside the silence."""

    spn: int | None = None
    fmi: int | None = None
    emcy: int | None = None
    lead_s: float = 0.6
    """How long before the silence the code is raised, where the controller was up that long."""
    errors: int = 0
    """Error frames about the moment of each loss and return."""
    sag_v: float = 0.0
    """How far the supply voltage has dropped when the controllers go."""


@dataclass(slots=True)
class Recording:
    """Turns a world's events into frames and truth.

    `world` must have run to `until_s`. Streams whose content depends on what happens (`busdoc.simulation.content`) are
    given after the world has run.
    """

    world: World
    units: Mapping[str, Unit]
    rng: np.random.Generator
    until_s: float
    technician: Technician | None = None
    start_ns: int = 0
    signs: Mapping[str, FaultSign] = field(default_factory=dict)
    """Faulty part -> its signs."""
    up_at_start: bool = True
    extra_codes: Sequence[CodeSpan] = ()
    background_errors_hz: float = 0.0
    watchers: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Controller -> those that it misses by a code (SPN 2000 + source address, FMI 9) a second after they fall."""

    absences: tuple[Absence, ...] = field(init=False)
    timelines: dict[str, tuple[Stint, ...]] = field(init=False)
    codes: tuple[CodeSpan, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.absences = absences(self.world.events, self.until_s)
        self.timelines = {
            name: stints(self.world.events, name, up_at_start=self.up_at_start, until_s=self.until_s)
            for name in self.world.machine.controllers
        }
        self.codes = (*self._fault_codes(), *self._complaint_codes(), *self._missing_codes(), *self.extra_codes)

    def troubles(self, controller: str) -> list[tuple[float, float]]:
        """Give (sign, silence) in seconds for each time that a fault took a controller away."""
        complained = [
            (one.from_s, self.until_s if one.to_s is None else one.to_s)
            for one in self.world.showings
            if one.controller == controller
        ]
        return [*self._taken(controller), *complained]

    def _taken(self, controller: str) -> list[tuple[float, float]]:
        found = []
        for absence in self.absences:
            if absence.controller == controller and absence.cause.startswith("fault:"):
                sign = self.signs.get(absence.cause.removeprefix("fault:"), FaultSign())
                found.append((self._raised_s(absence, sign), absence.lost_s))
        return found

    def falls_s(self, controller: str) -> list[float]:
        """Give when a fault took a controller away."""
        return [lost_s for _, lost_s in self._taken(controller)]

    def attempts_s(self, controller: str) -> list[float]:
        """Give when a controller was taken away, or began to complain, by a fault: each time it tries again."""
        return sorted(
            [*self.falls_s(controller), *[one.from_s for one in self.world.showings if one.controller == controller]]
        )

    def drops(self) -> list[tuple[float, float, float]]:
        """Give (from, to, volts) for each time that a supply is held low while its controller complains."""
        return [
            (one.from_s, self.until_s if one.to_s is None else one.to_s, sign.sag_v)
            for one in self.world.showings
            if (sign := self.signs.get(one.part)) is not None and sign.sag_v > 0.0
        ]

    def sags(self) -> list[tuple[float, float, float]]:
        """Give (from, to, volts) for each sag of the supply."""
        found = {
            (absence.lost_s - sign.lead_s, absence.lost_s, sign.sag_v)
            for absence in self.absences
            if (sign := self.signs.get(absence.cause.removeprefix("fault:"))) is not None and sign.sag_v > 0.0
        }
        return sorted(found)

    def blocks(self, streams: Sequence[Stream], chunk_s: float = 600.0) -> Iterator[FrameBlock]:
        """Yield the capture, chunk by chunk."""
        buses: Sequence[Bus] = self.world.machine.buses
        traffic = Traffic(
            streams,
            self.timelines,
            self._loose(),
            self.rng,
            until_s=self.until_s,
            start_ns=self.start_ns,
            bitrate={b.channel: b.bitrate for b in buses if isinstance(b.channel, int) and b.bitrate is not None},
            drift_ppm={name: unit.drift_ppm for name, unit in self.units.items() if unit.drift_ppm is not None},
        )
        return (block for block in map(self._heard, traffic.blocks(chunk_s)) if len(block))

    def _heard(self, block: FrameBlock) -> FrameBlock:
        """Leave out what was sent while the laptop's own lead was out."""
        return heard_of(block, self.world.deaf, self.start_ns)

    def run(self, streams: Sequence[Stream], channels: Mapping[int, str] | None = None) -> Run:
        """Give the whole capture at once, with its truth."""
        blocks = tuple(self.blocks(streams))
        numbers = {name: (unit.address, unit.node_id) for name, unit in self.units.items()}
        moved = {name: unit.moved[1] for name, unit in self.units.items() if unit.moved is not None}
        times = frame_times(blocks, streams, numbers, moved)
        for name in self.world.machine.controllers:
            times.setdefault(name, np.empty(0, np.int64))
        technician = self.technician
        acts = range(1, self.world.n_acts + 1)
        pressed = {act: technician.journal_number(act) for act in acts} if technician is not None else {}
        journal = {act: n for act, n in pressed.items() if n is not None}
        periods = periods_ns(streams)
        truth = Truth(
            faulty=tuple(fault.part for fault in self.world.faults),
            silences=find_silences(self.absences, times, self.start_ns, journal, self.world.by_chance),
            power_ups=find_power_ups(self.world.power_ups, times, self.start_ns),
            codes=self.codes,
            slowest_ns={name: slowest for name, (_, slowest) in periods.items()},
            fastest_ns={name: fastest for name, (fastest, _) in periods.items()},
        )
        return Run(
            machine=self.world.machine,
            start_ns=self.start_ns,
            until_ns=self.start_ns + round(self.until_s * SECOND_NS),
            blocks=blocks,
            actions=technician.actions if technician is not None else (),
            truth=truth,
            streams=tuple(streams),
            channels=channels,
        )

    def _raised_s(self, absence: Absence, sign: FaultSign) -> float:
        """Put the code before the silence, and not before the controller could say it."""
        heard = [f for s in self.timelines[absence.controller] for f, t in s.heard if f <= absence.lost_s <= t]
        earliest_s = (max(heard) if heard else absence.lost_s) + 0.01
        return min(max(absence.lost_s - sign.lead_s, earliest_s), absence.lost_s)

    def _fault_codes(self) -> Iterator[CodeSpan]:
        counts: dict[tuple[str, int | None, int | None], int] = {}
        for absence in self.absences:
            sign = self.signs.get(absence.cause.removeprefix("fault:"))
            if sign is None or (sign.spn is None and sign.emcy is None):
                continue
            key = (absence.controller, sign.spn, sign.emcy)
            counts[key] = counts.get(key, 0) + 1
            yield CodeSpan(
                controller=absence.controller,
                raised_s=self._raised_s(absence, sign),
                cleared_s=absence.back_s,
                spn=sign.spn,
                fmi=sign.fmi,
                emcy=sign.emcy,
                count=min(counts[key], 126),
            )

    def _complaint_codes(self) -> Iterator[CodeSpan]:
        """What controllers that ran on said of the faults."""
        counts: dict[tuple[str, int | None, int | None, int | None], int] = {}
        for one in self.world.showings:
            sign = self.signs.get(one.part)
            if sign is None or (sign.spn is None and sign.emcy is None):
                continue
            key = (one.controller, sign.spn, sign.fmi, sign.emcy)
            counts[key] = counts.get(key, 0) + 1
            yield CodeSpan(
                controller=one.controller,
                raised_s=one.from_s,
                cleared_s=one.to_s,
                spn=sign.spn,
                fmi=sign.fmi,
                emcy=sign.emcy,
                count=min(counts[key], 126),
            )

    def _missing_codes(self) -> Iterator[CodeSpan]:
        for watcher, missed in self.watchers.items():
            for absence in self.absences:
                address = self.units[absence.controller].address if absence.controller in self.units else None
                raised_s = absence.lost_s + 1.0
                if absence.controller not in missed or address is None:
                    continue
                up_until = [t for s in self.timelines[watcher] for f, t in s.heard if f + 2.0 <= raised_s < t]
                if not up_until or (absence.back_s is not None and absence.back_s <= raised_s):
                    continue
                ends = [up_until[0]] if absence.back_s is None else [up_until[0], absence.back_s + 0.2]
                yield CodeSpan(
                    controller=watcher,
                    raised_s=raised_s,
                    cleared_s=min(ends) if min(ends) < self.until_s else None,
                    spn=2000 + address,
                    fmi=9,
                )

    def _loose(self) -> list[LooseFrame]:
        frames: list[LooseFrame] = []
        for name, unit in self.units.items():
            of_unit = self.timelines[name]
            if unit.address is not None:
                for stint in of_unit:
                    frames += claims([stint], name, *unit.claim_at(stint.start_s), unit.channel)
                frames += self._dm1(name, unit)
            if unit.node_id is not None:
                frames += boot_ups(of_unit, name, unit.node_id, unit.channel)
                if unit.emcy:
                    frames += emcy_frames(self.codes, name, unit.node_id, unit.channel)
        channel = min((unit.channel for unit in self.units.values()), default=0)
        for absence in self.absences:
            sign = self.signs.get(absence.cause.removeprefix("fault:"))
            if sign is not None and sign.errors:
                frames += error_burst(self.rng, absence.lost_s, sign.errors, channel)
                if absence.back_s is not None:
                    frames += error_burst(self.rng, absence.back_s, sign.errors, channel)
        n_errors = int(self.rng.poisson(self.background_errors_hz * self.until_s))
        for at_s in self.rng.uniform(0.0, self.until_s, n_errors):
            frames += error_burst(self.rng, float(at_s), 1, channel)
        return frames

    def _dm1(self, name: str, unit: Unit) -> list[LooseFrame]:
        if unit.dm1 == "none" or unit.address is None:
            return []
        frames: list[LooseFrame] = []
        for stint in self.timelines[name]:
            frames += dm1_frames(
                self.codes,
                name,
                unit.claim_at(stint.start_s)[0],
                unit.channel,
                from_s=stint.start_s,
                until_s=stint.end_s,
                phase_s=stint.start_s + float(self.rng.uniform(0.3, 1.0)),
                only_active=unit.dm1 == "active",
            )
        return frames
