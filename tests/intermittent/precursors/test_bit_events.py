"""Bits of frames that no database tells of, as kinds of events."""

import numpy as np

from busdoc.health.controller import StreamKey
from busdoc.health.streams.payload_bits import BitChanges
from busdoc.intermittent.precursors.event_kind import EventSource
from busdoc.intermittent.precursors.event_kinds import bit_events
from busdoc.intermittent.precursors.state_changes import StreamSender

S = 10**9
STATUS = StreamKey(channel=0, extended=True, id=0x18FF3103)


def changes(bit: int = 9, became: int = 1, *at_s: int) -> BitChanges:
    return BitChanges(row=0, bit=bit, became=became, t_ns=np.array(at_s, np.int64) * S)


def test_a_bit_is_named_by_its_frame_its_byte_and_its_place_as_j1939_counts() -> None:
    (found,) = bit_events({STATUS: [changes(9, 1, 5, 8)]}, {})
    assert found.name == "bit 2 of byte 2 of frame 0x18FF3103 became 1"
    assert (found.source, found.t_ns.tolist()) == (EventSource.BIT, [5 * S, 8 * S])


def test_what_its_sender_shows_first_after_an_absence_is_no_event() -> None:
    sender = StreamSender(controller="cab", returns_ns=np.array([[6 * S, 9 * S]], np.int64))
    (found,) = bit_events({STATUS: [changes(0, 0, 5, 8, 20)]}, {STATUS: sender})
    assert found.name == "bit 1 of byte 1 of frame 0x18FF3103 of cab became 0"
    assert found.t_ns.tolist() == [5 * S, 20 * S]


# SAE J1939-21 5.10 and 5.4, J1939-81 4.2, J1939-73 5.7, CiA 301 7.3.5
def test_bits_of_transport_claims_codes_and_service_data_are_no_states() -> None:
    network = [0x18ECFF03, 0x18EBFF03, 0x18EEFF03, 0x18EAFF03, 0x18FECA03]
    keys = [StreamKey(channel=0, extended=True, id=identifier) for identifier in network]
    keys += [StreamKey(channel=0, extended=False, id=identifier) for identifier in (0x000, 0x581, 0x601)]
    assert list(bit_events({key: [changes(3, 1, 5)] for key in keys}, {})) == []
