"""Finds the signs by which controllers say that they have just started, or mean to go, in whatever protocol.

Which frames those are, and what explains them, is each protocol's own; what holds for all of them is here: a sign that
repeats at once is the same sign, and one that was asked for proves nothing.
"""

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.j1939.identifier import sender_numbers
from busdoc.decode.protocols.boot_up_signs import BootUpSigns
from busdoc.decode.protocols.claim_signs import ClaimSigns
from busdoc.decode.protocols.heartbeat_signs import HeartbeatSigns
from busdoc.decode.protocols.protocol_frames import topics
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.decode.protocols.sign_reader import ASKS, SignFrame, SignReader
from busdoc.times import MILLISECOND_NS

__all__ = ["SignWatch"]

_READERS: tuple[type[SignReader], ...] = (ClaimSigns, HeartbeatSigns, BootUpSigns)
"""A protocol that shows starts or stops is added by a name here and the module that it is from."""
_IS_READ = np.isin(np.arange(256), [int(topic) for reader in _READERS for topic in reader.topics])

_ECHO_NS = 100 * MILLISECOND_NS
"""Nothing restarts within a tenth of a second after it started: a sign that repeats sooner is the same sign."""
_MOST_OF_ONE_SENDER = 10_000


class SignWatch:
    """Takes blocks in order and gives their signs in the order of time; where the blocks are cut changes nothing.

    Notes
    -----
    Identifiers are sieved in numpy; python runs over the few frames that match. Memory is bounded by the number of
    addresses and nodes. A sender that babbles its claim gives one sign until it pauses for 0.1 s, and no more than
    10,000 signs in all.
    """

    def __init__(self) -> None:
        self._readers = tuple(reader() for reader in _READERS)
        self._reader_of = {int(topic): reader for reader in self._readers for topic in reader.topics}
        self._last_ns: dict[tuple[int, SignKind, int | None], int] = {}
        self._n_signs: dict[tuple[int, SignKind, int | None], int] = {}

    def feed(self, block: FrameBlock) -> tuple[Sign, ...]:
        """Give the signs of the next block, in the order of time."""
        frames, topic, said = self._telling(block)
        if not len(frames):
            return ()
        kept, before_ns = _without_echoes(frames, topic, said)
        signs: list[Sign] = []
        columns = zip(
            topic[kept].tolist(),
            before_ns[kept].tolist(),
            frames.t_ns[kept].tolist(),
            frames.channel[kept].tolist(),
            frames.id[kept].tolist(),
            _as_numbers(frames.data[kept]),
            strict=True,
        )
        for about, before, *fields in columns:
            sign = self._reader_of[about].read(SignFrame(*fields))
            if sign is not None and not self._is_echo(sign, before):
                signs.append(sign)
        return tuple(signs)

    def _telling(self, block: FrameBlock) -> tuple[FrameBlock, UInt8Array, UInt8Array]:
        """Give the frames that tell something, with the topic of each and what it says in its reader's numbers."""
        topic = topics(block)
        rows = np.flatnonzero(_IS_READ[topic]).astype(np.int64)
        rows = rows[(block.flags[rows] & np.uint16(FrameFlag.REMOTE)) == 0]
        frames, topic = block.take(rows), topic[rows]
        said = np.zeros(len(rows), np.uint8)
        for reader in self._readers if len(rows) else ():
            own = np.flatnonzero(np.isin(topic, reader.topics)).astype(np.int64)
            if len(own):
                said[own] = reader.tells(frames.take(own), topic[own])
        tells = np.flatnonzero(said).astype(np.int64)
        return frames.take(tells), topic[tells], said[tells]

    def _is_echo(self, sign: Sign, before_ns: int) -> bool:
        key = (sign.channel, sign.kind, sign.address if sign.address is not None else sign.node_id)
        last_ns = max(self._last_ns.get(key, sign.t_ns - _ECHO_NS), before_ns)
        self._last_ns[key] = sign.t_ns
        n_signs = self._n_signs.get(key, 0)
        if sign.t_ns - last_ns < _ECHO_NS or n_signs >= _MOST_OF_ONE_SENDER:
            return True
        self._n_signs[key] = n_signs + 1
        return False


def _without_echoes(frames: FrameBlock, topic: UInt8Array, said: UInt8Array) -> tuple[BoolArray, Int64Array]:
    """Mask out the inside of each burst of one sign of one sender, less than 0.1 s apart; first and last stay.

    Returns
    -------
    kept : (n,) bool
    before_ns : (n,) int64: the same sign before, masked out or not; long enough ago where there is none in the block
    """
    # one number for who said what: channel, lowest byte of the identifier, topic, what the reader makes of it
    sender = sender_numbers(frames.channel, frames.id)
    sender = (sender << 8 | topic) << 8 | said
    # its frames one after the other, in the order of time
    order = np.argsort(sender, kind="stable")
    t_ns = frames.t_ns[order]
    same_sender = np.diff(sender[order]) == 0
    # an echo follows the same at once; the last of a burst is followed by none
    is_echo = np.concatenate((np.zeros(1, np.bool_), same_sender & (np.diff(t_ns) < _ECHO_NS)))
    before_echo = np.concatenate((is_echo[1:], np.zeros(1, np.bool_)))
    kept = np.empty(len(frames), np.bool_)
    kept[order] = ~(is_echo & before_echo)
    before_ns = frames.t_ns - _ECHO_NS
    before_ns[order[1:]] = np.where(same_sender, t_ns[:-1], t_ns[1:] - _ECHO_NS)
    return kept | (said == ASKS), before_ns


def _as_numbers(data: UInt8Array) -> list[int]:
    """Read the 8 bytes of each row as an unsigned number, least significant byte first."""
    numbers: list[int] = np.ascontiguousarray(data).view("<u8").ravel().tolist()
    return numbers
