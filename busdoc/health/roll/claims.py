"""Who claims which J1939 address: NAMEs over time, contested addresses, controllers that move or find no address."""

from dataclasses import dataclass

import numpy as np

from busdoc.arrays import BoolArray, Int64Array, UInt8Array
from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.can_name import CanName, read_can_name
from busdoc.decode.j1939.identifier import GLOBAL_ADDRESS, NULL_ADDRESS, sender_numbers
from busdoc.decode.protocols.protocol_frames import Topic
from busdoc.times import SECOND_NS

__all__ = ["AddressChange", "AddressFight", "ClaimWatch", "ClaimedName"]

_ALTERNATES_WITHIN_NS = 10 * SECOND_NS
_MOST_NAMES_OF_ONE = 100
_MOST_EVENTS = 1000


@dataclass(slots=True, kw_only=True)
class ClaimedName:
    """One NAME that claimed an address (254: that said it found none)."""

    can_name: int
    first_ns: int
    last_ns: int
    n_claims: int

    @property
    def fields(self) -> CanName:
        """The NAME taken apart."""
        return read_can_name(self.can_name)


@dataclass(slots=True, kw_only=True)
class AddressFight:
    """Two or more NAMEs that took one address from each other in turn; the lowest has the right to it."""

    channel: int
    address: int
    from_ns: int
    to_ns: int
    can_names: tuple[int, ...]
    """Ascending: the first wins by SAE J1939-81."""
    n_changes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AddressChange:
    """An address that another NAME holds from now on, or a NAME that holds another address."""

    t_ns: int
    channel: int
    address: int
    """The address claimed now."""
    can_name: int
    """The NAME that claims it now."""
    before_name: int | None = None
    """The NAME that held the address before; None: nobody was known."""
    before_address: int | None = None
    """The address that the NAME held before; None: none was known."""


class _Address:
    __slots__ = ("changed_ns", "fight", "names", "now", "taken_from")

    def __init__(self) -> None:
        self.names: dict[int, ClaimedName] = {}
        self.now: int | None = None  # who claimed it last
        self.taken_from: int | None = None
        self.changed_ns = 0
        self.fight: AddressFight | None = None


