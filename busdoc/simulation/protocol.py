"""What open protocols add to the streams: claims, boot-ups, heartbeats, fault codes, error frames.

Layouts: SAE J1939-81 (claims), J1939-73 5.7.1 (DM1), J1939-21 5.10 (transport), CiA 301 (boot-up, heartbeat, EMCY),
Linux header `can/error.h` (error frames).
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.arrays import Float64Array, Int64Array, UInt8Array
from busdoc.simulation.stream import Stream
from busdoc.simulation.timeline import Stint
from busdoc.simulation.traffic import LooseFrame

__all__ = ["CodeSpan", "boot_ups", "claims", "dm1_frames", "emcy_frames", "error_burst", "heartbeat"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeSpan:
    """A fault code that a controller has, from when to when."""

    controller: str
    raised_s: float
    cleared_s: float | None
    spn: int | None = None
    fmi: int | None = None
    emcy: int | None = None
    count: int = 1
    """Its own occurrence count, 1 … 126."""


def claims(stints: Iterable[Stint], controller: str, address: int, can_name: int, channel: int) -> list[LooseFrame]:
    """Claim the address at every start (J1939-81: PGN 60928, global, the NAME least significant byte first)."""
    return [
        LooseFrame(
            time_s=stint.start_s + 0.0005,
            id=0x18EEFF00 | address,
            data=can_name.to_bytes(8, "little"),
            channel=channel,
            controller=controller,
        )
        for stint in stints
        if stint.fresh
    ]


def boot_ups(stints: Iterable[Stint], controller: str, node_id: int, channel: int) -> list[LooseFrame]:
    """Say boot-up at every start (CiA 301: one zero byte on the error control identifier)."""
    return [
        LooseFrame(
            time_s=stint.start_s + 0.0005,
            id=0x700 + node_id,
            data=b"\x00",
            extended=False,
            channel=channel,
            controller=controller,
        )
        for stint in stints
        if stint.fresh
    ]


def heartbeat(controller: str, node_id: int, period_s: float, channel: int, starts_s: Sequence[float]) -> Stream:
    """Give a node's heartbeat: pre-operational (127) for half a second after each start, then operational (5)."""
    starts = np.asarray(sorted(starts_s), np.float64)

    def content(times_s: Float64Array, numbers: Int64Array) -> UInt8Array:
        data = np.zeros((len(times_s), 8), np.uint8)
        since = np.full(len(times_s), math.inf)
        if len(starts):
            latest = np.searchsorted(starts, times_s, side="right") - 1
            since = np.where(latest >= 0, times_s - starts[np.maximum(latest, 0)], math.inf)
        data[:, 0] = np.where(since < 0.5, 127, 5)
        return data

    return Stream(
        controller=controller,
        id=0x700 + node_id,
        extended=False,
        period_s=period_s,
        channel=channel,
        length=1,
        content=content,
        delay_s=period_s,
    )


def dm1_frames(
    codes: Sequence[CodeSpan],
    controller: str,
    address: int,
    channel: int,
    *,
    from_s: float,
    until_s: float,
    phase_s: float,
    only_active: bool,
) -> list[LooseFrame]:
    """Broadcast the active codes each second and on every change (J1939-73 5.7.1).

    Parameters
    ----------
    phase_s : of the once-a-second broadcast
    only_active : nothing is sent while no code is active, but the clearing is announced once (the older text);
        else the empty form each second
    """
    own = [code for code in codes if code.controller == controller and code.spn is not None]
    changes = {code.raised_s for code in own} | {code.cleared_s for code in own if code.cleared_s is not None}
    changes = {change for change in changes if from_s <= change < until_s}
    beats = [phase_s + k for k in range(max(0, math.ceil(from_s - phase_s)), math.ceil(until_s - phase_s))]
    frames: list[LooseFrame] = []
    last_s = free_s = -math.inf
    for due_s in sorted([*beats, *changes]):
        # One transport session of a sender at a time (J1939-21 5.10), so a change waits for the end of the last one.
        moment = max(due_s + 0.001 if due_s in changes else due_s, free_s)
        if due_s not in changes and moment - last_s < 0.4:
            continue
        active = [c for c in own if c.raised_s <= moment and (c.cleared_s is None or moment < c.cleared_s)]
        if not active and only_active and due_s not in changes:
            continue
        sent = _dm1(active, controller, address, channel, moment)
        frames += sent
        last_s, free_s = moment, sent[-1].time_s + 0.05
    return frames


