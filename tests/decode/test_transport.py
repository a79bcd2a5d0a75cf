"""Messages of several frames against SAE J1939-21 5.10, a published capture, and can-j1939's own receiver."""

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from j1939.j1939_21 import J1939_21

from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.decode.transport.transport import TransportKind, TransportMessage
from busdoc.decode.transport.watch import TransportWatch
from tests.capture.published import python_can_captures
from tests.decode.frame_text import Frame, block_of, cut_at, frames_block

THREE_CODES = """
1.000 1CECFF31#200E0002FFCAFE00
1.050 1CEBFF31#0104FFA800040380
1.100 1CEBFF31#02F0E90C7F021301
"""
# python-can's test capture logfile.asc: engine configuration, 23 bytes in 4 packets, 50 ms apart
ENGINE = """
0.000 1CECFF00#20170004FFE3FE00
0.050 1CEBFF00#01A00FA6603BD140
0.100 1CEBFF00#021FDE8025DFC02B
0.150 1CEBFF00#03E1004BFFFF3C0F
0.200 1CEBFF00#04004BFFFFFFFFFF
"""
ENGINE_PAYLOAD = bytes.fromhex("A00FA6603BD1401FDE8025DFC02BE1004BFFFF3C0F004B")
TO_ONE = """
0.000 18EC2731#101400030100EF00
0.010 1CEC3127#110101FFFF00EF00
0.020 1CEB2731#0101020304050607
0.030 1CEC3127#110102FFFF00EF00
0.040 1CEB2731#0208090A0B0C0D0E
0.050 1CEC3127#110103FFFF00EF00
0.060 1CEB2731#030F1011121314FF
0.070 1CEC3127#13140003FF00EF00
"""


def heard(text: str, until_s: float | None = None) -> tuple[TransportMessage, ...]:
    watch = TransportWatch()
    block = block_of(text)
    until_ns = int(block.t_ns[-1]) if until_s is None else int(until_s * 1e9)
    return watch.feed(block) + watch.close(until_ns)


def test_a_broadcast_of_three_codes_comes_out_whole() -> None:
    (message,) = heard(THREE_CODES)  # sent and received by can-j1939
    assert (message.pgn, message.source, message.destination, message.kind) == (65226, 0x31, 255, TransportKind.BAM)
    assert message.payload == bytes.fromhex("04FFA800040380F0E90C7F021301")
    assert (message.from_ns, message.t_ns) == (1_000_000_000, 1_100_000_000)


def test_the_published_engine_configuration_comes_out_whole() -> None:
    (message,) = heard(ENGINE)
    assert (message.pgn, message.payload) == (65251, ENGINE_PAYLOAD)


def test_a_message_to_one_controller_comes_out_whole() -> None:
    (message,) = heard(TO_ONE)  # sent and received by can-j1939
    assert (message.pgn, message.source, message.destination) == (61184, 0x31, 0x27)
    assert message.kind is TransportKind.RTS_CTS
    assert message.payload == bytes(range(1, 21))


def test_a_lost_packet_is_named_and_gives_no_bytes() -> None:
    lost = "\n".join(line for line in ENGINE.splitlines() if "#02" not in line)
    (message,) = heard(lost)
    assert (message.payload, message.missing, message.why) == (None, (2,), "packet 2 missing")


def test_a_lost_packet_made_up_by_a_repeated_one_gives_no_bytes() -> None:
    lines = [line for line in ENGINE.splitlines() if "#02" not in line] + ["0.250 1CEBFF00#04004BFFFFFFFFFF"]
    messages = heard("\n".join(lines))
    assert [message.payload for message in messages] == [None]
    assert messages[0].missing == (2,)


def test_a_frame_that_the_bus_repeats_to_the_byte_is_passed_over() -> None:
    lines = [line for line in ENGINE.splitlines() if line]
    repeated = [lines[0], lines[0], lines[1], lines[1], *lines[2:4], lines[3], lines[4], lines[4]]
    (message,) = heard("\n".join(repeated))
    assert message.payload == ENGINE_PAYLOAD


