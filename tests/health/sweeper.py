"""A small street sweeper for tests of power-ups: its map, and its traffic with stretches in which some of it is off."""

from dataclasses import dataclass, field

import numpy as np

from busdoc.arrays import Int64Array
from tests.health.made_traffic import MS, S, Sent

MAP = """
[machine]
name = "Street sweeper"

[[bus]]
channel = 0
bitrate = 250000

[[part]]
name = "battery"
kind = "feed"

[[part]]
name = "fuse-3"
kind = "feed"
into = "battery"
signal = "Ignition.Rear"

[[part]]
name = "fuse-4"
kind = "feed"
into = "battery"

[[controller]]
name = "engine"
into = "battery"
address = 0x00
expects = [{ frame = "0x18FF0000", period_s = 0.1, jitter_s = 0.0005 }]

[[controller]]
name = "hopper"
into = "fuse-3"
address = 0x31
expects = [{ frame = "0x18FF3131", period_s = 0.1, jitter_s = 0.0005 }]

[[controller]]
name = "broom"
into = "fuse-3"
address = 0x32
expects = [{ frame = "0x18FF3232", period_s = 0.1, jitter_s = 0.0005 }]

[[controller]]
name = "lights"
into = "fuse-4"
address = 0x40
expects = [{ frame = "0x18FF4040", period_s = 0.1, jitter_s = 0.0005 }]
"""
FRAMES = {"engine": 0x18FF0000, "hopper": 0x18FF3131, "broom": 0x18FF3232, "lights": 0x18FF4040}
EVERYBODY = tuple(FRAMES)
REAR = ("hopper", "broom")


@dataclass
class Sweeper:
    """A sweeper that runs; what was switched off comes back a little after its power."""

    until_s: float = 60.0
    spread_ms: float = 0.5
    off: list[tuple[float, float, dict[str, float]]] = field(default_factory=list)
    """(off from, power on at, seconds from power to first frame of each controller that was off)."""
    more: list[Sent] = field(default_factory=list)
    seed: int = 1

    def switch(self, off_s: float, on_s: float, who: tuple[str, ...] = EVERYBODY, **boot_s: float) -> "Sweeper":
        delays = {"engine": 0.5, "hopper": 1.5, "broom": 1.0, "lights": 0.7} | boot_s
        self.off.append((off_s, on_s, {name: delays[name] for name in who}))
        return self

    def sent(self) -> list[Sent]:
        rng = np.random.default_rng(self.seed)
        return [Sent(id=identifier, t_ns=self._times(name, rng)) for name, identifier in FRAMES.items()] + self.more

    def _times(self, name: str, rng: np.random.Generator) -> Int64Array:
        stretches, from_s = [], 0.0
        for n, (off_s, on_s, delays) in enumerate(self.off):
            if name in delays:
                stretches.append((from_s, off_s))
                from_s = on_s + delays[name] + (17 * n + 7 * len(name)) % 97 / 1000  # a start keeps no old rhythm
        stretches.append((from_s, self.until_s))
        ticks = np.concatenate(
            [[], *(np.arange(round(a * S), round(b * S), S // 10) for a, b in stretches if b > a)]
        ).astype(np.int64)
        late = np.abs(rng.normal(0.0, self.spread_ms * MS, len(ticks))).astype(np.int64)
        return np.sort(ticks + late)


def with_limits(text: str = MAP, **usual_s: float) -> str:
    """Give the map with what each controller ordinarily takes, and twice that as its limit."""
    for name, value in ({"engine": 0.1, "hopper": 1.1, "broom": 0.6, "lights": 0.3} | usual_s).items():
        lines = f'name = "{name}"\nback_usually_s = {value}\nback_within_s = {2 * value + 0.3:.1f}'
        text = text.replace(f'name = "{name}"', lines)
    return text
