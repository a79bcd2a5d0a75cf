"""Finds the signs by which controllers say that they have just started, or mean to go.

Address claims and cannot-claims (SAE J1939-81), CANopen boot-ups (CiA 301), the first and last ISO 11783 heartbeats
(ISO 11783-7). A claim that was asked for, a claim that defends its address against another, and a boot-up after a reset
command are marked as asked: they prove nothing.
"""

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.j1939.identifier import GLOBAL_ADDRESS, NULL_ADDRESS
from busdoc.decode.sign import Sign, SignKind

__all__ = ["SignWatch"]

_ASKED_WITHIN_NS = 1_500_000_000
"""Common practice: slow controllers answer a request for the claim within a second; J1939-21 allows 200 ms."""
_DEFENDED_WITHIN_NS = 500_000_000
"""J1939-81: a rival's claim is answered within 250 ms; twice that for a busy bus."""
_RESET_WITHIN_NS = 10_000_000_000
"""Common practice: a CANopen node boots within seconds after the reset command."""
_ECHO_NS = 100_000_000
"""Nothing restarts within a tenth of a second after it started: a sign that repeats sooner is the same sign."""
_MOST_OF_ONE_SENDER = 10_000

_REQUEST_CLAIM = 0x00EE00

_NOT_DATA = int(FrameFlag.ERROR | FrameFlag.REMOTE)

_NMT_RESETS = (129, 130)


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
        rows = np.flatnonzero(_may_matter(block))
        if not len(rows):
            return ()
        signs: list[Sign] = []
        t_ns = block.t_ns[rows].tolist()
        channels = block.channel[rows].tolist()
        ids = block.id[rows].tolist()
        is_extended = (block.flags[rows] & FrameFlag.EXTENDED).tolist()
        payloads = _as_numbers(block, rows)
        for t, channel, id_, extended, payload in zip(t_ns, channels, ids, is_extended, payloads, strict=True):
            sign = self._extended(t, channel, id_, payload) if extended else self._base(t, channel, id_, payload)
            if sign is not None:
                signs.append(sign)
        return tuple(signs)

    def _extended(self, t_ns: int, channel: int, id_: int, payload: int) -> Sign | None:
        pdu_format, specific, address = (id_ >> 16) & 0xFF, (id_ >> 8) & 0xFF, id_ & 0xFF
        if pdu_format == 0xEA:
            self._claim_asked_ns[channel, specific] = t_ns
            return None
        if pdu_format == 0xEE:
            return self._claim(t_ns, channel, address, payload)
        if address > 253:
            return None
        kind = SignKind.HEARTBEAT_FIRST if payload & 0xFF == 251 else SignKind.HEARTBEAT_LAST
        if self._is_echo(t_ns, channel, kind, address):
            return None
        return Sign(t_ns=t_ns, channel=channel, kind=kind, address=address)

    def _claim(self, t_ns: int, channel: int, address: int, can_name: int) -> Sign | None:
        if address == GLOBAL_ADDRESS:
            return None
        kind = SignKind.CANNOT_CLAIM if address == NULL_ADDRESS else SignKind.ADDRESS_CLAIM
        asked = any(
            t_ns - self._claim_asked_ns.get((channel, to), t_ns - _ASKED_WITHIN_NS - 1) <= _ASKED_WITHIN_NS
            for to in (address, GLOBAL_ADDRESS)
        )
        before_ns, before_name = self._last_claim.get((channel, address), (t_ns, can_name))
        defends = before_name != can_name and t_ns - before_ns <= _DEFENDED_WITHIN_NS and address != NULL_ADDRESS
        self._last_claim[channel, address] = (t_ns, can_name)
        if self._is_echo(t_ns, channel, kind, address):
            return None
        return Sign(t_ns=t_ns, channel=channel, kind=kind, address=address, can_name=can_name, asked=asked or defends)

    def _base(self, t_ns: int, channel: int, id_: int, payload: int) -> Sign | None:
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
        if self._is_echo(t_ns, channel, SignKind.BOOT_UP, node):
            return None
        return Sign(t_ns=t_ns, channel=channel, kind=SignKind.BOOT_UP, node_id=node, asked=asked)

    def _is_echo(self, t_ns: int, channel: int, kind: SignKind, sender: int) -> bool:
        key = (channel, kind, sender)
        last_ns = self._last_ns.get(key)
        self._last_ns[key] = t_ns
        n_signs = self._n_signs.get(key, 0)
        if (last_ns is not None and t_ns - last_ns < _ECHO_NS) or n_signs >= _MOST_OF_ONE_SENDER:
            return True
        self._n_signs[key] = n_signs + 1
        return False


def _may_matter(block: FrameBlock) -> BoolArray:
    """Mark requests for the claim, claims, telling heartbeats, network commands that reset, and boot-ups."""
    is_data = (block.flags & np.uint16(_NOT_DATA)) == 0
    is_extended = (block.flags & np.uint16(FrameFlag.EXTENDED)) != 0
    first = block.data[:, 0]
    group = (block.id >> np.uint32(8)) & np.uint32(0x3FFFF)  # with the destination where there is one
    matters = np.zeros(len(block), np.bool_)

    candidates = np.flatnonzero(((group >> np.uint32(8)) == 0xEA) & is_extended & is_data & (block.length >= 3))
    if len(candidates):
        asked_for = block.data[candidates, :3].astype(np.int64) @ np.array([1, 256, 65536])
        matters[candidates[asked_for == _REQUEST_CLAIM]] = True
    matters |= ((group >> np.uint32(8)) == 0xEE) & is_extended & is_data & (block.length >= 8)
    candidates = np.flatnonzero((group == 0xF0E4) & is_extended & is_data & (block.length >= 1))
    matters[candidates[np.isin(first[candidates], (251, 255))]] = True

    candidates = np.flatnonzero((block.id <= 0x77F) & ~is_extended & is_data)
    candidates = candidates[(block.id[candidates] > 0x700) | (block.id[candidates] == 0)]
    if len(candidates):
        ids, length = block.id[candidates], block.length[candidates]
        is_reset = (ids == 0) & (length == 2) & np.isin(first[candidates], _NMT_RESETS)
        is_boot_up = (ids != 0) & (length == 1) & (first[candidates] == 0)
        matters[candidates[is_reset | is_boot_up]] = True
    return matters


def _as_numbers(block: FrameBlock, rows: Int64Array) -> list[int]:
    """Read the first 8 payload bytes of each row as an unsigned number, least significant byte first."""
    numbers: list[int] = np.ascontiguousarray(block.data[rows]).view("<u8").ravel().tolist()
    return numbers