def test_packets_out_of_order_give_no_bytes() -> None:
    lines = [line for line in ENGINE.splitlines() if line]
    swapped = [lines[0], lines[1], lines[3].replace("0.150", "0.100"), lines[2].replace("0.100", "0.150"), lines[4]]
    assert [message.payload for message in heard("\n".join(swapped))] == [None]


def test_a_broadcast_ends_as_incomplete_when_the_next_packet_is_late_by_t1() -> None:
    (message,) = heard(ENGINE.strip().rsplit("\n", 2)[0], until_s=5.0)  # SAE J1939-21 5.10.3.5: T1 750 ms
    assert (message.t_ns, message.missing) == (850_000_000, (3, 4))
    assert "timeout" in message.why


def test_a_packet_after_its_deadline_belongs_to_nothing() -> None:
    late = ENGINE.replace("0.200 ", "0.901 ")
    (message,) = heard(late)
    assert (message.payload, message.missing) == (None, (4,))


def test_a_new_announcement_ends_the_running_broadcast() -> None:
    begun = "\n".join(ENGINE.strip().splitlines()[:3])
    first, second = heard(f"""{begun}
    0.200 1CECFF00#200E0002FFCAFE00
    0.250 1CEBFF00#0104FFA800040380
    0.300 1CEBFF00#02F0E90C7F021301""")
    assert (first.payload, first.missing) == (None, (3, 4))
    assert second.payload == bytes.fromhex("04FFA800040380F0E90C7F021301")


def test_a_packet_asked_for_again_completes_the_message() -> None:
    lines = """
    0.000 18EC2731#10140003FF00EF00
    0.010 1CEC3127#110301FFFF00EF00
    0.020 1CEB2731#0101020304050607
    0.040 1CEB2731#030F1011121314FF
    0.050 1CEC3127#110102FFFF00EF00
    0.060 1CEB2731#0208090A0B0C0D0E
    0.070 1CEC3127#13140003FF00EF00
    """
    (message,) = heard(lines)  # SAE J1939-21 5.10.3.3: the receiver asks for the packet it missed
    assert message.payload == bytes(range(1, 21))


def test_a_session_whose_announcement_was_lost_is_not_mixed_with_the_one_before() -> None:
    lines = """
    0.000 18EC2731#10090002FF00EF00
    0.010 1CEC3127#110201FFFF00EF00
    0.020 1CEB2731#0101020304050607
    0.400 1CEC3127#110201FFFF00EF00
    0.420 1CEB2731#021819FFFFFFFFFF
    """
    (message,) = heard(lines)
    assert (message.payload, message.missing) == (None, (1,))


def test_an_acknowledged_message_with_a_packet_unheard_is_incomplete() -> None:
    unheard = "\n".join(line for line in TO_ONE.splitlines() if "#0208" not in line)
    (message,) = heard(unheard)
    assert (message.payload, message.missing) == (None, (2,))


@pytest.mark.parametrize(
    ("hold", "deadline_ms"),
    [
        ("1CEC3127#110001FFFF00EF00", 10 + 1050),  # hold: T4
        ("1CEC3127#110101FFFF00EF00", 10 + 1250),  # clear to send: T2
    ],
)
def test_the_waiting_time_depends_on_the_receivers_answer(hold: str, deadline_ms: int) -> None:
    # timeouts as in can-j1939's J1939_21.Timeout, after SAE J1939-21 5.10.3.5
    (message,) = heard(f"0.000 18EC2731#10140003FF00EF00\n0.010 {hold}", until_s=9.0)
    assert message.t_ns == deadline_ms * 1_000_000


def test_after_the_last_packet_let_through_the_sender_waits_t3() -> None:
    lines = "\n".join(TO_ONE.strip().splitlines()[:3])
    (message,) = heard(lines, until_s=9.0)
    assert message.t_ns == (20 + 1250) * 1_000_000


@pytest.mark.parametrize(("reason", "word"), [("01", "busy"), ("02", "no resources"), ("03", "timeout"), ("F9", "249")])
def test_an_abort_ends_the_message_with_its_reason(reason: str, word: str) -> None:
    (message,) = heard(TO_ONE.strip().rsplit("\n", 4)[0] + f"\n0.055 1CEC3127#FF{reason}FFFFFF00EF00")
    assert message.payload is None
    assert word in message.why


