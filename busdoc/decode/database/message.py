"""Messages and signals of a user's database, as busdoc needs them; no trace of the library that read the file."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import combinations, product

from busdoc.decode.database.parameter_range import ALL_VALID, ParameterRange, SignalStatus

__all__ = ["DatabaseFile", "Message", "Signal", "SignalKind", "faults"]


_FEW_VALUES = 64
"""Of a multiplexer: a signal that is there under more of them is compared with all others."""


class SignalKind(StrEnum):
    """What changes of a signal mean."""

    ANALOGUE = "analogue"
    ENUMERATED = "enumerated"
    """States with names."""
    BOOLEAN = "boolean"
    COUNTER = "counter"
    """A running number or a checksum: it changes by itself, so a change tells nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Signal:
    """A signal: where its bits are, and what they mean."""

    name: str
    start: int
    """As .dbc files count: the least significant bit of a little-endian signal, else the most significant."""
    length: int
    """Bits, 1 … 64."""
    little_endian: bool
    signed: bool = False
    is_float: bool = False
    """IEEE 754, of 16, 32 or 64 bits."""
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    choices: Mapping[int, str] = field(default_factory=dict)
    """Names of raw values; empty when there are none."""
    invalid_raw: int | None = None
    """The raw value that the database itself declares invalid."""
    minimum: float | None = None
    maximum: float | None = None
    multiplexer: str | None = None
    """The signal that says whether this one is in the frame; None: always."""
    multiplexer_values: tuple[tuple[int, int], ...] = ()
    """The multiplexer's raw values under which it is, as (first, last) pairs, ascending."""
    spn: int | None = None
    """J1939 suspect parameter number, where the database gives it."""
    kind: SignalKind = SignalKind.ANALOGUE
    ranges: ParameterRange = ALL_VALID
    """Which raw values mean 'not available' and 'error'."""
    named_status: Mapping[int, SignalStatus] = field(default_factory=dict)
    """Raw values whose name in the database decides their status, against `ranges`."""
    comment: str = ""

    @property
    def first_bit(self) -> int:
        """The first bit that it takes, counted in the order of its own byte order from the payload's start."""
        return self.start if self.little_endian else self.start // 8 * 8 + 7 - self.start % 8

    @property
    def n_bytes(self) -> int:
        """How many payload bytes a frame must have to hold it whole."""
        return (self.first_bit + self.length - 1) // 8 + 1

    def label(self, raw: int) -> str:
        """Give the name of a raw value; empty when it has none."""
        return self.choices.get(raw, "")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Message:
    """A message: its identifier, who sends it, how often, and its signals."""

    name: str
    frame_id: int
    extended: bool
    length: int
    """Payload bytes; a transport session may carry more than a frame."""
    channel: int | str | None = None
    """The only channel that it holds for, by number or name; None: any."""
    senders: tuple[str, ...] = ()
    cycle_ns: int | None = None
    by_group: bool = False
    """J1939 style: matches by parameter group, and J1939-71 says which raw values are no values."""
    any_source: bool = False
    """The group is matched from any source address, and not only from the one of `frame_id`."""
    signals: tuple[Signal, ...] = ()
    """A multiplexer stands before the signals that it selects."""
    comment: str = ""
    file: str = ""
    """The database file that it is from."""
    bus: str = ""
    """The bus that the file has it for; empty: it names none."""

    def signal(self, name: str) -> Signal | None:
        """Find a signal by name."""
        return next((signal for signal in self.signals if signal.name == name), None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DatabaseFile:
    """What one file holds, or what of it is for one bus."""

    messages: tuple[Message, ...]
    nodes: tuple[str, ...]
    """Names of the controllers that it knows."""
    warnings: tuple[str, ...]
    """What is dirty in it, named."""
    buses: tuple[str, ...] = ()
    """Names of the buses that its messages are for, in order; empty: it names none."""


def faults(message: Message) -> list[str]:
    """Name the signals of a message that overlap, or that do not fit in it; none in a clean one."""
    found = [
        f"the signal {signal.name} does not fit in message {message.name}"
        for signal in message.signals
        if signal.first_bit + signal.length > 8 * message.length
    ]
    n_bytes = max((signal.n_bytes for signal in message.signals), default=0)
    bits = {signal.name: _bits(signal, n_bytes) for signal in message.signals}
    union = 0
    for taken in bits.values():
        union |= taken
    if union.bit_count() == sum(signal.length for signal in message.signals):
        return found  # nothing shares a bit, which most messages end with
    by_name = {signal.name: signal for signal in message.signals}
    found += [
        f"the signals {first.name} and {second.name} are overlapping in message {message.name}"
        for first, second in _perhaps_together(message.signals)
        if bits[first.name] & bits[second.name] and _together(first, second, by_name)
    ]
    return found


def _perhaps_together(signals: Sequence[Signal]) -> Iterator[tuple[Signal, Signal]]:
    """Yield the pairs that one frame can hold, each once, and some that it cannot.

    A multiplexed message may have thousands of signals, of which each branch has a few: only those of one branch are
    paired, and all with those that are in no branch or in many.
    """
    place = {signal.name: n for n, signal in enumerate(signals)}
    of_branch: dict[tuple[str, int], list[Signal]] = {}
    anywhere: list[Signal] = []
    for signal in signals:
        n_values = sum(last - first + 1 for first, last in signal.multiplexer_values)
        if signal.multiplexer is None or n_values > _FEW_VALUES:
            anywhere.append(signal)
            continue
        for first, last in signal.multiplexer_values:
            for value in range(first, last + 1):
                of_branch.setdefault((signal.multiplexer, value), []).append(signal)
    pairs = [(one, other) for one in anywhere for other in signals if one is not other]
    for branch in of_branch.values():
        pairs += combinations(branch, 2)
    multiplexers = {signal.multiplexer for signal in signals if signal.multiplexer is not None}
    for one, other in combinations(sorted(multiplexers), 2):  # one below the other, or two of the same frame
        pairs += product([s for s in signals if s.multiplexer == one], [s for s in signals if s.multiplexer == other])
    in_order = {(min(pair), max(pair)) for pair in ((place[one.name], place[other.name]) for one, other in pairs)}
    for first, second in sorted(in_order):
        yield signals[first], signals[second]


def _bits(signal: Signal, n_bytes: int) -> int:
    """Give the bits that a signal takes, numbered from the least significant one of the first byte."""
    ones = (1 << signal.length) - 1
    if signal.little_endian:
        return ones << signal.start
    from_the_end = ones << (8 * n_bytes - signal.first_bit - signal.length)
    return int.from_bytes(from_the_end.to_bytes(n_bytes, "big"), "little")


def _together(first: Signal, second: Signal, by_name: dict[str, Signal]) -> bool:
    """Tell whether one frame can hold both, by the branches of the multiplex that they are in."""
    branches = {signal.multiplexer: signal for signal in _branch(first, by_name)}
    for signal in _branch(second, by_name):
        other = branches.get(signal.multiplexer)
        if other is not None and not _share(signal.multiplexer_values, other.multiplexer_values):
            return False
    return True


def _branch(signal: Signal, by_name: dict[str, Signal]) -> list[Signal]:
    """Give the signal and the multiplexers above it, as far as they are multiplexed themselves."""
    chain = []
    while signal.multiplexer is not None:
        chain.append(signal)
        signal = by_name[signal.multiplexer]
    return chain


def _share(first: tuple[tuple[int, int], ...], second: tuple[tuple[int, int], ...]) -> bool:
    return any(low <= other_high and other_low <= high for low, high in first for other_low, other_high in second)
