"""Changes: what is not as it was when the map's baseline was learnt.

Who is missing or new, slower or faster to return, less even in its rhythm, or another unit; and the wire that carries
more than it did.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from busdoc.capture.channels import ChannelTable
from busdoc.health.controller import ControllerHealth
from busdoc.health.summary import Health
from busdoc.machine.machine import Machine
from busdoc.machine.machine_map import bitrates
from busdoc.resync_check.records import PowerUpReturn, ReturnFault
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["Change", "ChangeKind", "changes_against", "is_new"]

_MORE_LOAD = 0.05
_MORE_ERRORS = 3.0
_LEAST_ERRORS = 10
_NOISIER = 2.0
_NOISIER_NS = 2 * MILLISECOND_NS
"""The laptop's adapter alone spreads arrivals by a millisecond or so (common practice)."""
_FEWEST_FRAMES = 64
"""From so many intervals the spread is known to a fifth: its own standard error is 0.117 of it (1.166/√(2·50))."""


class ChangeKind(StrEnum):
    """What is not as it was."""

    MISSING = "missing"
    NEW = "new"
    SLOWER = "slower"
    FASTER = "faster"
    NOISIER = "noisier"
    EXCHANGED = "exchanged"
    LOAD = "load"
    ERROR_FRAMES = "error frames"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One difference between the recording and the map."""

    kind: ChangeKind
    text: str
    """As a sentence."""
    controller: str | None = None
    channel: int | None = None


def changes_against(
    machine: Machine, channels: ChannelTable, health: Health, power_ups: Sequence[PowerUpReturn]
) -> tuple[Change, ...]:
    """Hold a recording against the map; nothing where there is none.

    Parameters
    ----------
    machine : the map
    channels : the capture's
    health : of the whole recording
    power_ups : how the controllers came back
    """
    if not machine.controllers and not machine.buses:
        return ()
    return (
        *_roll(machine, health, power_ups),
        *_returns(power_ups),
        *_rhythms(machine, health),
        *_wire(machine, channels, health),
    )


def is_new(one: ControllerHealth, machine: Machine) -> bool:
    """Tell a controller that is on no map: it has an address or node number, or something of it keeps a rhythm."""
    if not machine.controllers or one.name in machine.controllers or one.first_ns is None:
        return False
    known = one.identity.address is not None or one.identity.node_id is not None
    return known or any(stream.cyclic for stream in one.streams)


def _roll(machine: Machine, health: Health, power_ups: Sequence[PowerUpReturn]) -> Iterator[Change]:
    moved = {one.moved_to for power_up in power_ups for one in power_up.controllers} - {None}
    for one in health.controllers:
        if one.first_ns is None and one.name in machine.controllers:
            yield Change(kind=ChangeKind.MISSING, text=f"{one.name}: not heard at all.", controller=one.name)
        elif is_new(one, machine) and one.identity.address not in moved:
            text = f"{one.name}: heard, and on no map ({one.frames} frames)."
            yield Change(kind=ChangeKind.NEW, text=text, controller=one.name, channel=one.channel)


def _returns(power_ups: Sequence[PowerUpReturn]) -> Iterator[Change]:
    """Compare the ordinary return of each controller with the map's, over all power-ups that show it whole."""
    lateness: dict[str, list[tuple[int, int]]] = {}
    exchanged: dict[str, Change] = {}
    for power_up in power_ups:
        for one in power_up.controllers:
            if one.can_name is not None and one.expected_name not in (None, one.can_name):
                text = f"{one.name}: NAME 0x{one.can_name:016X}, it used to be 0x{one.expected_name:016X}."
                exchanged[one.name] = Change(kind=ChangeKind.EXCHANGED, text=text, controller=one.name)
            zero_ns = power_up.power_up.zero_ns
            if one.usual_ns is None or one.limit_ns is None:
                continue  # one or two returns say nothing of what is ordinary
            if one.steady_ns is None or zero_ns is None or one.restarts_ns or power_up.power_up.feed is not None:
                continue
            if power_up.power_up.whole and ReturnFault.LATE_STREAM not in one.faults:
                lateness.setdefault(one.name, []).append((one.took_ns(one.steady_ns, zero_ns), one.usual_ns))
    yield from exchanged.values()
    for name, returns in lateness.items():
        from statistics import median  # 5 ms, and few captures are held against a baseline

        took_ns, usual_ns = round(median(took for took, _ in returns)), returns[0][1]
        if abs(took_ns - usual_ns) <= max(SECOND_NS // 2, usual_ns // 3):
            continue
        kind = ChangeKind.SLOWER if took_ns > usual_ns else ChangeKind.FASTER
        often = "" if len(returns) == 1 else f" (median of {len(returns)} power-ups)"
        took, usual = f"{took_ns / SECOND_NS:.1f} s", f"{usual_ns / SECOND_NS:.1f} s"
        text = f"{name}: {kind}, in step after {took}{often}, it used to be {usual}."
        yield Change(kind=kind, text=text, controller=name)


def _rhythms(machine: Machine, health: Health) -> Iterator[Change]:
    """Compare the spread of each stream's intervals with the map's."""
    for one in health.controllers:
        mapped = machine.controllers.get(one.name)
        if mapped is None:
            continue
        usual = {(stream.extended, stream.id): stream.jitter_ns for stream in mapped.spec.expects}
        noisier = []
        for stream in one.streams:
            usual_ns = usual.get((stream.key.extended, stream.key.id))
            if usual_ns is None or stream.jitter_ns is None or stream.frames < _FEWEST_FRAMES:
                continue
            if stream.jitter_ns > max(_NOISIER * usual_ns, usual_ns + _NOISIER_NS):
                noisier.append((stream.jitter_ns / max(usual_ns, 1), stream, usual_ns))
        if not noisier:
            continue
        _, worst, usual_ns = max(noisier, key=lambda entry: (entry[0], -entry[1].key.id))
        more = f", and {len(noisier) - 1} more of its streams" if len(noisier) > 1 else ""
        text = (
            f"{one.name}: {worst.key} comes less evenly, its intervals spread by "
            f"{(worst.jitter_ns or 0) / 1e6:.1f} ms, it used to be {usual_ns / 1e6:.1f} ms{more}."
        )
        yield Change(kind=ChangeKind.NOISIER, text=text, controller=one.name, channel=one.channel)


def _wire(machine: Machine, channels: ChannelTable, health: Health) -> Iterator[Change]:
    """Compare load and error frames with what the map says is usual."""
    known = bitrates(machine, channels)
    for bus in machine.buses:
        channel = channels.find(bus.channel)
        wire = next((one for one in health.wire if one.channel == channel), None)
        if channel not in known or wire is None or not len(wire.second_ns):
            continue
        name = channels.name(channel) if channel is not None else str(bus.channel)
        if bus.usual_load is not None and wire.mean_load is not None and wire.mean_load > bus.usual_load + _MORE_LOAD:
            text = f"{name}: the load is {100 * wire.mean_load:.0f} %, it used to be {100 * bus.usual_load:.0f} %."
            yield Change(kind=ChangeKind.LOAD, text=text, channel=channel)
        if bus.usual_errors_per_min is None:
            continue
        n_errors = int(wire.error_frames.sum())
        minutes = max(health.until_ns - health.start_ns, 1) / 60e9
        usual = bus.usual_errors_per_min * minutes
        if n_errors >= _LEAST_ERRORS and n_errors > _MORE_ERRORS * usual:
            rate, used = n_errors / minutes, bus.usual_errors_per_min
            text = f"{name}: {rate:.1f} error frames a minute, it used to be {used:.1f}."
            yield Change(kind=ChangeKind.ERROR_FRAMES, text=text, channel=channel)
