"""Signs of a start: SAE J1939-81 claims, CiA 301 boot-ups, ISO 11783-7 heartbeats; and a real tractor's key-on."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.decode.protocols.protocol_frames import protocol_frames
from busdoc.decode.protocols.sign import Sign, SignKind
from busdoc.decode.protocols.sign_watch import SignWatch
from tests.decode.frame_text import Frame, block_of, cut_at, frames_block

REAL = Path(__file__).parents[1] / "data" / "real"
KEYPAD = "3F426F1A00823CC0"  # published in a keypad maker's manual


def signs_of(text: str) -> tuple[Sign, ...]:
    return SignWatch().feed(block_of(text))


def test_the_published_claim_of_a_keypad_is_a_sign_of_its_address_and_name() -> None:
    (sign,) = signs_of(f"1.0 18EEFF21#{KEYPAD}")
    assert sign == Sign(
        t_ns=1_000_000_000, channel=0, kind=SignKind.ADDRESS_CLAIM, address=0x21, can_name=0xC03C82001A6F423F
    )


def test_the_raw_name_keeps_its_reserved_bit() -> None:
    (sign,) = signs_of("1.0 18EEFF21#010203A4B5C6D7E8")
    assert sign.can_name == 0xE8D7C6B5A4030201


@pytest.mark.parametrize("request_frame", ["18EAFFFE#00EE00", "18EA21F9#00EE00"])
def test_a_claim_soon_after_a_request_for_it_was_asked_for(request_frame: str) -> None:
    # SAE J1939-81; the request as a maker's manual prints it
    (sign,) = signs_of(f"1.0 {request_frame}\n1.2 18EEFF21#{KEYPAD}")
    assert sign.asked


@pytest.mark.parametrize("request_frame", ["18EA22F9#00EE00", "18EAFFF9#E5FE00", "18EAFFF9#00EE"])
def test_a_request_to_another_or_for_something_else_asks_for_no_claim(request_frame: str) -> None:
    (sign,) = signs_of(f"1.0 {request_frame}\n1.6 18EEFF21#{KEYPAD}")
    assert not sign.asked


def test_a_claim_at_once_after_a_request_to_somebody_else_was_passed_on() -> None:
    (sign,) = signs_of(f"1.0 18EA22F9#00EE00\n1.35 18EEFF21#{KEYPAD}")
    assert sign.asked


def test_a_claim_long_after_the_request_proves_a_restart() -> None:
    (sign,) = signs_of(f"1.0 18EAFFFE#00EE00\n9.0 18EEFF21#{KEYPAD}")
    assert not sign.asked


def test_a_claim_that_defends_its_address_was_asked_for() -> None:
    # SAE J1939-81: the holder of an address answers a rival's claim with its own
    rival, holder = signs_of("1.0 18EEFF21#40E22122118202B0\n1.15 18EEFF21#41E22122098202B0")
    assert (rival.asked, holder.asked) == (False, True)


def test_a_claim_from_the_null_address_says_that_none_was_free() -> None:
    (sign,) = signs_of(f"1.0 18EEFFFE#{KEYPAD}")
    assert (sign.kind, sign.address) == (SignKind.CANNOT_CLAIM, 254)


def test_the_global_address_cannot_claim() -> None:
    assert signs_of(f"1.0 18EEFFFF#{KEYPAD}") == ()


def test_a_boot_up_without_a_reset_command_was_not_asked_for() -> None:
    (sign,) = signs_of("1.0 705#00")  # CiA 301: one zero byte on the node's error control identifier
    assert (sign.kind, sign.node_id, sign.asked) == (SignKind.BOOT_UP, 5, False)


@pytest.mark.parametrize("command", ["8105", "8205", "8100"])
def test_a_boot_up_after_a_reset_command_was_asked_for(command: str) -> None:
    (sign,) = signs_of(f"1.0 000#{command}\n2.0 705#00")  # CiA 301: 129 reset node, 130 reset communication, 0 all
    assert sign.asked


@pytest.mark.parametrize("command", ["0105", "8005", "8106"])
def test_other_commands_ask_for_no_boot_up(command: str) -> None:
    (sign,) = signs_of(f"1.0 000#{command}\n2.0 705#00")
    assert not sign.asked


def test_one_reset_command_explains_one_boot_up() -> None:
    first, second = signs_of("1.0 000#8105\n2.0 705#00\n4.0 705#00")
    assert (first.asked, second.asked) == (True, False)


@pytest.mark.parametrize("said", ["705#05", "705#7F", "705#R", "705#0000000000000000", "00000705#00"])
def test_what_is_no_boot_up_is_no_sign(said: str) -> None:
    assert signs_of(f"1.0 {said}") == ()


def test_iso_11783_heartbeats_tell_the_first_and_the_last() -> None:
    # ISO 11783-7: 251 first after start-up, 255 orderly shutdown, 0 … 250 in between
    beats = "\n".join(f"{n}.0 0CF0E480#{byte}FFFFFFFFFFFFFF" for n, byte in enumerate(("FB", "00", "FA", "FE", "FF")))
    assert [(sign.kind, sign.t_ns // 10**9) for sign in signs_of(beats)] == [
        (SignKind.HEARTBEAT_FIRST, 0),
        (SignKind.HEARTBEAT_LAST, 4),
    ]


def test_a_sender_that_babbles_its_claim_gives_one_sign() -> None:
    babble = frames_block([(ms * 1_000_000, 0, 0x18EEFF21, True, bytes.fromhex(KEYPAD)) for ms in range(0, 5000, 5)])
    assert len(SignWatch().feed(babble)) == 1


def test_the_tractors_controllers_claim_within_a_tenth_of_a_second_of_key_on() -> None:
    # real tractor: claims of addresses 0, 3, 6, 71 at key-on; the same names each time
    watch = SignWatch()
    signs = [
        sign
        for block in open_capture([REAL / "tractor-key-on-crank-key-off.log.gz"]).blocks()
        for sign in watch.feed(block)
    ]
    at_key_on = {sign.address for sign in signs if sign.t_ns < 100_000_000}
    assert {0, 3, 6, 71} <= at_key_on
    names = {(sign.address, sign.can_name) for sign in signs}
    assert len(names) == len({sign.address for sign in signs}) == 5


def test_a_car_without_open_protocols_gives_no_sign() -> None:
    watch = SignWatch()
    assert not any(watch.feed(block) for block in open_capture([REAL / "car-clean-drive.log.gz"]).blocks())


SPOKEN = st.sampled_from(
    [
        (0x18EAFFFE, True, "00EE00"),
        (0x18EA21F9, True, "00EE00"),
        (0x18EEFF21, True, KEYPAD),
        (0x18EEFF21, True, "40E22122118202B0"),
        (0x18EEFFFE, True, KEYPAD),
        (0x0CF0E480, True, "FBFFFFFFFFFFFFFF"),
        (0x0CF0E480, True, "FFFFFFFFFFFFFFFF"),
        (0x000, False, "8105"),
        (0x705, False, "00"),
        (0x18FEF131, True, "FFFF"),
    ]
)


@st.composite
def spoken_blocks(draw: st.DrawFn) -> FrameBlock:
    t_ns, frames = 0, list[Frame]()
    for id_, extended, payload in draw(st.lists(SPOKEN, min_size=1, max_size=40)):
        t_ns += draw(st.sampled_from([0, 20, 99, 100, 101, 600, 1500, 4000])) * 1_000_000
        frames.append((t_ns, draw(st.integers(0, 1)), id_, extended, bytes.fromhex(payload)))
    return frames_block(frames)


@settings(max_examples=150)
@given(spoken_blocks(), st.lists(st.integers(0, 50), max_size=5))
def test_cutting_the_capture_anywhere_gives_the_same_signs(block: FrameBlock, cuts: list[int]) -> None:
    watch = SignWatch()
    pieces = tuple(sign for piece in cut_at(block, cuts) for sign in watch.feed(piece))
    assert pieces == SignWatch().feed(block)


@settings(max_examples=50)
@given(spoken_blocks())
def test_one_frame_at_a_time_gives_the_same_signs(block: FrameBlock) -> None:
    watch = SignWatch()
    single = tuple(sign for row in range(len(block)) for sign in watch.feed(block.slice(row, row + 1)))
    assert single == SignWatch().feed(block)


@settings(max_examples=50)
@given(spoken_blocks())
def test_sieved_frames_give_the_same_signs(block: FrameBlock) -> None:
    assert SignWatch().feed(protocol_frames(block)) == SignWatch().feed(block)


def test_random_frames_raise_nothing_and_stay_few() -> None:
    rng = np.random.default_rng(7)
    n = 200_000
    block = FrameBlock(
        t_ns=np.sort(rng.integers(0, 60 * 10**9, n)),
        channel=rng.integers(0, 4, n).astype(np.uint8),
        id=rng.integers(0, 1 << 29, n).astype(np.uint32),
        flags=rng.integers(0, 128, n).astype(np.uint16),
        length=rng.integers(0, 65, n).astype(np.uint8),
        data=rng.integers(0, 256, (n, 8)).astype(np.uint8),
    )
    assert len(SignWatch().feed(block)) < n / 100
