"""The grammar of `.log` lines, against the notation that the Linux can-utils document and the header can/error.h."""

import pytest

from busdoc.capture.formats.log.line import parse_line
from busdoc.capture.formats.rows import FrameLine
from busdoc.capture.frames import FrameFlag

EXT, ERR, RTR = FrameFlag.EXTENDED, FrameFlag.ERROR, FrameFlag.REMOTE
FD, BRS, ESI, SENT = FrameFlag.FD, FrameFlag.BRS, FrameFlag.ESI, FrameFlag.TRANSMITTED


@pytest.mark.parametrize(
    ("body", "id_", "flags", "length", "payload"),
    [
        ("123#1122334455667788", 0x123, 0, 8, "1122334455667788"),
        ("18FEF131#FFFF", 0x18FEF131, EXT, 2, "ffff"),
        ("00000123#AA", 0x123, EXT, 1, "aa"),
        ("12345#aa", 0x12345, EXT, 1, "aa"),
        ("7#", 0x7, 0, 0, ""),
        ("123#R", 0x123, RTR, 0, ""),
        ("123#R8", 0x123, RTR, 8, ""),
        ("123#r3_9", 0x123, RTR, 3, ""),
        ("123#1122334455667788_D", 0x123, 0, 8, "1122334455667788"),
        ("123##3112233", 0x123, FD | BRS | ESI, 3, "112233"),
        ("123##0", 0x123, FD, 0, ""),
        ("12345678##D" + "5A" * 64, 0x12345678, EXT | FD | BRS, 64, "5a" * 64),
        ("123#11 T", 0x123, SENT, 1, "11"),
        ("123#11 R", 0x123, 0, 1, "11"),
        ("20000004#0008000000006000", 0x004, ERR, 8, "0008000000006000"),  # transmit warning, counter at 96
        ("20000040#0000000000000000", 0x040, ERR, 8, "0000000000000000"),  # bus-off
        ("20000020#0000000000000000", 0x020, ERR, 8, "0000000000000000"),  # no acknowledge
        ("20000100#0000000000000000", 0x100, ERR, 8, "0000000000000000"),  # restarted
        ("20000088#0000040000000000", 0x088, ERR, 8, "0000040000000000"),
    ],
)
def test_a_body_reads_as_the_notation_says(body: str, id_: int, flags: int, length: int, payload: str) -> None:
    line = parse_line(f"(1700000000.123456) can0 {body}".encode())
    assert line == FrameLine(1_700_000_000_123_456_000, "can0", id_, int(flags), length, bytes.fromhex(payload))


@pytest.mark.parametrize(
    ("time", "t_ns"),
    [
        ("0.0", 0),
        ("0000000000.000001", 1000),
        ("1700000000.123456789", 1_700_000_000_123_456_789),  # a float would read …810
        ("1700000000.1234567891", 1_700_000_000_123_456_789),
        ("12", 12 * 10**9),
        ("-0.5", -500_000_000),
        ("4600000000.000000", 4_600_000_000 * 10**9),
    ],
)
def test_a_time_is_read_digit_for_digit(time: str, t_ns: int) -> None:
    line = parse_line(f"({time}) can0 123#".encode())
    assert isinstance(line, FrameLine)
    assert line.t_ns == t_ns


@pytest.mark.parametrize("text", ["", "  ", "# 2022-02-02 start", "\0\0\0", "\r", "// a remark"])
def test_an_empty_line_or_a_comment_is_missed_by_nobody(text: str) -> None:
    assert parse_line(text.encode()) is None


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("(1700000000.1) can0 123#112233445566778", "half a byte"),
        ("(1700000000.1) can0 123#112233445566778899", "more than 8 bytes"),
        ("(1700000000.1) can0 123##0" + "00" * 65, "more than 64 bytes"),
        ("(1700000000.1) can0 123#11GG", "not hexadecimal"),
        ("(1700000000.1) can0 800#", "11-bit identifier above 7FF"),
        ("(1700000000.1) can0 80000123#", "more than 29 bits"),
        ("(1700000000.1) can0 123456789#", "more than 8 digits"),
        ("(1700000000.1) can0 123#R9", "unreadable length"),
        ("(1700000000.1) can0 123##", "without its flag digit"),
        ("(99999999999.1) can0 123#", "a time out of range"),
        ("(4600000000.000000001) can0 123#", "a time out of range"),
        ("1700000000.1 can0 123#", "not of the form"),
        ("(1700000000.1) can0", "not of the form"),
        ("(1_7.1) can0 123#", "not of the form"),
        ("(1700000000.1) can0 123#11 X", "not of the form"),
        ("(1700000000.1) " + "c" * 33 + " 123#11", "channel name"),
    ],
)
def test_what_is_no_frame_says_why(text: str, reason: str) -> None:
    said = parse_line(text.encode())
    assert isinstance(said, str)
    assert reason in said
