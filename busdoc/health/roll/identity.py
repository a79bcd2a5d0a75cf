"""Who is on the bus, by what the open protocols say: J1939 claims and heartbeats, CANopen nodes; and what is odd."""

from collections.abc import Iterator

from busdoc.capture.frames import FrameBlock
from busdoc.decode.j1939.can_name import read_can_name
from busdoc.decode.j1939.identifier import NULL_ADDRESS
from busdoc.decode.protocols.protocol_frames import sieved
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.decode.protocols.sign_watch import SignWatch
from busdoc.health.roll.claims import AddressChange, AddressFight, ClaimedName, ClaimWatch
from busdoc.health.roll.heartbeats import HeartbeatHistory, HeartbeatWatch
from busdoc.health.roll.nodes import NodeHistory, NodeWatch
from busdoc.machine.controller_spec import Identity
from busdoc.times import SECOND_NS

__all__ = ["IdentityWatch"]


class IdentityWatch:
    """Takes blocks in order; gives identities, fights and notes at any time. Where the blocks are cut changes nothing.

    A caller that has the signs of the same blocks already hands them over with each block; else they are found here.
    """

    def __init__(self) -> None:
        self._claims = ClaimWatch()
        self._nodes = NodeWatch()
        self._heartbeats = HeartbeatWatch()
        self._signs = SignWatch()
        self._unasked: dict[tuple[int, SignKind, int], int] = {}

    def feed(self, block: FrameBlock, signs: tuple[Sign, ...] | None = None) -> None:
        """Take in the next block, whole or sieved by `busdoc.decode.protocols.protocol_frames.protocol_frames`."""
        frames, topic = sieved(block)
        self._claims.feed(frames, topic)
        self._nodes.feed(frames, topic)
        self._heartbeats.feed(frames, topic)
        for sign in self._signs.feed(frames) if signs is None else signs:
            sender = sign.address if sign.address is not None else sign.node_id
            if not sign.asked and sender is not None:
                key = (sign.channel, sign.kind, sender)
                self._unasked[key] = self._unasked.get(key, 0) + 1

    @property
    def addresses(self) -> dict[tuple[int, int], tuple[ClaimedName, ...]]:
        """(channel, address) to the NAMEs that claimed it, by their first claim; without those that found none."""
        return {key: names for key, names in self._claims.addresses.items() if key[1] != NULL_ADDRESS}

    @property
    def without_address(self) -> dict[int, tuple[ClaimedName, ...]]:
        """Channel to the NAMEs that said they cannot claim an address."""
        return {key[0]: names for key, names in self._claims.addresses.items() if key[1] == NULL_ADDRESS}

    @property
    def fights(self) -> tuple[AddressFight, ...]:
        """Addresses that several NAMEs took from each other in turn, each stretch once."""
        return tuple(self._claims.fights)

    @property
    def changes(self) -> tuple[AddressChange, ...]:
        """Addresses that passed to another NAME, NAMEs that took another address."""
        return self._claims.changes

    @property
    def nodes(self) -> tuple[NodeHistory, ...]:
        """CANopen nodes that were heard."""
        return self._nodes.nodes

    @property
    def heartbeats(self) -> tuple[HeartbeatHistory, ...]:
        """Senders of ISO 11783 and NMEA 2000 heartbeats."""
        return self._heartbeats.senders

    def identity(self, channel: int, *, address: int | None = None, node_id: int | None = None) -> Identity:
        """Give what identifies the controller at an address or node: the NAME that claimed the address last, if any."""
        can_name = None if address is None else self._claims.can_name(channel, address)
        return Identity(address=address, can_name=can_name, node_id=node_id)

    def unasked(self, channel: int, kind: SignKind, sender: int) -> int:
        """Count the signs of one kind that nobody had asked for: each but the first is evidence of a restart."""
        return self._unasked.get((channel, kind, sender), 0)

    def warnings(self, start_ns: int) -> tuple[str, ...]:
        """Say what is wrong with identities, in words; times are seconds after `start_ns`."""
        return (*self._address_warnings(start_ns), *self._node_warnings(), *self._heartbeat_warnings())

    def notes(self, start_ns: int) -> tuple[str, ...]:
        """Say what changed and needs no action by itself."""
        return tuple(_change_text(change, start_ns) for change in self.changes)

    def _address_warnings(self, start_ns: int) -> Iterator[str]:
        for fight in self.fights:
            rivals = " and ".join(f"0x{name:016X} ({read_can_name(name)})" for name in fight.can_names[:4])
            yield (
                f"Address {fight.address} on channel {fight.channel}: {rivals} took it from each other "
                f"{fight.n_changes} times from {_at(fight.from_ns, start_ns)} to {_at(fight.to_ns, start_ns)}. Two "
                f"controllers are set to one address; by the standard 0x{fight.can_names[0]:016X} keeps it."
            )
        for channel, names in self.without_address.items():
            for claimed in names:
                yield (
                    f"Channel {channel}: controller 0x{claimed.can_name:016X} ({claimed.fields}) found no free address "
                    f"at {_at(claimed.first_ns, start_ns)} and stays silent."
                )

    def _node_warnings(self) -> Iterator[str]:
        for node in self.nodes:
            unasked = self.unasked(node.channel, SignKind.BOOT_UP, node.node)
            if unasked > 1:
                yield f"Node {node.node} on channel {node.channel} booted {unasked} times without a reset command."
            if node.lost_answers:
                yield (
                    f"Node {node.node} on channel {node.channel}: {node.lost_answers} answers to node guarding are "
                    "missing (the toggle bit stood still)."
                )

    def _heartbeat_warnings(self) -> Iterator[str]:
        for sender in self.heartbeats:
            parts = []
            if sender.n_lost:
                parts.append(f"{sender.n_lost} are missing by their numbers")
            if sender.n_late:
                parts.append(f"{sender.n_late} came more than 0.3 s late")
            if sender.n_in_error:
                parts.append(f"{sender.n_in_error} report trouble of the sender")
            if parts:
                where = f"Address {sender.address} on channel {sender.channel}"
                yield f"{where}, {sender.protocol} heartbeat: {', '.join(parts)}."


def _change_text(change: AddressChange, start_ns: int) -> str:
    when = _at(change.t_ns, start_ns)
    who = f"0x{change.can_name:016X} ({read_can_name(change.can_name)})"
    if change.before_name is not None:
        before = f"0x{change.before_name:016X}"
        return f"Address {change.address} on channel {change.channel} passed from {before} to {who} at {when}."
    return f"Channel {change.channel}: {who} moved from address {change.before_address} to {change.address} at {when}."


def _at(t_ns: int, start_ns: int) -> str:
    return f"{(t_ns - start_ns) / SECOND_NS:.3f} s"
