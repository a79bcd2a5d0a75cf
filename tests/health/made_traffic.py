"""Small made-up traffic for the tests of presence: streams as arrays of times, merged into blocks."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from busdoc.arrays import Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.health.controller import ControllerHealth
from busdoc.health.incident import Incident, IncidentKind
from busdoc.health.presence.watch import HealthWatch
from busdoc.health.summary import Health
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom

MS = 1_000_000
S = 1_000_000_000
TICKING_UNTIL_NS = 30 * S
"""The last tick of what runs like clockwork, where nothing else is asked for."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Sent:
    """Frames of one identifier."""

    id: int
    t_ns: Int64Array
    data: UInt8Array | None = None
    extended: bool = True
    channel: int = 0
    length: int = 8
    flags: int = 0

    def without(self, from_ns: int, to_ns: int) -> "Sent":
        """Give the same without the frames inside a stretch."""
        kept = (self.t_ns <= from_ns) | (self.t_ns >= to_ns)
        return Sent(
            id=self.id,
            t_ns=self.t_ns[kept],
            data=None if self.data is None else self.data[kept],
            extended=self.extended,
            channel=self.channel,
            length=self.length,
            flags=self.flags,
        )


@dataclass(kw_only=True)
class Maker:
    """Makes streams with one source of chance."""

    seed: int = 1
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)

    def cyclic(
        self,
        identifier: int,
        period_ns: int,
        until_ns: int,
        *,
        from_ns: int = 0,
        jitter: float = 0.01,
        extended: bool = True,
        channel: int = 0,
        counter: bool = False,
    ) -> Sent:
        """Tick every period, each tick a little late; a counter in byte 0 where asked."""
        first_ns = from_ns + int(self.rng.integers(0, period_ns))
        ticks = np.arange(first_ns, until_ns, period_ns, dtype=np.int64)
        late = np.abs(self.rng.normal(0.0, jitter * period_ns, len(ticks))).astype(np.int64)
        data = np.zeros((len(ticks), 8), np.uint8)
        data[:, 7] = 0x5A
        if counter:
            data[:, 0] = np.arange(len(ticks)) % 256
        return Sent(
            id=identifier, t_ns=ticks + np.minimum(late, period_ns // 3), data=data, extended=extended, channel=channel
        )

    def events(self, identifier: int, mean_ns: int, until_ns: int, *, extended: bool = True, channel: int = 0) -> Sent:
        """Send by chance (Poisson)."""
        n = int(self.rng.poisson(until_ns / mean_ns))
        t_ns = np.sort(self.rng.integers(0, until_ns, n))
        return Sent(id=identifier, t_ns=t_ns, extended=extended, channel=channel)


def ticking(
    identifier: int,
    first_ns: int = 0,
    *,
    period_ns: int = 100 * MS,
    until_ns: int = TICKING_UNTIL_NS,
    extended: bool = True,
    channel: int = 0,
    length: int = 8,
) -> Sent:
    """Give one frame each period, numbered in its first byte by no counter: always 7."""
    t_ns = np.arange(first_ns, until_ns + 1, period_ns, dtype=np.int64)
    data = np.full((len(t_ns), 8), 7, np.uint8)
    return Sent(id=identifier, t_ns=t_ns, data=data, extended=extended, channel=channel, length=length)


def at(identifier: int, t_ns: int, data: bytes, *, extended: bool = True, channel: int = 0, flags: int = 0) -> Sent:
    """Send one frame."""
    payload = np.zeros((1, 8), np.uint8)
    payload[0, : len(data)] = list(data)
    return Sent(
        id=identifier,
        t_ns=np.array([t_ns], np.int64),
        data=payload,
        extended=extended,
        channel=channel,
        length=len(data),
        flags=flags,
    )


def merged(*sent: Sent) -> FrameBlock:
    """Put streams together into one block, in the order of time."""
    blocks = []
    for one in sent:
        n = len(one.t_ns)
        flags = one.flags | (FrameFlag.EXTENDED if one.extended else 0)
        blocks.append(
            FrameBlock(
                t_ns=one.t_ns,
                channel=np.full(n, one.channel, np.uint8),
                id=np.full(n, one.id, np.uint32),
                flags=np.full(n, flags, np.uint16),
                length=np.full(n, one.length, np.uint8),
                data=np.zeros((n, 8), np.uint8) if one.data is None else one.data,
            )
        )
    block = FrameBlock.concat(blocks)
    return block.take(np.argsort(block.t_ns, kind="stable"))


def health_of(
    block: FrameBlock,
    specs: Sequence[ControllerSpec] = (),
    *,
    cuts: Iterable[int] = (),
    complete: bool = False,
    until_ns: int | None = None,
) -> Health:
    """Watch a block, cut at the given rows."""
    watch = HealthWatch(specs, complete=complete)
    edges = [0, *sorted(cuts), len(block)]
    for first, last in pairwise(edges):
        watch.feed(block.slice(first, last))
    return watch.close(until_ns)


def owing(*streams: tuple[int, int], channel: int = 0, extended: bool = True) -> ControllerSpec:
    """Give the controller of some streams (identifier, period in ns) that a map says are always sent.

    Its name is what it is called without a map, where its identifiers have 29 bits.
    """
    address = streams[0][0] & 0xFF
    return ControllerSpec(
        name=f"address 0x{address:02X}",
        channel=channel,
        identity=Identity(address=address) if extended else Identity(),
        expects=tuple(
            ExpectedStream(id=identifier, extended=extended, period_ns=period_ns, period_from=PeriodFrom.MAP)
            for identifier, period_ns in streams
        ),
    )


def of_kind(health: Health, *kinds: IncidentKind) -> list[Incident]:
    """Give the incidents of some kinds."""
    return [incident for incident in health.incidents if incident.kind in kinds]


def named(health: Health, name: str) -> ControllerHealth:
    """Give one controller."""
    return next(controller for controller in health.controllers if controller.name == name)
