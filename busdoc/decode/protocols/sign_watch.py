"""Finds the signs by which controllers say that they have just started, or mean to go.

Address claims and cannot-claims (SAE J1939-81), CANopen boot-ups (CiA 301), the first and last ISO 11783 heartbeats
(ISO 11783-7). A claim that was asked for, a claim that defends its address against another, and a boot-up after a reset
command are marked as asked: they prove nothing.
"""

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.canopen.error_control import NmtCommand, NmtState
from busdoc.decode.j1939.heartbeat import FIRST, LAST
from busdoc.decode.j1939.identifier import GLOBAL_ADDRESS, NULL_ADDRESS, PGN_ADDRESS_CLAIMED
from busdoc.decode.protocols.protocol_frames import Topic, topics
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.times import MILLISECOND_NS, SECOND_NS

__all__ = ["SignWatch"]

_ASKED_WITHIN_NS = 1_500 * MILLISECOND_NS
"""Common practice: slow controllers answer a request for the claim within a second; J1939-21 allows 200 ms."""
_DEFENDED_WITHIN_NS = 500 * MILLISECOND_NS
"""J1939-81: a rival's claim is answered within 250 ms; twice that for a busy bus."""
_RESET_WITHIN_NS = 10 * SECOND_NS
"""Common practice: a CANopen node boots within seconds after the reset command."""
_ECHO_NS = 100 * MILLISECOND_NS
"""Nothing restarts within a tenth of a second after it started: a sign that repeats sooner is the same sign."""
_MOST_OF_ONE_SENDER = 10_000

_NMT_RESETS = (int(NmtCommand.RESET_NODE), int(NmtCommand.RESET_COMMUNICATION))
_ISO_HEARTBEAT = 61668
_WATCHED = (Topic.CLAIM, Topic.REQUEST, Topic.HEARTBEAT, Topic.NMT, Topic.ERROR_CONTROL)
_IS_WATCHED = np.isin(np.arange(256), [int(topic) for topic in _WATCHED])


class SignWatch:
    """Takes blocks in order and gives their signs in the order of time; where the blocks are cut changes nothing.

    Notes
    -----
    Identifiers are sieved in numpy; python runs over the few frames that match. Memory is bounded by the number of
    addresses and nodes. A sender that babbles its claim gives one sign until it pauses for 0.1 s, and no more than
    10,000 signs in all.
    """

    def __init__(self) -> None:
        self._claim_asked_ns: dict[tuple[int, int], int] = {}  # (channel, destination)
        self._reset_ns: dict[tuple[int, int], int] = {}  # (channel, node), node 0 for all
        self._booted_ns: dict[tuple[int, int], int] = {}  # (channel, node)
        self._last_claim: dict[tuple[int, int], tuple[int, int]] = {}  # (channel, address): ns, NAME
        self._last_ns: dict[tuple[int, SignKind, int], int] = {}
        self._n_signs: dict[tuple[int, SignKind, int], int] = {}

    def feed(self, block: FrameBlock) -> tuple[Sign, ...]:
        """Give the signs of the next block, in the order of time."""
        rows = _rows_that_matter(block)
        if not len(rows):
            return ()
        kept, before_ns = _without_echoes(block, rows)
        rows = rows[kept]
        signs: list[Sign] = []
        t_ns = block.t_ns[rows].tolist()
        channels = block.channel[rows].tolist()
        ids = block.id[rows].tolist()
        is_extended = (block.flags[rows] & FrameFlag.EXTENDED).tolist()
        payloads = _as_numbers(block, rows)
        columns = zip(t_ns, channels, ids, is_extended, payloads, before_ns[kept].tolist(), strict=True)
        for t, channel, id_, extended, payload, before in columns:
            take = self._extended if extended else self._base
            sign = take(t, channel, id_, payload, before)
            if sign is not None:
                signs.append(sign)
        return tuple(signs)

    def _extended(self, t_ns: int, channel: int, id_: int, payload: int, before_ns: int) -> Sign | None:
        pdu_format, specific, address = (id_ >> 16) & 0xFF, (id_ >> 8) & 0xFF, id_ & 0xFF
        if pdu_format == 0xEA:
            self._claim_asked_ns[channel, specific] = t_ns
            return None
        if pdu_format == 0xEE:
            return self._claim(t_ns, channel, address, payload, before_ns)
        if address > 253:
            return None
        kind = SignKind.HEARTBEAT_FIRST if payload & 0xFF == FIRST else SignKind.HEARTBEAT_LAST
        if self._is_echo(t_ns, channel, kind, address, before_ns):
            return None
        return Sign(t_ns=t_ns, channel=channel, kind=kind, address=address)

    def _claim(self, t_ns: int, channel: int, address: int, can_name: int, before_ns: int) -> Sign | None:
        if address == GLOBAL_ADDRESS:
            return None
        kind = SignKind.CANNOT_CLAIM if address == NULL_ADDRESS else SignKind.ADDRESS_CLAIM
        asked = any(
            t_ns - self._claim_asked_ns.get((channel, to), t_ns - _ASKED_WITHIN_NS - 1) <= _ASKED_WITHIN_NS
            for to in (address, GLOBAL_ADDRESS)
        )
        last_ns, last_name = self._last_claim.get((channel, address), (t_ns, can_name))
        defends = last_name != can_name and t_ns - last_ns <= _DEFENDED_WITHIN_NS and address != NULL_ADDRESS
        self._last_claim[channel, address] = (t_ns, can_name)
        if self._is_echo(t_ns, channel, kind, address, before_ns):
            return None
        return Sign(t_ns=t_ns, channel=channel, kind=kind, address=address, can_name=can_name, asked=asked or defends)

    def _base(self, t_ns: int, channel: int, id_: int, payload: int, before_ns: int) -> Sign | None:
        if id_ == 0:
            self._reset_ns[channel, (payload >> 8) & 0x7F] = t_ns
            return None
        node = id_ - 0x700
        booted_ns = self._booted_ns.get((channel, node))
        resets = [self._reset_ns[channel, to] for to in (node, 0) if (channel, to) in self._reset_ns]
        asked = any(
            t_ns - reset_ns <= _RESET_WITHIN_NS and (booted_ns is None or booted_ns < reset_ns) for reset_ns in resets
        )
        self._booted_ns[channel, node] = t_ns  # one reset explains one boot-up
        if self._is_echo(t_ns, channel, SignKind.BOOT_UP, node, before_ns):
            return None
        return Sign(t_ns=t_ns, channel=channel, kind=SignKind.BOOT_UP, node_id=node, asked=asked)

    def _is_echo(self, t_ns: int, channel: int, kind: SignKind, sender: int, before_ns: int) -> bool:
        key = (channel, kind, sender)
        last_ns = max(self._last_ns.get(key, t_ns - _ECHO_NS), before_ns)
        self._last_ns[key] = t_ns
        n_signs = self._n_signs.get(key, 0)
        if t_ns - last_ns < _ECHO_NS or n_signs >= _MOST_OF_ONE_SENDER:
            return True
        self._n_signs[key] = n_signs + 1
        return False


