"""What `sign_watch` asks of each protocol: which frames tell of a start or a stop, and what one of them says."""

from typing import ClassVar, NamedTuple, Protocol

from busdoc.arrays import UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.decode.protocols.sign import Sign

__all__ = ["ASKS", "SignFrame", "SignReader"]

ASKS = 255
"""Of a frame that tells nothing by itself, but explains others: a request, a reset command."""


class SignFrame(NamedTuple):
    """One frame that tells something."""

    t_ns: int
    channel: int
    id: int
    payload: int
    """The first 8 bytes as an unsigned number, least significant byte first."""


class SignReader(Protocol):
    """Reads one protocol's signs, one frame after the other, and carries what explains them."""

    topics: ClassVar[tuple[Topic, ...]]
    """The frames that it is given: no two readers share one."""

    def tells(self, frames: FrameBlock, topic: UInt8Array) -> UInt8Array:
        """Say of each frame of these topics what it tells.

        Parameters
        ----------
        frames : n frames, none of them a remote frame
        topic : (n,) uint8, `Topic` values

        Returns
        -------
        (n,) uint8: 0 for nothing, `ASKS`, or a number of the reader's own for each thing that a sender can say
        """

    def read(self, frame: SignFrame) -> Sign | None:
        """Give the sign of a frame that tells something, in the order of time; None: it is none."""
