"""Which frames of a block belong to transport, and which of those can concern a wanted message at all."""

from collections.abc import Iterable
from enum import IntEnum

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.j1939.identifier import PGN_ETP_CM, PGN_ETP_DT, PGN_TP_CM, PGN_TP_DT
from busdoc.decode.transport.session import SessionKey

__all__ = ["Control", "Role", "TransportSieve", "pairs"]


class Role(IntEnum):
    """What a frame does in a session."""

    MANAGEMENT = 1
    DATA = 2
    EXTENDED_MANAGEMENT = 3
    EXTENDED_DATA = 4
    FAST_PACKET = 5


class Control(IntEnum):
    """First byte of a management frame (SAE J1939-21 5.10; the extended ones ISO 11783-3, from memory)."""

    RTS = 16
    CTS = 17
    ACK = 19
    EXTENDED_RTS = 20
    EXTENDED_CTS = 21
    EXTENDED_OFFSET = 22
    EXTENDED_ACK = 23
    BAM = 32
    ABORT = 255


_KIND = np.uint16(FrameFlag.EXTENDED | FrameFlag.ERROR | FrameFlag.REMOTE | FrameFlag.FD)
_PLAIN = np.uint16(FrameFlag.EXTENDED)
_GROUPS = 1 << 18


class TransportSieve:
    """Finds the rows worth a look.

    Parameters
    ----------
    pgns : the wanted parameter groups; None: all
    fast : the groups that are sent as fast packets
    """

    def __init__(self, pgns: frozenset[int] | None, fast: frozenset[int]) -> None:
        self._wanted = None if pgns is None else np.array(sorted(pgns), np.int64)
        self._role_of = _role_table(fast)

    def rows(self, block: FrameBlock, running: Iterable[SessionKey]) -> tuple[Int64Array, UInt8Array]:
        """Give the rows that matter while the sessions of `running` are open.

        Returns
        -------
        rows : (m,) int64, ascending
        roles : (m,) uint8, `Role` values
        """
        at = (block.id >> np.uint32(8)) & np.uint32(_GROUPS - 1)
        roles = self._role_of.take(at)
        roles[(block.flags & _KIND) != _PLAIN] = 0
        rows = np.flatnonzero(roles).astype(np.int64)
        if len(rows) and self._wanted is not None:
            rows = rows[_may_concern(block, rows, roles[rows], running, self._wanted)]
        return rows, roles[rows]


def _may_concern(
    block: FrameBlock, rows: Int64Array, roles: UInt8Array, running: Iterable[SessionKey], wanted: Int64Array
) -> BoolArray:
    """Mask out frames of pairs that have no session of a wanted group and get none in this block."""
    pair = pairs(block, rows)
    control = block.data[rows, 0]
    is_management = (roles == Role.MANAGEMENT) | (roles == Role.EXTENDED_MANAGEMENT)
    is_opening = is_management & np.isin(control, (Control.RTS, Control.BAM, Control.EXTENDED_RTS))
    group = block.data[rows, 5:8].astype(np.int64) @ np.array([1, 1 << 8, 1 << 16])
    opened = pair[is_opening & np.isin(group, wanted)]
    open_already = [channel << 16 | source << 8 | to for channel, source, to, kind in running if kind <= 1]
    concerned = np.concatenate((opened, np.array(open_already, np.int64)))
    is_fast = roles == Role.FAST_PACKET
    answers = is_management & ~is_opening & np.isin(_swapped(pair), concerned)
    matters: BoolArray = is_fast | answers | np.isin(pair, concerned)
    return matters


def _role_table(fast: frozenset[int]) -> UInt8Array:
    """Index: bits 25 to 8 of an identifier; 0 for no role."""
    table = np.zeros(_GROUPS, np.uint8)
    for pgn, role in (
        (PGN_TP_CM, Role.MANAGEMENT),
        (PGN_TP_DT, Role.DATA),
        (PGN_ETP_CM, Role.EXTENDED_MANAGEMENT),
        (PGN_ETP_DT, Role.EXTENDED_DATA),
    ):
        table[pgn : pgn + 256] = role  # to any destination
    for pgn in fast:
        is_to_all = (pgn >> 8) & 0xFF >= 240
        table[pgn : pgn + (1 if is_to_all else 256)] = Role.FAST_PACKET
    return table


def pairs(block: FrameBlock, rows: Int64Array) -> Int64Array:
    """Give channel, source and destination of each row as one number, eight bits each."""
    ids = block.id[rows].astype(np.int64)
    return block.channel[rows].astype(np.int64) << 16 | (ids & 0xFF) << 8 | (ids >> 8) & 0xFF


def _swapped(pair: Int64Array) -> Int64Array:
    """Exchange source and destination: the pair that an answer speaks of."""
    return (pair & 0xFF0000) | (pair & 0xFF) << 8 | (pair >> 8) & 0xFF
