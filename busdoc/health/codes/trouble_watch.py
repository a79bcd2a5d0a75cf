"""Follows the trouble codes that SAE J1939 controllers broadcast: DM1 (active) and DM2 (previously active).

A DM1 lists all that is active, so a code that a later one leaves out is cleared. Controllers built to the older text
send nothing while nothing is active: when the broadcast just stops, its codes are closed at the last message, and that
silence says nothing about the controller.
"""

from collections.abc import Iterator
from operator import itemgetter

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.identifier import NULL_ADDRESS, PGN_DM1, PGN_DM2, PGN_DM13, parameter_group, sender_numbers
from busdoc.decode.j1939.trouble_code import code_bytes, says_stop
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.decode.transport.watch import TransportWatch
from busdoc.health.codes.code import CodeTrack
from busdoc.times import SECOND_NS

__all__ = ["SILENT_AFTER_NS", "TroubleSender", "TroubleWatch"]

SILENT_AFTER_NS = 5 * SECOND_NS
"""Five broadcast periods of one second (SAE J1939-73 5.7.1)."""
_HEARD_ON_NS = SECOND_NS * 3 // 2
"""Two broadcasts no further apart than this follow one another: one second, with room for a busy bus (SAE J1939-73
5.7.1)."""
_MOST_HEARD = 10_000
_MOST_CODES_OF_ONE = 500
_MOST_CODES = 5_000
_MOST_CHANGES = 50_000
_MOST_STOPS = 100
_NO_COUNT = 127
_OWN_COUNT = 0x7F

_Said = tuple[int, int, int, int, bytes, int]
"""When it was whole (ns), when it was announced (ns), channel, source address, payload, and when the sender's message
before was heard, as far as this block tells (else the first of these times)."""


class TroubleSender:
    """One controller's broadcast so far; codes are kept by their bytes without the count."""

    __slots__ = ("codes", "heard", "last_ns", "n_changes", "n_malformed", "open", "payload", "says_none")

    def __init__(self) -> None:
        self.codes: dict[bytes, CodeTrack] = {}
        self.open: dict[bytes, CodeTrack] = {}
        self.last_ns: int | None = None
        self.payload = b""
        self.n_changes = 0
        self.n_malformed = 0
        self.heard: list[tuple[int, int]] = []
        """(from, to) in ns of its broadcasts, the first ten thousand; silences of more than a second and a half
        between."""
        self.says_none = False
        """It broadcasts also while nothing is active: its silence is no clearing."""

    def hear(self, t_ns: int, before_ns: int | None) -> None:
        """Take note that it broadcast, and when it had done so before."""
        if self.heard and before_ns is not None and before_ns > self.heard[-1][1]:
            self.heard[-1] = (self.heard[-1][0], before_ns)
        if self.heard and (t_ns - self.heard[-1][1] <= _HEARD_ON_NS or len(self.heard) >= _MOST_HEARD):
            self.heard[-1] = (self.heard[-1][0], max(t_ns, self.heard[-1][1]))
        else:
            self.heard.append((t_ns, t_ns))

    def lapse(self) -> None:
        """Close its codes at its last message."""
        for track in self.open.values():
            track.lapse(self.last_ns)
        self.open = {}


