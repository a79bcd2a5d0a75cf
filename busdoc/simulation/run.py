"""A simulated capture with its truth: what was recorded, what was written down, and what really happened."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import Action
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.machine.machine import Machine
from busdoc.simulation.protocol import CodeSpan
from busdoc.simulation.stream import Beat, Stream
from busdoc.simulation.timeline import Absence
from busdoc.times import SECOND_NS

__all__ = ["PowerUp", "Run", "Silence", "Truth", "find_power_ups", "find_silences", "frame_times"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """One stretch without a controller, between two of its frames."""

    controller: str
    last_ns: int
    """Its last frame before."""
    first_ns: int | None
    """Its first frame after; None: still away at the end."""
    lost_ns: int
    """When it really left the bus."""
    cause: str
    """As `WorldEvent.cause`."""
    ran_on: str
    """``restarted``, ``kept running`` or ``still off``."""
    act: int | None
    """The thing done that it answers, in the order of doing."""
    action: int | None
    """The journal's number for it; None when nothing did it, or its press was forgotten."""
    by_chance: bool = False
    """An intermittent fault showed within seconds of being exposed: truly by chance, and nobody could tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerUp:
    """Controllers got their supply."""

    time_ns: int
    first_ns: Mapping[str, int | None]
    """Controller -> its first frame since; None: none came before it lost its supply again, or at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really happened."""

    faulty: tuple[str, ...]
    silences: tuple[Silence, ...]
    """Ascending by `lost_ns`."""
    power_ups: tuple[PowerUp, ...]
    codes: tuple[CodeSpan, ...]
    slowest_ns: Mapping[str, int]
    """Controller -> the longest period among its cyclic streams."""
    fastest_ns: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """A capture, the journal that goes with it, and the truth."""

    machine: Machine
    start_ns: int
    until_ns: int
    blocks: tuple[FrameBlock, ...]
    actions: tuple[Action, ...]
    truth: Truth
    streams: tuple[Stream, ...] = ()
    channels: Mapping[int, str] | None = None
    """Channel number -> the name that the capture gives it; None: can0, can1, …"""


def frame_times(
    blocks: Sequence[FrameBlock],
    streams: Iterable[Stream],
    numbers: Mapping[str, tuple[int | None, int | None]],
    moved: Mapping[str, int] | None = None,
) -> dict[str, "np.typing.NDArray[np.int64]"]:
    """Collect the times of every controller's frames.

    Parameters
    ----------
    blocks : the capture
    streams : whose identifiers say who sends them
    numbers : controller -> (source address, node id), for claims, codes and boot-ups
    moved : controller -> a second address that is its own

    Returns
    -------
    controller -> (n,) int64, ns, non-decreasing
    """
    owner: dict[tuple[int, bool, int], str] = {(s.channel, s.extended, s.id): s.controller for s in streams}
    channel_of = {s.controller: s.channel for s in streams}
    address_of: dict[tuple[int, int], str] = {}
    for name, (address, node_id) in numbers.items():
        channel = channel_of.get(name, 0)
        if address is not None:
            address_of[channel, address] = name
        if node_id is not None:
            owner[channel, False, 0x700 + node_id] = name
            owner[channel, False, 0x080 + node_id] = name
    for name, address in (moved or {}).items():
        address_of[channel_of.get(name, 0), address] = name
    found: dict[str, list[np.typing.NDArray[np.int64]]] = {name: [] for name in (*channel_of, *numbers)}
    for block in blocks:
        extended = (block.flags & FrameFlag.EXTENDED) != 0
        key = (
            block.channel.astype(np.int64) << 40
            | extended.astype(np.int64) << 32
            | block.id.astype(np.int64)
            | ((block.flags & FrameFlag.ERROR) != 0).astype(np.int64) << 50
        )
        keys, inverse = np.unique(key, return_inverse=True)
        for k, number in enumerate(keys.tolist()):
            channel, is_extended, identifier = number >> 40 & 0xFF, bool(number >> 32 & 1), number & 0x1FFFFFFF
            if number >> 50:
                continue
            sender = owner.get((channel, is_extended, identifier))
            if sender is None and is_extended:
                sender = address_of.get((channel, identifier & 0xFF))
            if sender is not None:
                found[sender].append(block.t_ns[inverse == k])
    return {name: np.sort(np.concatenate(times or [np.empty(0, np.int64)])) for name, times in found.items()}


def find_silences(
    absences: Sequence[Absence],
    times: Mapping[str, "np.typing.NDArray[np.int64]"],
    start_ns: int,
    journal: Mapping[int, int],
    by_chance: Collection[tuple[str, float]] = (),
) -> tuple[Silence, ...]:
    """Turn a world's absences into silences between frames; two with no frame between them are one.

    An absence without any frame before it is left out: that controller was never heard.
    """
    silences: list[Silence] = []
    latest: dict[str, int] = {}
    for absence in absences:
        t_ns = times[absence.controller]
        lost_ns = start_ns + round(absence.lost_s * SECOND_NS)
        back_ns = None if absence.back_s is None else start_ns + round(absence.back_s * SECOND_NS)
        n_before = len(t_ns) if back_ns is None else int(np.searchsorted(t_ns, back_ns))
        if not n_before:
            continue
        last_ns = int(t_ns[n_before - 1])
        first_ns = int(t_ns[n_before]) if n_before < len(t_ns) else None
        silence = Silence(
            controller=absence.controller,
            last_ns=last_ns,
            first_ns=first_ns,
            lost_ns=lost_ns,
            cause=absence.cause,
            ran_on="still off" if first_ns is None else "restarted" if absence.restarted else "kept running",
            act=absence.act,
            action=None if absence.act is None else journal.get(absence.act),
            by_chance=(absence.controller, absence.lost_s) in by_chance,
        )
        known = latest.get(absence.controller)
        if known is not None and silences[known].last_ns == last_ns:
            first = silences[known]
            ran_on = "restarted" if "restarted" in (first.ran_on, silence.ran_on) else silence.ran_on
            silences[known] = Silence(
                controller=first.controller,
                last_ns=last_ns,
                first_ns=first_ns,
                lost_ns=first.lost_ns,
                cause=first.cause,
                ran_on="still off" if first_ns is None else ran_on,
                act=first.act,
                action=first.action,
                by_chance=first.by_chance,
            )
            continue
        latest[absence.controller] = len(silences)
        silences.append(silence)
    return tuple(silences)


def find_power_ups(
    power_ups: Sequence[tuple[float, tuple[str, ...]]],
    times: Mapping[str, "np.typing.NDArray[np.int64]"],
    start_ns: int,
) -> tuple[PowerUp, ...]:
    """Find each controller's first frame after it got its supply, up to the next time that it got it."""
    found: list[PowerUp] = []
    for k, (time_s, names) in enumerate(power_ups):
        at_ns = start_ns + round(time_s * SECOND_NS)
        first_ns: dict[str, int | None] = {}
        for name in names:
            again_s = next((later for later, others in power_ups[k + 1 :] if name in others), None)
            n_before = int(np.searchsorted(times[name], at_ns))
            first = int(times[name][n_before]) if n_before < len(times[name]) else None
            late = again_s is not None and first is not None and first >= start_ns + round(again_s * SECOND_NS)
            first_ns[name] = None if late else first
        found.append(PowerUp(time_ns=at_ns, first_ns=first_ns))
    return tuple(found)


def periods_ns(streams: Iterable[Stream]) -> dict[str, tuple[int, int]]:
    """Give each controller's (fastest, slowest) period among its cyclic streams, ns."""
    periods: dict[str, list[int]] = {}
    for stream in streams:
        if stream.beat is Beat.CYCLIC:
            periods.setdefault(stream.controller, []).append(round(stream.period_s * SECOND_NS))
        elif stream.beat is Beat.ENGINE_SPEED:
            periods.setdefault(stream.controller, []).append(round(3 * stream.period_s * SECOND_NS))
    return {name: (min(of), max(of)) for name, of in periods.items()}
