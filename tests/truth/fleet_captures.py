"""Captures of a fleet of simple machines, frame by frame, with every dropout known.

Nothing here is drawn by the project's own simulator: each controller sends three streams on a clock of its own, and in
a dropout it is silent for a while and then starts anew with an address claim and its counters at zero, or goes on as if
nothing had been, unheard meanwhile.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

__all__ = ["KINDS", "Drop", "Kind", "capture_text", "map_text", "write_capture"]

_START_S = 1_781_000_000
_PERIODS_S = (0.1, 0.5, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of machine."""

    name: str
    controllers: Mapping[str, tuple[int, str, str]]
    """Name -> (source address, feed, segment)."""

    def below(self, part: str) -> tuple[str, ...]:
        """Name the controllers that a feed supplies or that sit on a segment; a controller is itself."""
        if part in self.controllers:
            return (part,)
        return tuple(name for name, (_, *hangs_on) in self.controllers.items() if part in hangs_on)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """One true dropout."""

    at_s: float
    controllers: tuple[str, ...]
    holds_s: float = 4.0
    restarts: bool = True


KINDS = (
    Kind(
        name="Street sweeper",
        controllers={
            "engine": (0x00, "fuse-1", "front-trunk"),
            "display": (0x26, "fuse-1", "front-trunk"),
            "broom": (0x32, "fuse-2", "front-trunk"),
            "water": (0x33, "fuse-2", "rear-trunk"),
            "hopper": (0x31, "fuse-3", "rear-trunk"),
        },
    ),
    Kind(
        name="Straddle carrier",
        controllers={
            "master": (0x11, "fuse-1", "cab-trunk"),
            "cabin": (0x12, "fuse-1", "cab-trunk"),
            "drive": (0x21, "fuse-2", "portal-trunk"),
            "hoist": (0x23, "fuse-2", "portal-trunk"),
            "spreader": (0x24, "fuse-3", "portal-trunk"),
        },
    ),
)


def map_text(kind: Kind) -> str:
    """Write the machine map."""
    parts = ['[machine]\nname = "' + kind.name + '"\n', "[[bus]]\nchannel = 0\nbitrate = 250000\n"]
    feeds = dict.fromkeys(feed for _, feed, _ in kind.controllers.values())
    segments = dict.fromkeys(segment for _, _, segment in kind.controllers.values())
    parts.append('[[part]]\nname = "battery"\nkind = "feed"\n')
    parts += [f'[[part]]\nname = "{feed}"\nkind = "feed"\ninto = "battery"\n' for feed in feeds]
    inner = ""
    for segment in segments:
        parts.append(f'[[part]]\nname = "{segment}"\nkind = "segment"\n{inner}')
        inner = f'into = "{segment}"\n'
    parts += [
        f'[[controller]]\nname = "{name}"\ninto = "{feed}"\non = "{segment}"\naddress = {address}\n'
        for name, (address, feed, segment) in kind.controllers.items()
    ]
    return "\n".join(parts)


def capture_text(kind: Kind, length_s: float, drops: Sequence[Drop], *, seed: int, start_s: float = 0.0) -> str:
    """Write what a recorder would have, a line for each frame.

    Parameters
    ----------
    start_s : since the day on which the fleet's time begins
    """
    rng = np.random.default_rng([seed, 23])
    lines: list[tuple[float, int, str]] = []
    for name, (address, _, _) in kind.controllers.items():
        own = [drop for drop in drops if name in drop.controllers]
        for number, period_s in enumerate(_PERIODS_S):
            phase_s, drift = float(rng.uniform(0.0, period_s)), 1.0 + float(rng.normal(0.0, 3e-5))
            id_ = 0x18FF0000 | (0x10 + number) << 8 | address
            n = int(length_s / period_s) + 1
            t_s = (phase_s + period_s * np.arange(n)) * drift + rng.normal(0.0, 2e-4, n)
            counter = np.arange(n)
            for drop in own:
                away = (t_s >= drop.at_s) & (t_s < drop.at_s + drop.holds_s)
                if drop.restarts:
                    after = t_s >= drop.at_s + drop.holds_s
                    shift_s = float(rng.uniform(0.0, period_s))
                    t_s = np.where(after, t_s + shift_s, t_s)
                    counter = np.where(after, np.cumsum(after) - 1, counter)
                t_s, counter = t_s[~away], counter[~away]
            value = int(rng.integers(256))
            lines += [
                (t, id_, f"{id_:08X}#{c % 16:02X}{value:02X}FFFFFFFFFFFF")
                for t, c in zip(t_s.tolist(), counter.tolist(), strict=True)
                if 0.0 <= t < length_s
            ]
        claim = 0x18EEFF00 | address
        lines += [
            (drop.at_s + drop.holds_s - 0.01, claim, f"{claim:08X}#{address:02X}000000000000A0")
            for drop in own
            if drop.restarts and drop.at_s + drop.holds_s < length_s
        ]
    lines.sort()
    zero_s = _START_S + start_s
    return "".join(f"({zero_s + t:.6f}) can0 {frame}\n" for t, _, frame in lines)


def write_capture(
    path: Path, kind: Kind, length_s: float, drops: Sequence[Drop], *, seed: int, start_s: float = 0.0
) -> Path:
    """Write a capture, and the map beside it where there is none."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(capture_text(kind, length_s, drops, seed=seed, start_s=start_s), encoding="ascii", newline="\n")
    machine = path.parent / "machine.toml"
    if not machine.exists():
        machine.write_text(map_text(kind), encoding="utf-8", newline="\n")
    return path