class TroubleWatch:
    """Takes blocks in order; where they are cut changes nothing.

    Notes
    -----
    Memory is bounded: 500 codes of one sender, 5,000 in all, 50,000 changes of one sender; what goes beyond is
    counted in `n_dropped`.
    """

    def __init__(self) -> None:
        self._transport = TransportWatch((PGN_DM1, PGN_DM2), fast_packet_pgns=())
        self._n_codes = 0
        self.senders: dict[tuple[int, int], TroubleSender] = {}
        self.n_dropped = 0
        self.incomplete: dict[tuple[int, int], int] = {}
        """How many messages of a (channel, address) were incomplete."""
        self.stops: list[tuple[int, int, int, int]] = []
        """DM13 that stopped broadcasts: (ns, channel, source, destination), the first hundred."""

    def feed(self, block: FrameBlock, topic: UInt8Array) -> None:
        """Take in the next block; `topic` is what `busdoc.decode.protocols.protocol_frames.topics` says of it."""
        active: list[_Said] = []
        stored: list[_Said] = []
        for message in self._transport.feed(block):
            if message.payload is None:
                sender = (message.channel, message.source)
                self.incomplete[sender] = self.incomplete.get(sender, 0) + 1
                continue
            said = (message.t_ns, message.from_ns, message.channel, message.source, message.payload, message.t_ns)
            (active if message.pgn == PGN_DM1 else stored).append(said)
        rows = np.flatnonzero(topic == Topic.TROUBLE).astype(np.int64)
        if len(rows):
            group = parameter_group(block.id[rows])
            by_transport = {(channel, source) for _, _, channel, source, _, _ in active}
            single = rows[group == PGN_DM1]
            telling, heard_ns = _telling(block, single, by_transport)
            active += _said(block, single[telling], heard_ns[telling])
            older = rows[group == PGN_DM2]
            stored += _said(block, older, block.t_ns[older])
            self._note_stops(block, rows[group == PGN_DM13])
        for said in sorted(active, key=itemgetter(0)):
            self._active(*said)
        for said in stored:
            self._stored(*said)

    def _note_stops(self, block: FrameBlock, rows: Int64Array) -> None:
        for row in rows.tolist():
            if len(self.stops) < _MOST_STOPS and says_stop(block.payload(row)):
                destination, source = int(block.id[row]) >> 8 & 0xFF, int(block.id[row]) & 0xFF
                self.stops.append((int(block.t_ns[row]), int(block.channel[row]), source, destination))

    def _active(self, t_ns: int, from_ns: int, channel: int, address: int, payload: bytes, heard_ns: int) -> None:
        """Take one DM1: open what it lists and close what it leaves out, unless it says nothing new."""
        if address >= NULL_ADDRESS:
            return
        sender = self.senders.get((channel, address))
        if sender is None:
            sender = self.senders[channel, address] = TroubleSender()
        at_ns = from_ns if sender.last_ns is None else max(from_ns, sender.last_ns)
        if heard_ns < t_ns and sender.last_ns is not None:
            sender.last_ns = max(sender.last_ns, heard_ns)
        sender.hear(at_ns, sender.last_ns)
        was_silent = sender.last_ns is not None and at_ns - sender.last_ns > SILENT_AFTER_NS
        if payload == sender.payload and not was_silent:
            sender.last_ns = at_ns  # says nothing new
            return
        codes = code_bytes(payload)
        if codes is None:
            sender.n_malformed += 1
            return
        sender.says_none |= not codes
        if was_silent:
            sender.lapse()
        sender.n_changes += payload != sender.payload
        sender.payload = payload
        if sender.n_changes > _MOST_CHANGES:
            self.n_dropped += 1
        else:
            self._compare(sender, codes, at_ns, payload[0])
        sender.last_ns = at_ns

    def _compare(self, sender: TroubleSender, codes: tuple[bytes, ...], at_ns: int, lamps: int) -> None:
        now: dict[bytes, CodeTrack] = {}
        for code in codes:
            key, count = code[:3] + bytes([code[3] & 0x80]), code[3] & _OWN_COUNT
            track = self._track(sender, key, at_ns)
            if track is None:
                continue
            now[key] = track
            track.lamps_on |= _lamps_on(lamps)
            track.seen(at_ns, None if count == _NO_COUNT else count, sender.last_ns)
        for key, track in sender.open.items():
            if key not in now:
                track.clear(at_ns, sender.last_ns)
        sender.open = now

    def _stored(self, t_ns: int, from_ns: int, channel: int, address: int, payload: bytes, heard_ns: int) -> None:
        """Take one DM2: what it lists was active before, perhaps before the capture."""
        if address >= NULL_ADDRESS:
            return
        sender = self.senders.setdefault((channel, address), TroubleSender())
        for code in code_bytes(payload) or ():
            track = self._track(sender, code[:3] + bytes([code[3] & 0x80]), from_ns)
            if track is None:
                continue
            track.stored = True
            if not track.occurrences:
                track.last_ns = from_ns
                count = code[3] & _OWN_COUNT
                track.count = None if count == _NO_COUNT else count

    def _track(self, sender: TroubleSender, key: bytes, t_ns: int) -> CodeTrack | None:
        track = sender.codes.get(key)
        if track is None:
            if len(sender.codes) >= _MOST_CODES_OF_ONE or self._n_codes >= _MOST_CODES:
                self.n_dropped += 1
                return None
            track = sender.codes[key] = CodeTrack(t_ns)
            self._n_codes += 1
        return track


