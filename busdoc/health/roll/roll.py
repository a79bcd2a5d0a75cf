"""The roll: which controllers there are, and whose each stream is.

In this order: what the machine map or the database says (`ControllerSpec`); the source address on 29-bit identifiers
(SAE J1939-21); the CANopen node on 11-bit identifiers where heartbeats or boot-ups of one byte on 0x701 … 0x77F prove
it (CiA 301). Any other identifier stands for itself, until silences show that it vanishes and returns together with
others (`busdoc.health.presence.common_loss`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from busdoc.capture.channels import ChannelTable
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Message
from busdoc.decode.j1939.identifier import (
    DUMMY_SOURCES,
    NETWORK_GROUPS,
    PGN_ACKNOWLEDGEMENT,
    PGN_DM1,
    group_of,
    source_of,
)
from busdoc.health.controller import StreamKey
from busdoc.machine.controller_spec import ControllerSpec, ExpectedStream, Identity, PeriodFrom

__all__ = ["Owner", "OwnerKind", "Roll", "can_be_cyclic", "node_of", "specs_from_database"]

_LAST_ADDRESS = 253
"""254 is the null address, 255 means all (SAE J1939-81): neither is a controller."""

_NODE_FUNCTIONS = frozenset((0x080, 0x180, 0x280, 0x380, 0x480, 0x580, 0x700))
"""What a CANopen node itself sends, in the predefined connection set (CiA 301)."""

_NODE_EVENTS = frozenset((0x080, 0x580))
"""Emergencies and answers to a service data request (CiA 301)."""

_EVENT_GROUPS = NETWORK_GROUPS | {PGN_ACKNOWLEDGEMENT, PGN_DM1}
"""Event driven by their standard. DM1 may be sent only while a fault is active (older text of SAE J1939-73): its
silence is no dropout."""


class OwnerKind(StrEnum):
    """How a stream is given to a controller."""

    SPEC = "spec"
    ADDRESS = "address"
    NODE = "node"


Owner: TypeAlias = tuple[OwnerKind, int, int]
"""(kind, channel, number): the number of the spec, the source address, or the node. Specs have channel -1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _SpecMatch:
    """What of a spec identifies frames."""

    spec: ControllerSpec
    frames: frozenset[tuple[bool, int]]


class Roll:
    """Gives each new stream to whoever it belongs to.

    Parameters
    ----------
    specs : controllers known beforehand; the first that fits wins, an identifier named goes before an address
    channels : what channels are called; None: their numbers
    """

    def __init__(self, specs: Sequence[ControllerSpec], channels: ChannelTable | None) -> None:
        self.specs = tuple(specs)
        self._channels = channels
        self._matches = [
            _SpecMatch(spec=spec, frames=frozenset((stream.extended, stream.id) for stream in spec.expects))
            for spec in specs
        ]

    def owner(self, key: StreamKey) -> Owner | None:
        """Say whose a stream is: a spec's, an address's, perhaps a node's, or nobody's."""
        on_channel = [
            (number, match) for number, match in enumerate(self._matches) if self.is_on(match.spec, key.channel)
        ]
        for number, match in on_channel:
            if (key.extended, key.id) in match.frames:
                return (OwnerKind.SPEC, -1, number)
        if key.extended:
            address = key.id & 0xFF
            for number, match in on_channel:
                if match.spec.identity.address == address:
                    return (OwnerKind.SPEC, -1, number)
            return (OwnerKind.ADDRESS, key.channel, address) if address <= _LAST_ADDRESS else None
        node = node_of(key)
        if node is None:
            return None
        for number, match in on_channel:
            if match.spec.identity.node_id == node:
                return (OwnerKind.SPEC, -1, number)
        return (OwnerKind.NODE, key.channel, node)

    def is_on(self, spec: ControllerSpec, channel: int) -> bool:
        """Tell whether a spec may speak of this channel."""
        if spec.channel is None or spec.channel == channel:
            return True
        return self._channels is not None and self._channels.name(channel) == str(spec.channel)

    def expected(self, number: int, key: StreamKey) -> ExpectedStream | None:
        """Give what a spec says of a stream."""
        for stream in self.specs[number].expects:
            if stream.id == key.id and stream.extended == key.extended:
                return stream
        return None

    def channel_name(self, channel: int) -> str:
        """Give what people call a channel."""
        return self._channels.name(channel) if self._channels is not None else str(channel)


def node_of(key: StreamKey) -> int | None:
    """Give the CANopen node that would send an 11-bit identifier, or None."""
    if key.extended or key.id > 0x7FF:
        return None
    function, node = key.id & 0x780, key.id & 0x7F
    return node if node and function in _NODE_FUNCTIONS else None


def can_be_cyclic(key: StreamKey, *, canopen: bool = False) -> bool:
    """Tell whether a stream's silence could prove anything, by what its identifier says.

    `canopen`: it is known to come from a CANopen node, whose emergencies and answers are event driven (CiA 301).
    """
    if not key.extended:
        return not (canopen and key.id & 0x780 in _NODE_EVENTS)
    return group_of(key.id) & 0xFFFF not in _EVENT_GROUPS  # on whatever data page


def specs_from_database(database: Database) -> tuple[ControllerSpec, ...]:
    """Build controllers from a database's senders and cycle times.

    Where every 11-bit sender's identifiers are those of one CANopen node, and each sender has a node of its own, the
    senders are those nodes, so that their heartbeats and emergencies are theirs too.

    A message without a sender, or one that a parameter group alone identifies (its source address is a dummy), says
    nothing of who sends it and is left out. A sender whose 29-bit messages all carry one source address has that
    address.

    Returns
    -------
    Specs in the order in which the database names the senders; a sender bound to several channels gives one for each.
    """
    by_sender: dict[tuple[str, int | str | None], list[Message]] = {}
    for message in database.messages:
        if message.senders and not (message.by_group and source_of(message.frame_id) in DUMMY_SOURCES):
            by_sender.setdefault((message.senders[0], message.channel), []).append(message)
    channels_of: dict[str, int] = {}
    for sender, _ in by_sender:
        channels_of[sender] = channels_of.get(sender, 0) + 1
    nodes = _nodes_of(by_sender)
    specs = []
    for (sender, channel), messages in by_sender.items():
        addresses = {source_of(message.frame_id) for message in messages if message.by_group}
        address = addresses.pop() if len(addresses) == 1 else None
        specs.append(
            ControllerSpec(
                name=sender if channels_of[sender] == 1 else f"{sender} on {channel}",
                channel=channel,
                identity=Identity(sender=sender, address=address, node_id=nodes.get((sender, channel))),
                expects=tuple(
                    ExpectedStream(
                        id=message.frame_id,
                        extended=message.extended,
                        period_ns=message.cycle_ns or None,
                        period_from=PeriodFrom.DATABASE if message.cycle_ns else PeriodFrom.LEARNT,
                    )
                    for message in messages
                ),
            )
        )
    return tuple(specs)


def _nodes_of(
    by_sender: Mapping[tuple[str, int | str | None], Sequence[Message]],
) -> dict[tuple[str, int | str | None], int]:
    """Find the CANopen node of each sender of a database; nothing unless all fit the predefined connection set."""
    found = {}
    for sender, messages in by_sender.items():
        own = [message for message in messages if not message.extended]
        keys = [StreamKey(channel=0, extended=False, id=message.frame_id) for message in own]
        nodes = {node_of(key) for key in keys}
        if not keys:
            continue
        node = nodes.pop()
        if node is None or nodes:
            return {}
        found[sender] = node
    is_a_network = len(found) > 1 and len(set(found.values())) == len(found)
    return found if is_a_network else {}