@pytest.mark.parametrize("announcement", ["200E0003FFCAFE00", "20000000FFCAFE00", "20FFFFFFFFCAFE00"])
def test_a_length_that_lies_is_refused_at_once(announcement: str) -> None:
    (message,) = heard(f"0.0 1CECFF31#{announcement}")
    assert message.payload is None
    assert "announced" in message.why


@pytest.mark.parametrize("sender", ["FE", "FF"])
def test_nobody_without_an_address_opens_a_session(sender: str) -> None:
    assert heard(THREE_CODES.replace("FF31#", f"FF{sender}#")) == ()


def test_two_senders_at_once_do_not_mix() -> None:
    other = ENGINE.replace("1CECFF00", "1CECFF17").replace("1CEBFF00", "1CEBFF17").replace("A00F", "B00F")
    lines = sorted((ENGINE + other).strip().splitlines())
    payloads = {message.source: message.payload for message in heard("\n".join(line for line in lines if line))}
    assert payloads == {0: ENGINE_PAYLOAD, 0x17: b"\xb0" + ENGINE_PAYLOAD[1:]}


def test_wanted_groups_alone_are_put_together() -> None:
    watch = TransportWatch((65226,), fast_packet_pgns=())
    block = block_of(ENGINE + THREE_CODES)
    assert [message.pgn for message in watch.feed(block)] == [65226]


def test_an_extended_message_comes_out_whole() -> None:
    # ISO 11783-3 extended transport, from memory: request, clear to send, offset, data, acknowledgement
    payload = bytes(n % 251 for n in range(1786))
    frames: list[Frame] = [_frame(0, 0x1CC82731, bytes([20]) + (1786).to_bytes(4, "little") + b"\x00\xef\x00")]
    for first in (0, 255):
        n = min(255, 256 - first)
        ask = bytes([21, n]) + (first + 1).to_bytes(3, "little") + b"\x00\xef\x00"
        offset = bytes([22, n]) + first.to_bytes(3, "little") + b"\x00\xef\x00"
        frames += [_frame(len(frames), 0x1CC83127, ask), _frame(len(frames) + 1, 0x1CC82731, offset)]
        for sequence in range(1, n + 1):
            at = (first + sequence - 1) * 7
            packet = bytes([sequence]) + payload[at : at + 7].ljust(7, b"\xff")
            frames.append(_frame(len(frames), 0x1CC72731, packet))
    whole = TransportWatch().feed(frames_block(frames))
    assert [(message.kind, message.payload) for message in whole] == [(TransportKind.EXTENDED, payload)]
    del frames[100]
    watch = TransportWatch()
    cut = watch.feed(frames_block(frames)) + watch.close(10**12)
    assert [(message.payload, len(message.missing)) for message in cut] == [(None, 1)]


def _frame(ms: int, id_: int, payload: bytes) -> Frame:
    return ms * 1_000_000, 0, id_, True, payload


def _fast(size: int, sequence: int, id_: int, start_ms: int) -> tuple[bytes, list[Frame]]:
    payload = bytes((n * 7 + sequence) % 256 for n in range(size))
    frames = [_frame(start_ms, id_, bytes([sequence << 5, size]) + payload[:6].ljust(6, b"\xff"))]
    for number, at in enumerate(range(6, size, 7), start=1):
        packet = bytes([sequence << 5 | number]) + payload[at : at + 7].ljust(7, b"\xff")
        frames.append(_frame(start_ms + number, id_, packet))
    return payload, frames


@pytest.mark.parametrize("size", [1, 6, 7, 13, 14, 134, 223])
def test_fast_packets_of_every_length_come_out_whole(size: int) -> None:
    payload, frames = _fast(
        size, 3, 0x1DF01407, 0
    )  # NMEA 2000 product information 126996, layout as the open library n2k reads it
    assert [message.payload for message in TransportWatch().feed(frames_block(frames))] == [payload]


def test_a_fast_packet_with_a_lost_frame_gives_no_bytes() -> None:
    _, frames = _fast(134, 3, 0x1DF01407, 0)
    del frames[5]
    (message,) = TransportWatch().feed(frames_block(frames))
    assert (message.payload, message.why) == (None, "packet 5 missing")


