"""Changes of payload bits of which no database tells, as kinds of events.

A technician rarely has the maker's database. A bit that goes on half a second before each dropout is worth knowing even
without its name: the frame, the byte and the bit are what the maker needs to look it up.
"""

from collections.abc import Iterator, Mapping, Sequence

from busdoc.decode.j1939.identifier import NETWORK_GROUPS, PGN_DM1, PGN_DM2, group_of
from busdoc.health.controller import StreamKey
from busdoc.health.streams.payload_bits import BitChanges
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, events_at
from busdoc.intermittent.precursors.state_changes import StreamSender

__all__ = ["bit_events"]

_CODE_GROUPS = frozenset((PGN_DM1, PGN_DM2))
"""Active and earlier fault codes (J1939-73 5.7): they are kinds of their own."""
_SDO = range(0x580, 0x680)
"""Service data of CANopen (CiA 301, 7.3.5)."""


def bit_events(
    bits: Mapping[StreamKey, Sequence[BitChanges]], senders: Mapping[StreamKey, StreamSender]
) -> Iterator[EventKind]:
    """Give each change of each bit into either value, less what its sender shows first after an absence.

    Parameters
    ----------
    bits : of the streams that nobody decodes
    senders : as `senders_of` gives them
    """
    for key, all_changes in bits.items():
        if _is_network(key):
            continue
        sender = senders.get(key)
        of_whom = "" if sender is None else f" of {sender.controller}"
        for changes in all_changes:
            t_ns = changes.t_ns if sender is None else changes.t_ns[sender.settled(changes.t_ns)]
            if len(t_ns):
                yield events_at(
                    f"bit {changes.bit % 8 + 1} of byte {changes.bit // 8 + 1} of frame {key}{of_whom} "
                    f"became {changes.became}",
                    EventSource.BIT,
                    t_ns,
                    controller=None if sender is None else sender.controller,
                )


def _is_network(key: StreamKey) -> bool:
    if not key.extended:
        return key.id in _SDO or key.id == 0
    return group_of(key.id) & 0xFFFF in NETWORK_GROUPS | _CODE_GROUPS  # on whatever data page