class ClaimWatch:
    """Takes blocks in order; where they are cut changes nothing.

    Notes
    -----
    Memory is bounded: 100 NAMEs of one address, 1000 changes and 1000 fights.
    """

    def __init__(self) -> None:
        self._addresses: dict[tuple[int, int], _Address] = {}
        self._address_of: dict[tuple[int, int], int] = {}
        self.fights: list[AddressFight] = []
        self._changes: list[AddressChange] = []

    def feed(self, block: FrameBlock, topic: UInt8Array) -> None:
        """Take in the next block; `topic` is what `busdoc.decode.protocols.protocol_frames.topics` says of it."""
        rows = np.flatnonzero((topic == Topic.CLAIM) & (block.length >= 8)).astype(np.int64)
        if not len(rows):
            return
        telling, repeats = _telling(block, rows)
        kept = rows[telling]
        names = np.ascontiguousarray(block.data[kept]).view("<u8").ravel().tolist()
        columns = zip(
            block.t_ns[kept].tolist(),
            block.channel[kept].tolist(),
            (block.id[kept] & np.uint32(0xFF)).tolist(),
            names,
            repeats[telling].tolist(),
            strict=True,
        )
        for t_ns, channel, address, can_name, n_claims in columns:
            if address != GLOBAL_ADDRESS:
                self._claim(t_ns, channel, address, can_name, n_claims)

    @property
    def addresses(self) -> dict[tuple[int, int], tuple[ClaimedName, ...]]:
        """(channel, address) to the NAMEs that claimed it, by their first claim."""
        return {key: tuple(held.names.values()) for key, held in sorted(self._addresses.items())}

    @property
    def changes(self) -> tuple[AddressChange, ...]:
        """Addresses that passed to another NAME and NAMEs that took another address, outside of fights."""
        return tuple(change for change in self._changes if not self._in_fight(change))

    def can_name(self, channel: int, address: int) -> int | None:
        """Give the NAME that claimed an address last."""
        held = self._addresses.get((channel, address))
        return held.now if held is not None else None

    def _claim(self, t_ns: int, channel: int, address: int, can_name: int, n_claims: int) -> None:
        held = self._addresses.setdefault((channel, address), _Address())
        known = held.names.get(can_name)
        if known is not None:
            known.last_ns, known.n_claims = t_ns, known.n_claims + n_claims
        elif len(held.names) < _MOST_NAMES_OF_ONE:
            held.names[can_name] = ClaimedName(can_name=can_name, first_ns=t_ns, last_ns=t_ns, n_claims=n_claims)
        if address == NULL_ADDRESS:
            held.now = can_name
            return
        # what was known of either: where the NAME was before, and who held the address before
        before_address = self._address_of.get((channel, can_name))
        before_name = held.now
        moved = before_address not in (None, address)
        taken = before_name not in (None, can_name)
        if len(self._address_of) < _MOST_EVENTS * 10 or before_address is not None:
            self._address_of[channel, can_name] = address
        # an address that is taken may be part of a fight; whatever is new is a change
        if taken and before_name is not None:
            self._take_over(t_ns, channel, address, held, before_name, can_name)
        if (moved or taken) and len(self._changes) < _MOST_EVENTS:
            self._changes.append(
                AddressChange(
                    t_ns=t_ns,
                    channel=channel,
                    address=address,
                    can_name=can_name,
                    before_name=before_name if taken else None,
                    before_address=before_address if moved else None,
                )
            )
        held.now = can_name

    def _take_over(
        self, t_ns: int, channel: int, address: int, held: _Address, before_name: int, can_name: int
    ) -> None:
        """Note that an address passed to another NAME: a fight goes on, or begins when it passes back in seconds."""
        fight = held.fight
        if fight is not None and t_ns - fight.to_ns <= _ALTERNATES_WITHIN_NS:
            fight.to_ns = t_ns
            fight.n_changes += 1
            if can_name not in fight.can_names and len(fight.can_names) < _MOST_NAMES_OF_ONE:
                fight.can_names = tuple(sorted((*fight.can_names, can_name)))
        elif can_name == held.taken_from and t_ns - held.changed_ns <= _ALTERNATES_WITHIN_NS:
            names = tuple(sorted((before_name, can_name)))
            held.fight = AddressFight(
                channel=channel, address=address, from_ns=held.changed_ns, to_ns=t_ns, can_names=names, n_changes=2
            )
            if len(self.fights) < _MOST_EVENTS:
                self.fights.append(held.fight)
        held.taken_from, held.changed_ns = before_name, t_ns

    def _in_fight(self, change: AddressChange) -> bool:
        return any(
            fight.channel == change.channel
            and fight.address == change.address
            and fight.from_ns <= change.t_ns <= fight.to_ns
            for fight in self.fights
        )


def _moves(block: FrameBlock, rows: Int64Array) -> BoolArray:
    """Find the claims of a NAME whose claim before was of another address."""
    # by NAME, in the order of time: the same NAME with another place than before has moved
    place = sender_numbers(block.channel[rows], block.id[rows])
    can_name = np.ascontiguousarray(block.data[rows]).view("<u8").ravel()
    order = np.lexsort((can_name, block.channel[rows]))
    moves = np.zeros(len(rows), np.bool_)
    moves[order[1:]] = (np.diff(place[order]) != 0) & (can_name[order[1:]] == can_name[order[:-1]])
    return moves


def _telling(block: FrameBlock, rows: Int64Array) -> tuple[BoolArray, Int64Array]:
    """Find the claims that differ from the one before of their address or NAME, and the last of each run of equal ones.

    Returns
    -------
    telling : (n,) bool
    repeats : (n,) int64: how many claims each of these stands for
    """
    # the claims of each address in the order of time, and where one repeats the one before
    sender = sender_numbers(block.channel[rows], block.id[rows])
    order = np.argsort(sender, kind="stable")
    content = np.ascontiguousarray(block.data[rows[order]]).view("<u8").ravel()
    same = (np.diff(sender[order]) == 0) & (content[1:] == content[:-1])
    # of each run of equal ones the first and the last, and a NAME that came from another address within a run
    is_first = np.concatenate((np.ones(1, np.bool_), ~same))
    is_last = np.concatenate((is_first[1:], np.ones(1, np.bool_)))
    kept = np.flatnonzero(is_first | is_last | _moves(block, rows)[order])
    # each of these stands for all since the one kept before it
    telling = np.zeros(len(rows), np.bool_)
    telling[order[kept]] = True
    repeats = np.zeros(len(rows), np.int64)
    repeats[order[kept]] = np.diff(np.concatenate((np.full(1, -1), kept)))
    return telling, repeats
