"""What the adapter reports of errors, in words: its states, each as it began; the errors of frames, counted by kind.

Of the states there are bus-off, error passive, no acknowledge, restarted, lost frames, faults of the lines.

They are the recording adapter's view. An adapter that is bus-off or overrun hears nothing: what is missing then is
missing from the capture, not from the bus. Bits as in Linux, `can/error.h`.
"""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array, UInt32Array, distinct
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.health.summary import ErrorKind
from busdoc.times import SECOND_NS

__all__ = ["ErrorStates"]

_CONTROLLER = 0x4
_PROTOCOL = 0x8
_TRANSCEIVER = 0x10
_COUNTERS = 0x200
_OF_A_KIND = 0x1F
"""Bits of the second byte that name the kind of a bus error."""
_REPEAT_NS = SECOND_NS
"""The same word again within a second is the same state still: a lone sender repeats it thousands of times."""
_MOST_KEPT = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Condition:
    words: str
    error_class: int
    byte: int | None = None
    mask: int = 0
    value: int = 0

    def holds(self, identifier: UInt32Array, data: UInt8Array) -> BoolArray:
        of_class: BoolArray = (identifier & np.uint32(self.error_class)) != 0
        if self.byte is None:
            return of_class
        has_value: BoolArray = (data[:, self.byte] & np.uint8(self.mask)) == self.value
        return of_class & has_value


def _flag(words: str, byte: int, bit: int) -> _Condition:
    return _Condition(words=words, error_class=_CONTROLLER, byte=byte, mask=bit, value=bit)


def _wire(words: str, mask: int, value: int) -> _Condition:
    return _Condition(words=words, error_class=_TRANSCEIVER, byte=4, mask=mask, value=value)


_CONDITIONS = (
    _Condition(words="bus-off", error_class=0x40),
    _Condition(words="restarted after bus-off", error_class=0x100),
    _Condition(words="no acknowledge: nobody answered the adapter's own frame", error_class=0x20),
    _Condition(words="transmit timeout", error_class=0x1),
    _flag("lost in the laptop: receive overflow", 1, 0x01),
    _flag("transmit overflow in the laptop", 1, 0x02),
    _flag("error warning, receiving", 1, 0x04),
    _flag("error warning, transmitting", 1, 0x08),
    _flag("error passive, receiving", 1, 0x10),
    _flag("error passive, transmitting", 1, 0x20),
    _flag("error active again", 1, 0x40),
    _wire("CAN-H: no wire", 0x0F, 0x04),
    _wire("CAN-H: short to battery", 0x0F, 0x05),
    _wire("CAN-H: short to supply", 0x0F, 0x06),
    _wire("CAN-H: short to ground", 0x0F, 0x07),
    _wire("CAN-L: no wire", 0xF0, 0x40),
    _wire("CAN-L: short to battery", 0xF0, 0x50),
    _wire("CAN-L: short to supply", 0xF0, 0x60),
    _wire("CAN-L: short to ground", 0xF0, 0x70),
    _wire("CAN-L: short to CAN-H", 0xF0, 0x80),
)


_KINDS = (
    ("bit error", 2, 0x19, ()),
    ("form error", 2, 0x02, ()),
    ("stuff error", 2, 0x04, ()),
    ("CRC error", 3, 0, (0x08, 0x18)),
    ("acknowledge error", 3, 0, (0x19, 0x1B)),
)
"""Words; the byte; its bits that tell it, or else the places in a frame that tell it where no bit names a kind."""


