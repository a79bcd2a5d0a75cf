"""The sieve finds what it should by identifier alone."""

import numpy as np
import pytest

from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.protocols.protocol_frames import Topic, protocol_frames, topics
from tests.decode.frame_text import block_of


@pytest.mark.parametrize(
    ("said", "topic"),
    [
        ("18EEFF21#3F426F1A00823CC0", Topic.CLAIM),
        ("18EAFFFE#00EE00", Topic.REQUEST),
        ("1CECFF00#20170004FFE3FE00", Topic.TRANSPORT),
        ("1CEB2A17#01A00FA6603BD140", Topic.TRANSPORT),
        ("1CC82731#14", Topic.TRANSPORT),
        ("18FECA31#04FFB804030AFFFF", Topic.TROUBLE),
        ("18FECB31#04FFB804030AFFFF", Topic.TROUBLE),
        ("18DF31F9#00", Topic.TROUBLE),
        ("0CF0E480#FB", Topic.HEARTBEAT),
        ("1DF01107#60EA05CC", Topic.HEARTBEAT),
        ("000#8105", Topic.NMT),
        ("085#3081110102030405", Topic.EMERGENCY),
        ("705#00", Topic.ERROR_CONTROL),
        ("705#R", Topic.ERROR_CONTROL),
        # none: sync, a process message, another group, an 11-bit number in 29 bits, other data pages
        ("080#", 0),
        ("185#00", 0),
        ("0CF00400#FF", Topic.ENGINE),
        ("00000705#00", 0),
        ("19EEFF21#3F426F1A00823CC0", 0),
        ("1BF00480#FF", 0),
    ],
)
def test_an_identifier_has_the_topic_of_its_protocol(said: str, topic: int) -> None:
    # SAE J1939-21, J1939-73, J1939-81, ISO 11783-3 and -7, NMEA 2000, CiA 301
    assert topics(block_of(f"1.0 {said}")).tolist() == [topic]


@pytest.mark.parametrize("flag", [FrameFlag.ERROR, FrameFlag.FD])
def test_error_frames_and_fd_frames_have_no_topic(flag: FrameFlag) -> None:
    block = block_of("1.0 18EEFF21#3F426F1A00823CC0\n1.0 705#00")
    marked = FrameBlock(
        t_ns=block.t_ns,
        channel=block.channel,
        id=block.id,
        flags=block.flags | np.uint16(flag),
        length=block.length,
        data=block.data,
    )
    assert topics(marked).tolist() == [0, 0]


def test_the_sieve_keeps_order_and_payload() -> None:
    sieved = protocol_frames(block_of("1.0 705#00\n1.1 0CF00300#FF\n1.2 18FECA31#04FF"))
    assert sieved.id.tolist() == [0x705, 0x18FECA31]
    assert sieved.payload(1) == b"\x04\xff"