def _rows_that_matter(block: FrameBlock) -> Int64Array:
    """Find requests for the claim, claims, telling heartbeats, network commands that reset, and boot-ups."""
    topic = topics(block)
    rows = np.flatnonzero(_IS_WATCHED[topic]).astype(np.int64)
    rows = rows[(block.flags[rows] & np.uint16(FrameFlag.REMOTE)) == 0]
    about, length, data = topic[rows], block.length[rows], block.data[rows]
    first = data[:, 0]
    asked_for = data[:, :3].astype(np.int64) @ np.array([1, 1 << 8, 1 << 16])
    is_iso = ((block.id[rows] >> np.uint32(8)) & np.uint32(0x3FFFF)) == _ISO_HEARTBEAT
    matters = (
        ((about == Topic.CLAIM) & (length >= 8))
        | ((about == Topic.REQUEST) & (length >= 3) & (asked_for == PGN_ADDRESS_CLAIMED))
        | ((about == Topic.HEARTBEAT) & is_iso & (length >= 1) & ((first == FIRST) | (first == LAST)))
        | ((about == Topic.NMT) & (length == 2) & np.isin(first, _NMT_RESETS))
        | ((about == Topic.ERROR_CONTROL) & (length == 1) & (first == NmtState.BOOT_UP))
    )
    found: Int64Array = rows[matters]
    return found


def _without_echoes(block: FrameBlock, rows: Int64Array) -> tuple[BoolArray, Int64Array]:
    """Mask out the inside of each burst of one sign of one sender, less than 0.1 s apart; first and last stay.

    Returns
    -------
    kept : (n,) bool
    before_ns : (n,) int64: the same sign before, masked out or not; long enough ago where there is none in the block
    """
    ids, all_ns = block.id[rows], block.t_ns[rows]
    about = topics(block.take(rows)).astype(np.int64)
    says_goodbye = (about == Topic.HEARTBEAT) & (block.data[rows, 0] == LAST)
    sender = (block.channel[rows].astype(np.int64) << 8 | (ids & np.uint32(0xFF)).astype(np.int64)) << 9
    sender |= says_goodbye.astype(np.int64) << 8 | about
    order = np.argsort(sender, kind="stable")
    t_ns = all_ns[order]
    same_sender = np.diff(sender[order]) == 0
    is_echo = np.concatenate((np.zeros(1, np.bool_), same_sender & (np.diff(t_ns) < _ECHO_NS)))
    before_echo = np.concatenate((is_echo[1:], np.zeros(1, np.bool_)))
    kept = np.empty(len(rows), np.bool_)
    kept[order] = ~(is_echo & before_echo)
    before_ns = all_ns - _ECHO_NS
    before_ns[order[1:]] = np.where(same_sender, t_ns[:-1], t_ns[1:] - _ECHO_NS)
    return kept | (about == Topic.REQUEST) | (about == Topic.NMT), before_ns


def _as_numbers(block: FrameBlock, rows: Int64Array) -> list[int]:
    """Read the first 8 payload bytes of each row as an unsigned number, least significant byte first."""
    numbers: list[int] = np.ascontiguousarray(block.data[rows]).view("<u8").ravel().tolist()
    return numbers