class ErrorStates:
    """Collects the error states and the kinds of bus errors of one capture, channel by channel."""

    def __init__(self) -> None:
        self._kinds: dict[tuple[int, str], ErrorKind] = {}
        self._counters: dict[int, tuple[int, int]] = {}
        self._last_ns: dict[tuple[int, str], int] = {}
        self._kept: dict[int, list[tuple[int, str]]] = {}
        self._n_beyond: dict[int, int] = {}

    def feed(self, block: FrameBlock) -> None:
        """Take the next frames; only error-message frames count."""
        rows = np.flatnonzero(block.flags & FrameFlag.ERROR)
        if not len(rows):
            return
        t_ns, identifier = block.t_ns[rows], block.id[rows]
        channel, data = block.channel[rows], block.data[rows]
        for number in distinct(channel).tolist():
            here = channel == number
            found: list[tuple[int, str]] = []
            for condition in _CONDITIONS:
                held_ns = t_ns[here & condition.holds(identifier, data)]
                found += [(t, condition.words) for t in self._beginnings(number, condition.words, held_ns)]
            self._keep(number, sorted(found))
            self._count_kinds(number, t_ns[here], identifier[here], data[here])
            self._follow_counters(number, identifier[here], data[here])

    def states(self, channel: int) -> tuple[tuple[int, str], ...]:
        """Give (ns, words) of each state as it began, ascending."""
        return tuple(sorted(self._kept.get(channel, ())))  # equal times may have come in two blocks

    def kinds(self, channel: int) -> tuple[ErrorKind, ...]:
        """Give the kinds of bus errors that were met, each with how often and when."""
        return tuple(self._kinds[channel, words] for words, *_ in _KINDS if (channel, words) in self._kinds)

    def counters(self, channel: int) -> tuple[int, int] | None:
        """Give the most that the adapter's error counters stood at, sending and receiving; None: it told none."""
        return self._counters.get(channel)

    def n_beyond(self, channel: int) -> int:
        """Count the states that were not kept because there were too many."""
        return self._n_beyond.get(channel, 0)

    def _count_kinds(self, channel: int, t_ns: Int64Array, identifier: UInt32Array, data: UInt8Array) -> None:
        is_protocol = (identifier & np.uint32(_PROTOCOL)) != 0
        for words, byte, bits, places in _KINDS:
            if bits:
                is_one = is_protocol & ((data[:, byte] & np.uint8(bits)) != 0)
            else:
                is_one = is_protocol & ((data[:, 2] & np.uint8(_OF_A_KIND)) == 0) & np.isin(data[:, byte], places)
            found_ns = t_ns[is_one]
            if len(found_ns):
                before = self._kinds.get((channel, words))
                self._kinds[channel, words] = ErrorKind(
                    words=words,
                    n=len(found_ns) + (0 if before is None else before.n),
                    first_ns=int(found_ns[0]) if before is None else before.first_ns,
                    last_ns=int(found_ns[-1]),
                )

    def _follow_counters(self, channel: int, identifier: UInt32Array, data: UInt8Array) -> None:
        tells = (identifier & np.uint32(_COUNTERS | _CONTROLLER)) != 0  # older drivers do not set the class
        if tells.any():
            tx, rx = (int(data[tells, byte].max()) for byte in (6, 7))
            before = self._counters.get(channel, (0, 0))
            if tx or rx or before != (0, 0):
                self._counters[channel] = max(before[0], tx), max(before[1], rx)

    def _beginnings(self, channel: int, words: str, held_ns: Int64Array) -> list[int]:
        if not len(held_ns):
            return []
        last_ns = self._last_ns.get((channel, words))
        anew = np.ones(len(held_ns), np.bool_)
        anew[1:] = np.diff(held_ns) > _REPEAT_NS
        anew[0] = last_ns is None or int(held_ns[0]) - last_ns > _REPEAT_NS
        self._last_ns[channel, words] = int(held_ns[-1])
        return [int(t) for t in held_ns[anew]]

    def _keep(self, channel: int, found: list[tuple[int, str]]) -> None:
        kept = self._kept.setdefault(channel, [])
        room = _MOST_KEPT - len(kept)
        kept += found[:room]
        self._n_beyond[channel] = self._n_beyond.get(channel, 0) + max(0, len(found) - room)
