"""All that the presence engine keeps of a capture, as `busdoc.health.presence.watch` fills it."""

from dataclasses import InitVar, dataclass, field

from busdoc.decode.protocols.sign import Sign
from busdoc.health.controller import StreamKey
from busdoc.health.incident import Gap
from busdoc.health.presence.runs.starts import LEAST_START_NS
from busdoc.health.roll.roll import Owner, OwnerKind, Roll
from busdoc.health.streams.arrivals import FirstArrivals
from busdoc.health.streams.payload_bits import PayloadBits
from busdoc.health.streams.rhythm import Rhythm
from busdoc.health.streams.sparse_arrivals import SparseArrivals
from busdoc.health.streams.track import Tracks
from busdoc.machine.controller_spec import ExpectedStream

__all__ = ["Observations"]


@dataclass(slots=True, kw_only=True)
class Observations:
    """What is kept of a capture; everything but `rhythms` depends on the frames alone and not on the cuts."""

    roll: Roll
    complete: bool
    """The specs name every controller of the machine."""
    compiled: InitVar[bool | None] = None
    """Whether compiled kernels are used; None: in long captures."""
    streams: Tracks = field(init=False)
    firsts: FirstArrivals = field(default_factory=FirstArrivals)
    """How each stream began."""
    sparse: SparseArrivals = field(default_factory=SparseArrivals)
    """Every arrival of the streams that have few."""
    bits: PayloadBits = field(init=False)
    """Of the streams that nobody decodes."""
    groups: Tracks = field(init=False)
    """All frames of each owner."""
    channels: Tracks = field(init=False)
    """All frames of each channel."""
    keys: list[StreamKey] = field(default_factory=list)
    lengths: list[int] = field(default_factory=list)
    """Payload bytes of each stream's first frame."""
    owners: list[Owner | None] = field(default_factory=list)
    """Of each stream."""
    group_of: list[int] = field(default_factory=list)
    """Row in `groups` of each stream; -1: none."""
    group_row: dict[Owner, int] = field(default_factory=dict)
    channel_row: dict[int, int] = field(default_factory=dict)
    one_byte: dict[int, bool] = field(default_factory=dict)
    """Of each stream on 0x701 … 0x77F: whether all its frames had one byte."""
    signs: list[Sign] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    """The recorder's own, as reported."""
    rhythms: dict[int, tuple[tuple[int, bool], Rhythm]] = field(default_factory=dict)
    """Row -> ((arrivals, of a CANopen node), rhythm): so that a live screen need not learn a quiet stream again."""
    frames: int = 0
    error_frames: int = 0
    own_frames: int = 0
    """Sent by the recorder itself."""
    unwatched: int = 0
    """Frames of streams beyond the most that are watched."""
    start_ns: int | None = None
    last_ns: int | None = None

    def __post_init__(self, compiled: bool | None) -> None:
        self.streams = Tracks(with_context=True, quantile=0.75, factor=1.6, compiled=compiled)
        self.bits = PayloadBits(compiled=compiled)
        self.groups, self.channels = (
            Tracks(with_context=False, quantile=0.9, factor=1.5, always_ns=LEAST_START_NS, compiled=compiled)
            for _ in range(2)
        )

    def declared(self, row: int) -> ExpectedStream | None:
        """Give what the map or the database says of a stream."""
        owner = self.owners[row]
        return (
            self.roll.expected(owner[2], self.keys[row]) if owner is not None and owner[0] == OwnerKind.SPEC else None
        )

    def proven_nodes(self) -> set[tuple[int, int]]:
        """Give (channel, node) of the CANopen nodes that one-byte heartbeats or boot-ups prove (CiA 301)."""
        return {(self.keys[row].channel, self.keys[row].id & 0x7F) for row, is_one in self.one_byte.items() if is_one}