def _lamps_on(first_byte: int) -> int:
    """Give one bit for each two-bit lamp field that reads 01 (on)."""
    return first_byte & ~(first_byte >> 1) & 0x55


def _telling(block: FrameBlock, rows: Int64Array, by_transport: set[tuple[int, int]]) -> tuple[BoolArray, Int64Array]:
    """Find the single frames that say anything new, and each frame before one that does.

    A controller repeats the same frame each second for hours. Between two frames that are kept, all said the same and
    none came late, so passing over them changes nothing. A sender that also uses transport in this block keeps all.

    Returns
    -------
    telling : (n,) bool
    heard_ns : (n,) int64, ns: the same sender's frame before, passed over or not; its own time where there is none
    """
    if not len(rows):
        return np.empty(0, np.bool_), np.empty(0, np.int64)
    sender = sender_numbers(block.channel[rows], block.id[rows])
    # each sender's frames in the order of time, and where one says the same as the one before, in time
    order = np.argsort(sender, kind="stable")
    by_sender = rows[order]
    content = np.ascontiguousarray(block.data[by_sender]).view("<u8").ravel()
    same_sender = np.diff(sender[order]) == 0
    same = (
        same_sender
        & (np.diff(content) == 0)
        & (block.length[by_sender][1:] == 8)  # a frame cut short is counted each time
        & (block.length[by_sender][:-1] == 8)
        & (np.diff(block.t_ns[by_sender]) <= _HEARD_ON_NS)
    )
    # of each run of equal ones the first and the last; whoever uses transport as well keeps all
    says_new = np.concatenate((np.ones(1, np.bool_), ~same))
    before_new = np.concatenate((says_new[1:], np.ones(1, np.bool_)))
    telling = np.empty(len(rows), np.bool_)
    telling[order] = says_new | before_new
    if by_transport:
        channels, addresses = np.array(sorted(by_transport), np.uint32).T
        telling |= np.isin(sender, sender_numbers(channels, addresses))
    # when the same sender was heard before each
    own_ns = block.t_ns[by_sender]
    heard_ns = np.empty(len(rows), np.int64)
    heard_ns[order] = own_ns
    heard_ns[order[1:]] = np.where(same_sender, own_ns[:-1], own_ns[1:])
    return telling, heard_ns


def _said(block: FrameBlock, rows: Int64Array, heard_ns: Int64Array) -> Iterator[_Said]:
    t_ns = block.t_ns[rows].tolist()
    lengths = np.minimum(block.length[rows], 8).tolist()
    content = block.data[rows].tobytes()
    channels, ids = block.channel[rows].tolist(), block.id[rows].tolist()
    columns = zip(t_ns, channels, ids, lengths, heard_ns.tolist(), strict=True)
    for n, (t, channel, id_, length, heard) in enumerate(columns):
        yield t, t, channel, id_ & 0xFF, content[8 * n : 8 * n + length], heard
