"""Address claims and cannot-claims as signs of a start (SAE J1939-81).

A claim that was asked for, and one that defends its address against another, are marked as asked.
"""

from typing import ClassVar

import numpy as np

from busdoc.arrays import UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.identifier import (
    GLOBAL_ADDRESS,
    NULL_ADDRESS,
    PGN_ADDRESS_CLAIMED,
    PGN_REQUEST,
    group_and_destination,
    source_of,
)
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.decode.protocols.sign_reader import ASKS, SignFrame
from busdoc.times import MILLISECOND_NS

__all__ = ["ClaimSigns"]

_ASKED_WITHIN_NS = 1_500 * MILLISECOND_NS
"""Common practice: slow controllers answer a request for the claim within a second; J1939-21 allows 200 ms."""
_PASSED_ON_WITHIN_NS = 500 * MILLISECOND_NS
"""A request to one address, or on another bus, is passed on by a gateway and answered by many (seen on a boat)."""
_DEFENDED_WITHIN_NS = 500 * MILLISECOND_NS
"""J1939-81: a rival's claim is answered within 250 ms; twice that for a busy bus."""


class ClaimSigns:
    """Reads claims, and the requests for them."""

    topics: ClassVar[tuple[Topic, ...]] = (Topic.CLAIM, Topic.REQUEST)

    def __init__(self) -> None:
        self._asked_ns: dict[tuple[int, int], int] = {}  # (channel, destination)
        self._asked_somebody_ns = -_PASSED_ON_WITHIN_NS - 1
        self._last_claim: dict[tuple[int, int], tuple[int, int]] = {}  # (channel, address): ns, NAME

    def tells(self, frames: FrameBlock, topic: UInt8Array) -> UInt8Array:
        """Find whole claims, and requests for them."""
        asked_for = frames.data[:, :3].astype(np.int64) @ np.array([1, 1 << 8, 1 << 16])
        is_claim = (topic == Topic.CLAIM) & (frames.length >= 8)
        asks = (topic == Topic.REQUEST) & (frames.length >= 3) & (asked_for == PGN_ADDRESS_CLAIMED)
        return np.where(asks, np.uint8(ASKS), is_claim).astype(np.uint8)

    def read(self, frame: SignFrame) -> Sign | None:
        """Give a claim's sign; of a request, only remember whom it was for."""
        t_ns, channel, can_name = frame.t_ns, frame.channel, frame.payload
        group, destination = group_and_destination(frame.id)
        if group == PGN_REQUEST:
            self._asked_ns[channel, destination] = t_ns
            self._asked_somebody_ns = t_ns
            return None
        address = source_of(frame.id)
        if address == GLOBAL_ADDRESS:
            return None
        asked = t_ns - self._asked_somebody_ns <= _PASSED_ON_WITHIN_NS or any(
            t_ns - self._asked_ns.get((channel, to), t_ns - _ASKED_WITHIN_NS - 1) <= _ASKED_WITHIN_NS
            for to in (address, GLOBAL_ADDRESS)
        )
        last_ns, last_name = self._last_claim.get((channel, address), (t_ns, can_name))
        defends = last_name != can_name and t_ns - last_ns <= _DEFENDED_WITHIN_NS and address != NULL_ADDRESS
        self._last_claim[channel, address] = (t_ns, can_name)
        kind = SignKind.CANNOT_CLAIM if address == NULL_ADDRESS else SignKind.ADDRESS_CLAIM
        return Sign(t_ns=t_ns, channel=channel, kind=kind, address=address, can_name=can_name, asked=asked or defends)