def test_two_fast_packets_of_one_number_do_not_join_when_each_lost_a_frame() -> None:
    messages = [_fast(12, number % 8, 0x1DF01407, 10 * number) for number in range(3, 12)]
    first, last = messages[0][1][:1], messages[-1][1][1:]  # the ninth has the first one's number again
    between = [frame for _, frames in messages[1:-1] for frame in frames]
    watch = TransportWatch()
    whole = [message.payload for message in watch.feed(frames_block(first + between + last)) if message.payload]
    assert whole == [payload for payload, _ in messages[1:-1]]


def test_published_timeouts_are_those_of_can_j1939() -> None:
    from busdoc.decode.transport import watch as ours

    theirs = J1939_21.Timeout
    assert [round(1e9 * seconds) for seconds in (theirs.T1, theirs.T2, theirs.T3, theirs.T4)] == [
        ours.T1_NS,
        ours.T2_NS,
        ours.T3_NS,
        ours.T4_NS,
    ]


def _their_payloads(block: FrameBlock) -> list[tuple[int, int, bytes]]:
    """Let can-j1939's receiver put whole, undisturbed sessions together."""
    found: list[tuple[int, int, bytes]] = []

    def notify(priority: int, pgn: int, source: int, destination: int, timestamp: float, data: bytearray) -> None:
        found.append((pgn, source, bytes(data)))

    receiver = J1939_21(lambda *args, **kwargs: None, lambda: None, notify, 255, None, None, lambda address: True)
    for row in range(len(block)):
        if (int(block.id[row]) >> 16) & 0xFF == 0xEC and block.data[row, 0] not in (16, 32):
            continue  # it is the receiver here: the other receiver's answers are not for it
        receiver.notify(int(block.id[row]), bytearray(block.payload(row)), 0.0)
    return found


@dataclass(frozen=True)
class Sent:
    """A session as it was sent."""

    source: int
    destination: int
    pgn: int
    payload: bytes
    frames: tuple[Frame, ...]


