"""Frame lengths against published counts, an independent checksum, and a bit-by-bit reference."""

from dataclasses import dataclass

import numpy as np
import pytest
from crccheck.crc import Crc15Can
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag, LongPayloads
from busdoc.health.wire.frame_length import FD_LENGTHS, frame_bits

EXTENDED, REMOTE, FD, BRS, ESI, ERROR = (
    FrameFlag.EXTENDED,
    FrameFlag.REMOTE,
    FrameFlag.FD,
    FrameFlag.BRS,
    FrameFlag.ESI,
    FrameFlag.ERROR,
)
NO_FLAG = FrameFlag(0)


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame as a test writes it."""

    id: int
    flags: FrameFlag
    payload: bytes = b""
    length: int | None = None


def block_of(frames: list[Frame]) -> FrameBlock:
    n = len(frames)
    data = np.zeros((n, 8), np.uint8)
    rows, start, long = [], [0], b""
    for row, frame in enumerate(frames):
        head = frame.payload[:8]
        data[row, : len(head)] = list(head)
        if len(frame.payload) > 8:
            rows.append(row)
            long += frame.payload
            start.append(len(long))
    lengths = [len(f.payload) if f.length is None else f.length for f in frames]
    return FrameBlock(
        t_ns=np.arange(n, dtype=np.int64),
        channel=np.zeros(n, np.uint8),
        id=np.array([f.id for f in frames], np.uint32),
        flags=np.array([f.flags for f in frames], np.uint16),
        length=np.array(lengths, np.uint8),
        data=data,
        long=LongPayloads(
            row=np.array(rows, np.int64), start=np.array(start, np.int64), bytes=np.frombuffer(long, np.uint8)
        ),
    )


def nominal(*frames: Frame) -> list[int]:
    bits = frame_bits(block_of(list(frames)))
    assert not bits.data.any()
    return [int(n) for n in bits.nominal]


# The reference: bit by bit, with the checksum of another library


def crc15(bits: str) -> str:
    """crccheck works on whole bytes; blank bits in front change nothing, since its register starts at zero."""
    whole = bits.rjust(-(-len(bits) // 8) * 8, "0")
    checksum = Crc15Can.calc(int(whole, 2).to_bytes(len(whole) // 8, "big"))
    return f"{checksum:015b}"


def stuffed(bits: str) -> str:
    """ISO 11898-1: after five equal bits one opposite bit, which begins the next run."""
    sent = ""
    run = 0
    for bit in bits:
        run = run + 1 if sent and sent[-1] == bit else 1
        sent += bit
        if run == 5:
            sent += "1" if bit == "0" else "0"
            run = 1
    return sent


def identifier_bits(frame: Frame, substitute: str, ide_tail: str) -> str:
    """SOF to the bit before the control field; `substitute` stands after the base identifier of an extended frame."""
    if frame.flags & EXTENDED:
        return f"0{frame.id >> 18:011b}{substitute}1{frame.id & 0x3FFFF:018b}{ide_tail}"
    return f"0{frame.id:011b}{ide_tail}0"


def naive_classical(frame: Frame) -> int:
    remote = bool(frame.flags & REMOTE)
    dlc = len(frame.payload) if frame.length is None else frame.length
    rtr = "1" if remote else "0"
    reserved = "00" if frame.flags & EXTENDED else "0"
    head = identifier_bits(frame, "1", rtr) + reserved + f"{dlc:04b}"
    body = head + "".join(f"{byte:08b}" for byte in frame.payload)
    return len(stuffed(body + crc15(body))) + 1 + 2 + 7 + 3


def naive_fd(frame: Frame) -> tuple[int, int]:
    brs = "1" if frame.flags & BRS else "0"
    head = identifier_bits(frame, "1", "0") + "10" + brs
    dlc = list(FD_LENGTHS).index(len(frame.payload))
    rest = ("1" if frame.flags & ESI else "0") + f"{dlc:04b}" + "".join(f"{byte:08b}" for byte in frame.payload)
    sent = stuffed(head + rest)
    before = len(stuffed(head))
    if sent[-1] != rest[-1]:  # an inserted bit stands last: a run that ends the data is broken by the first fixed bit
        sent = sent[:-1]
    crc_bits = 4 + (17 if len(frame.payload) <= 16 else 21)
    fixed = sum(1 for at in range(crc_bits) if at % 4 == 0)
    switched = len(sent) - before + crc_bits + fixed + 1
    tail = 1 + 1 + 7 + 3
    return (before + tail, switched) if frame.flags & BRS else (before + tail + switched, 0)


# Published values


def test_the_checksum_has_the_published_check_value() -> None:
    # CRC-15 with generator 0x4599, ISO 11898-1: "123456789" gives 0x059E in the catalogue of checksums
    assert Crc15Can.calc(b"123456789") == 0x059E


@pytest.mark.parametrize(
    ("identifier", "payload", "bits"),
    [
        (0x18EBFF00, "01A00FA6603BD140", 141),
        (0x18EBFF00, "021FDE8025DFC02B", 140),
        (0x18EBFF00, "03E1004BFFFF3C0F", 146),
        (0x18EBFF00, "04004BFFFFFFFFFF", 146),
        (0x6F8, "FF000CFE00000000", 124),
    ],
)
def test_lengths_are_those_that_a_published_capture_recorded(identifier: int, payload: str, bits: int) -> None:
    # the BitCount column of logfile.asc in python-can's own tests
    flags = EXTENDED if identifier > 0x7FF else NO_FLAG
    assert nominal(Frame(identifier, flags, bytes.fromhex(payload))) == [bits]


@pytest.mark.parametrize(
    ("frame", "bits"),
    [
        (Frame(0x123, NO_FLAG, bytes.fromhex("1122334455667788")), 112),
        (Frame(0x000, NO_FLAG), 53),
        (Frame(0x555, NO_FLAG), 48),
        (Frame(0x123, REMOTE, length=8), 48),
        (Frame(0x7FF, NO_FLAG, b"\xff" * 8), 126),
        (Frame(0x705, NO_FLAG, b"\x05"), 59),
        (Frame(0x705, NO_FLAG, b"\x00"), 58),
        (Frame(0x085, NO_FLAG, bytes.fromhex("3081110000000000")), 121),
        (Frame(0x0CF00400, EXTENDED, bytes.fromhex("FF7D7D8813FFFFFF")), 143),
        (Frame(0x18FECA31, EXTENDED, bytes.fromhex("04FFB804030AFFFF")), 140),
        (Frame(0x18EAFFFE, EXTENDED, bytes.fromhex("00EE00")), 98),
        (Frame(0x1FFFFFFF, EXTENDED, b"\xff" * 8), 149),
        (Frame(0x00000000, EXTENDED, bytes(8)), 150),
        (Frame(0x000, NO_FLAG, bytes.fromhex("3C3C2BF1F083DCFF")), 111 + 17),
        (Frame(0x000E0014, EXTENDED, bytes.fromhex("F87FC7C3043BF060")), 131 + 19),
    ],
)
def test_worked_frames_have_their_lengths(frame: Frame, bits: int) -> None:
    # ISO 11898-1, the checksum by two independent methods, intermission included
    assert nominal(frame) == [bits]


def test_every_base_frame_without_data_matches_the_exhaustive_count() -> None:
    stuff = stuff_bits(np.arange(2048), np.zeros((2048, 0), np.uint8))
    # every identifier counted bit by bit; the bound of Davis et al. 2007, 8, is never reached
    assert np.bincount(stuff).tolist() == [0, 676, 877, 393, 88, 13, 1]


def test_every_base_frame_with_one_byte_matches_the_exhaustive_count() -> None:
    identifier = np.repeat(np.arange(2048), 256)
    payload = np.tile(np.arange(256), 2048).astype(np.uint8)[:, None]
    stuff = stuff_bits(identifier, payload)
    assert np.bincount(stuff).tolist() == [0, 171697, 211349, 106891, 29254, 4638, 427, 32]
    assert int(stuff.sum()) == 1_058_060


def stuff_bits(identifier: Int64Array, payload: np.ndarray[tuple[int, int], np.dtype[np.uint8]]) -> Int64Array:
    n, n_bytes = payload.shape
    data = np.zeros((n, 8), np.uint8)
    data[:, :n_bytes] = payload
    block = FrameBlock(
        t_ns=np.zeros(n, np.int64),
        channel=np.zeros(n, np.uint8),
        id=identifier.astype(np.uint32),
        flags=np.zeros(n, np.uint16),
        length=np.full(n, n_bytes, np.uint8),
        data=data,
    )
    return frame_bits(block).nominal - (47 + 8 * n_bytes)  # ISO 11898-1: 44 bits without stuffing, and intermission


# Properties

payloads = st.one_of(
    st.binary(max_size=8),
    st.lists(st.sampled_from([0x00, 0xFF, 0x1F, 0xF8, 0x07, 0xE0, 0x55]), max_size=8).map(bytes),
)
identifiers = st.one_of(st.integers(0, 0x1FFFFFFF), st.sampled_from([0, 0x1FFFFFFF, 0x1F, 0x7C0, 0x3C3C3C]))


@st.composite
def classical_frames(draw: st.DrawFn) -> Frame:
    extended = draw(st.booleans())
    identifier = draw(identifiers) & (0x1FFFFFFF if extended else 0x7FF)
    flags = EXTENDED if extended else NO_FLAG
    if draw(st.integers(0, 9)) == 0:
        return Frame(identifier, flags | REMOTE, b"", draw(st.integers(0, 8)))
    return Frame(identifier, flags, draw(payloads))


@st.composite
def fd_frames(draw: st.DrawFn) -> Frame:
    extended = draw(st.booleans())
    identifier = draw(identifiers) & (0x1FFFFFFF if extended else 0x7FF)
    flags = FD | (EXTENDED if extended else NO_FLAG)
    flags |= draw(st.sampled_from([NO_FLAG, BRS, ESI, BRS | ESI]))
    n_bytes = draw(st.sampled_from(FD_LENGTHS.tolist()))
    fill = draw(st.sampled_from([b"\x00", b"\xff", b"\x1f", b"\x0f", b"\xa5"]))
    head = draw(st.binary(max_size=n_bytes))
    return Frame(identifier, flags, head + fill * (n_bytes - len(head)))


@given(frames=st.lists(classical_frames(), min_size=1, max_size=20))
@settings(max_examples=150)
def test_a_classical_frame_is_as_long_as_bit_by_bit(frames: list[Frame]) -> None:
    assert nominal(*frames) == [naive_classical(frame) for frame in frames]


@given(frames=st.lists(fd_frames(), min_size=1, max_size=12))
@settings(max_examples=150)
def test_an_fd_frame_is_as_long_as_bit_by_bit_at_both_rates(frames: list[Frame]) -> None:
    bits = frame_bits(block_of(frames))
    found = list(zip(bits.nominal.tolist(), bits.data.tolist(), strict=True))
    assert found == [naive_fd(frame) for frame in frames]


@given(frame=classical_frames())
@settings(max_examples=200)
def test_no_frame_is_longer_than_the_published_bound(frame: Frame) -> None:
    # Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007): 55 + 10 s bits, 80 + 10 s with 29-bit identifiers
    most = (80 if frame.flags & EXTENDED else 55) + 10 * len(frame.payload)
    assert nominal(frame)[0] <= most


def test_an_fd_frame_without_stuff_bits_has_the_fields_of_the_standard() -> None:
    # ISO 11898-1:2015, base format, 0x555 and no data: SOF 1, id 11, RRS, IDE, FDF, res, BRS, ESI 6, DLC 4, stuff
    # count 4, CRC 17, fixed stuff bits 6, CRC delimiter 1, ACK 2, EOF 7, intermission 3; 0x555 0 0 1 0 0 0 0000 holds
    # one run of five
    assert nominal(Frame(0x555, FD)) == [1 + 11 + 6 + 4 + 4 + 17 + 6 + 1 + 2 + 7 + 3 + 1]


@pytest.mark.parametrize(("identifier", "bits"), [(0x80, 20), (0x88, 20), (0x20, 20), (0x0, 20), (0x40, 0), (0x100, 0)])
def test_only_messages_of_errors_on_the_wire_take_wire_time(identifier: int, bits: int) -> None:
    # Linux, can/error.h: 0x8 protocol violation, 0x20 no acknowledge, 0x80 bus error; 0x40 bus-off, 0x100 restarted
    assert nominal(Frame(identifier, ERROR, bytes(8))) == [bits]


def test_a_payload_beyond_eight_bytes_without_its_mark_is_measured_as_fd() -> None:
    assert nominal(Frame(0x123, NO_FLAG, bytes(range(12)))) == nominal(Frame(0x123, FD, bytes(range(12))))