def _dm1(active: Sequence[CodeSpan], controller: str, address: int, channel: int, moment: float) -> list[LooseFrame]:
    if not active:
        data = bytes.fromhex("00FF00000000FFFF")
        return [_frame(moment, 0x18FECA00 | address, data, controller, channel)]
    payload = b"\x04\xff" + b"".join(_code_bytes(code) for code in active)
    if len(payload) <= 8:
        return [_frame(moment, 0x18FECA00 | address, payload.ljust(8, b"\xff"), controller, channel)]
    packets = [payload[k : k + 7].ljust(7, b"\xff") for k in range(0, len(payload), 7)]
    announce = bytes([32, len(payload) & 0xFF, len(payload) >> 8, len(packets), 0xFF, 0xCA, 0xFE, 0x00])
    spacing_s = min(0.05, 0.8 / len(packets))  # 50 ms, and no slower than what still fits into the second
    return [_frame(moment, 0x1CECFF00 | address, announce, controller, channel)] + [
        _frame(moment + spacing_s * (k + 1), 0x1CEBFF00 | address, bytes([k + 1]) + packet, controller, channel)
        for k, packet in enumerate(packets)
    ]


def _code_bytes(code: CodeSpan) -> bytes:
    """Pack SPN (19 bits), FMI (5), conversion method 0 and count (7), version 4 of the layout."""
    spn, fmi = code.spn or 0, code.fmi or 0
    return bytes([spn & 0xFF, (spn >> 8) & 0xFF, ((spn >> 16) & 0x07) << 5 | (fmi & 0x1F), code.count & 0x7F])


def _frame(time_s: float, identifier: int, data: bytes, controller: str, channel: int) -> LooseFrame:
    return LooseFrame(time_s=time_s, id=identifier, data=data, controller=controller, channel=channel)


def emcy_frames(codes: Sequence[CodeSpan], controller: str, node_id: int, channel: int) -> list[LooseFrame]:
    """Say each code once when it is raised, and error reset when the last one is cleared (CiA 301)."""
    own = sorted((c for c in codes if c.controller == controller and c.emcy is not None), key=lambda c: c.raised_s)
    frames: list[LooseFrame] = []
    for code in own:
        emcy = code.emcy or 0
        register = 0x11 if emcy >> 8 == 0x81 else 0x05 if emcy >> 12 == 0x3 else 0x01
        frames.append(_emcy(code.raised_s, emcy, register, controller, node_id, channel))
        if code.cleared_s is not None:
            others = [o for o in own if o is not code and o.raised_s <= code.cleared_s]
            if all(o.cleared_s is not None and o.cleared_s <= code.cleared_s for o in others):
                frames.append(_emcy(code.cleared_s, 0, 0, controller, node_id, channel))
    return frames


def _emcy(time_s: float, emcy: int, register: int, controller: str, node_id: int, channel: int) -> LooseFrame:
    data = emcy.to_bytes(2, "little") + bytes([register, 0, 0, 0, 0, 0])
    return LooseFrame(
        time_s=time_s, id=0x080 + node_id, data=data, extended=False, controller=controller, channel=channel
    )


def error_burst(rng: np.random.Generator, at_s: float, n: int, channel: int, width_s: float = 0.05) -> list[LooseFrame]:
    """Scatter error frames about a moment: protocol violations, form or stuff, as a loose contact gives them."""
    times = np.sort(rng.normal(at_s, width_s, n))
    return [
        LooseFrame(
            time_s=float(t),
            id=0x0008,
            data=bytes([0, 0, int(rng.choice((0x02, 0x04))), 0, 0, 0, 0, 0]),
            channel=channel,
            error=True,
        )
        for t in times
        if t >= 0.0
    ]