def _session(source: int, destination: int, pgn: int, payload: bytes, start_ms: int) -> Sent:
    n = -(-len(payload) // 7)
    head = bytes([32 if destination == 255 else 16, len(payload) & 0xFF, len(payload) >> 8, n, 0xFF])
    frames = [_frame(start_ms, 0x1CEC0000 | destination << 8 | source, head + pgn.to_bytes(3, "little"))]
    if destination != 255:
        ask = bytes([17, n, 1, 0xFF, 0xFF]) + pgn.to_bytes(3, "little")
        frames.append(_frame(start_ms + 5, 0x1CEC0000 | source << 8 | destination, ask))
    for k in range(n):
        packet = bytes([k + 1]) + payload[7 * k : 7 * k + 7].ljust(7, b"\xff")
        frames.append(_frame(start_ms + 50 * (k + 1), 0x1CEB0000 | destination << 8 | source, packet))
    return Sent(source, destination, pgn, payload, tuple(frames))


@st.composite
def traffic(draw: st.DrawFn) -> list[Sent]:
    """Sessions of several pairs at once; those of one pair follow each other by more than the longest waiting time."""
    sessions: list[Sent] = []
    for source, destination in draw(
        st.lists(st.tuples(st.integers(0, 3), st.sampled_from([255, 255, 10, 11])), min_size=1, max_size=4, unique=True)
    ):
        start_ms = draw(st.integers(0, 400))
        for _ in range(draw(st.integers(1, 3))):
            payload = draw(st.binary(min_size=9, max_size=40))
            session = _session(source, destination, draw(st.sampled_from([65226, 65251, 61184])), payload, start_ms)
            sessions.append(session)
            start_ms = session.frames[-1][0] // 1_000_000 + draw(st.integers(760 if destination == 255 else 1260, 2000))
    return sessions


def _by_time(frames: list[Frame]) -> FrameBlock:
    return frames_block(sorted(frames, key=lambda frame: frame[0]))


@settings(max_examples=60)
@given(traffic())
def test_undisturbed_traffic_gives_what_can_j1939_gives(sessions: list[Sent]) -> None:
    block = _by_time([frame for session in sessions for frame in session.frames])
    ours = [(message.pgn, message.source, message.payload) for message in TransportWatch().feed(block)]
    assert sorted(ours) == sorted(_their_payloads(block))
    assert len(ours) == len(sessions)


@settings(max_examples=150)
@given(traffic(), st.data())
def test_any_loss_repetition_or_disorder_gives_the_right_payload_or_none(
    sessions: list[Sent], data: st.DataObject
) -> None:
    frames: list[Frame] = []
    for session in sessions:
        own = list(session.frames)
        for _ in range(data.draw(st.integers(0, 3))):
            at = data.draw(st.integers(0, len(own) - 1)) if own else 0
            disturbance = data.draw(st.sampled_from(["lose", "repeat", "swap", "repeat later"]))
            if not own:
                break
            if disturbance == "lose":
                del own[at]
            elif disturbance == "repeat":
                own.insert(at + 1, own[at])
            elif disturbance == "swap" and at + 1 < len(own):
                first, second = own[at], own[at + 1]
                own[at : at + 2] = [(first[0], *second[1:]), (second[0], *first[1:])]
            elif disturbance == "repeat later":
                late = data.draw(st.integers(at, len(own) - 1))
                own.insert(late + 1, (own[late][0], *own[at][1:]))
        frames += own
    sent: dict[tuple[int, int, int], list[bytes]] = defaultdict(list)
    for session in sessions:
        sent[session.source, session.destination, session.pgn].append(session.payload)
    watch, one_by_one = TransportWatch(), TransportWatch()
    block = _by_time(frames)
    messages = watch.feed(block) + watch.close(10**12)
    single = tuple(found for row in range(len(block)) for found in one_by_one.feed(block.slice(row, row + 1)))
    assert single + one_by_one.close(10**12) == messages
    for message in messages:
        if message.payload is not None:
            assert message.payload in sent[message.source, message.destination, message.pgn]
            sent[message.source, message.destination, message.pgn].remove(message.payload)
        else:
            assert message.why


@settings(max_examples=60)
@given(traffic(), st.lists(st.integers(0, 200), max_size=6), st.lists(st.integers(0, 60), max_size=4))
def test_cutting_the_traffic_anywhere_gives_the_same_messages(
    sessions: list[Sent], cuts: list[int], lost: list[int]
) -> None:
    frames = sorted((frame for session in sessions for frame in session.frames), key=lambda frame: frame[0])
    block = frames_block([frame for n, frame in enumerate(frames) if n not in lost])
    for pgns in (None, (65226,)):
        whole, pieces = TransportWatch(pgns), TransportWatch(pgns)
        expected = whole.feed(block) + whole.close(10**12)
        found = tuple(message for piece in cut_at(block, cuts) for message in pieces.feed(piece))
        assert found + pieces.close(10**12) == expected


@settings(max_examples=40)
@given(traffic(), st.lists(st.integers(0, 60), max_size=4))
def test_asking_for_one_group_gives_what_asking_for_all_gives_of_it(sessions: list[Sent], lost: list[int]) -> None:
    frames = sorted((frame for session in sessions for frame in session.frames), key=lambda frame: frame[0])
    block = frames_block([frame for n, frame in enumerate(frames) if n not in lost])
    everything, one = TransportWatch(), TransportWatch((65226,))
    of_all = [message for message in everything.feed(block) + everything.close(10**12) if message.pgn == 65226]
    assert list(one.feed(block) + one.close(10**12)) == of_all


@pytest.mark.network_sources
def test_the_packets_in_python_cans_own_capture_come_out_whole_after_their_announcement() -> None:
    # its recorder wrote the announcement as a comment of its own, so it is put back here
    packets = FrameBlock.concat(list(open_capture([python_can_captures() / "logfile.asc"]).blocks()))
    assert TransportWatch().feed(packets) == ()
    announcement = block_of("0.0 18ECFF00#20170004FFE3FE00")
    first = int(np.flatnonzero(packets.id == 0x18EBFF00)[0])
    announced = replace(announcement, t_ns=packets.t_ns[first : first + 1] - 50_000_000, channel=packets.channel[:1])
    messages = TransportWatch().feed(FrameBlock.concat([announced, packets.slice(first, first + 4)]))
    assert [message.payload for message in messages] == [ENGINE_PAYLOAD]
