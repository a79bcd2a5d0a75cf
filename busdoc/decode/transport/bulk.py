"""Finds the broadcasts that lie whole and undisturbed within one block, column by column.

Most multi-frame traffic is such broadcasts, repeated for hours. Their packets need no look one at a time: the
announcement and the last packet are enough. Whatever is disturbed in any way is left to the session's own rules.
"""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.identifier import GLOBAL_ADDRESS, NULL_ADDRESS
from busdoc.decode.transport.rows import Control, Role, pairs

__all__ = ["WholeBroadcasts", "whole_broadcasts"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WholeBroadcasts:
    """What may be passed over among n transport rows; positions count those rows."""

    inside: BoolArray
    """(n,) packets of whole broadcasts, all but the last of each."""
    last_ns: dict[int, int]
    """Position of an announcement to the time of its last packet."""
    payload: dict[int, bytes]
    """Position of a last packet to the whole payload."""


def whole_broadcasts(block: FrameBlock, rows: Int64Array, roles: UInt8Array, longest_gap_ns: int) -> WholeBroadcasts:
    """Find broadcasts whose packets follow their announcement in number, none missing, repeated, short or late.

    Parameters
    ----------
    rows : (n,) the transport rows of the block, ascending
    roles : (n,) `Role` values
    longest_gap_ns : a packet later than this after the one before ends a broadcast
    """
    if not len(rows):
        return WholeBroadcasts(inside=np.empty(0, np.bool_), last_ns={}, payload={})
    pair = pairs(block, rows)
    order = np.argsort(pair, kind="stable")
    data, length, t_ns = block.data[rows[order]], block.length[rows[order]], block.t_ns[rows[order]]
    role, pair = roles[order], pair[order]
    is_opening = _openings(pair, role, data, length)
    at = np.arange(len(rows))
    opening = np.maximum.accumulate(np.where(is_opening, at, -1))  # the last announcement up to here
    in_time = np.concatenate((np.zeros(1, np.bool_), np.diff(t_ns) <= longest_gap_ns))
    in_turn = (role == Role.DATA) & (length == 8) & in_time & (data[:, 0] == at - opening) & (opening >= 0)
    in_turn[1:] &= pair[1:] == pair[:-1]
    n_in_turn = np.concatenate((np.zeros(1, np.int64), np.cumsum(in_turn)))

    first = np.flatnonzero(is_opening)
    n_packets = data[first, 3].astype(np.int64)
    last = np.minimum(first + n_packets, len(rows) - 1)
    is_whole = (last - first == n_packets) & (n_in_turn[last + 1] - n_in_turn[first + 1] == n_packets)
    first, last = first[is_whole], last[is_whole]
    size = data[first, 1].astype(np.int64) | data[first, 2].astype(np.int64) << 8
    content = data[:, 1:].tobytes()
    step = np.zeros(len(rows) + 1, np.int64)
    step[first + 1] += 1
    step[last] -= 1
    inside = np.zeros(len(rows), np.bool_)
    inside[order] = np.cumsum(step[:-1]) > 0
    starts = zip((7 * (first + 1)).tolist(), size.tolist(), strict=True)
    return WholeBroadcasts(
        inside=inside,
        last_ns=dict(zip(order[first].tolist(), t_ns[last].tolist(), strict=True)),
        payload=dict(zip(order[last].tolist(), (content[start : start + n] for start, n in starts), strict=True)),
    )


def _openings(pair: Int64Array, role: UInt8Array, data: UInt8Array, length: UInt8Array) -> BoolArray:
    """Mask announcements of broadcasts whose size and number of packets agree."""
    size = data[:, 1].astype(np.int64) | data[:, 2].astype(np.int64) << 8
    source, destination = pair >> 8 & 0xFF, pair & 0xFF
    is_opening: BoolArray = (
        (role == Role.MANAGEMENT)
        & (data[:, 0] == Control.BAM)
        & (length >= 8)
        & (destination == GLOBAL_ADDRESS)
        & (source < NULL_ADDRESS)
        & (size > 0)
        & (data[:, 3].astype(np.int64) == -(-size // 7))
    )
    return is_opening
