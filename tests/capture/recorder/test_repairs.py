"""What other readers lose, and ours keeps: checked against what the format or the standard says."""

import sqlite3
import struct
import zlib
from pathlib import Path

import can
import pytest

from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.source import Capture, open_capture
from tests.capture.random_frames import rows_of

EXT, ERR, RTR, FD = (int(flag) for flag in (FrameFlag.EXTENDED, FrameFlag.ERROR, FrameFlag.REMOTE, FrameFlag.FD))
SENT = int(FrameFlag.TRANSMITTED)
SECOND = 10**9

ASC_HEAD = "date Sat Sep 30 03:06:13.191 pm 2017\nbase hex  timestamps absolute\n"
ASC_START = 1_506_783_973 * SECOND + 191_000_000


def read(path: Path, text: str | bytes) -> tuple[list[tuple[int, int, int, int, int, str]], Capture]:
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    capture = open_capture([path])
    return rows_of(FrameBlock.concat(list(capture.blocks()))), capture


def test_the_first_frame_of_an_asc_without_a_line_on_internal_events_is_read(tmp_path: Path) -> None:
    rows, _ = read(tmp_path / "c.asc", ASC_HEAD + "  0.500000 1  123  Rx  d 2 11 22\n  0.600000 1  124x Tx  d 0\n")
    assert rows == [
        (ASC_START + 500_000_000, 0, 0x123, 0, 2, "1122"),
        (ASC_START + 600_000_000, 0, 0x124, EXT | SENT, 0, ""),
    ]


def test_an_asc_without_any_header_counts_from_zero(tmp_path: Path) -> None:
    rows, capture = read(tmp_path / "c.asc", "0.500000 1 123 Rx d 1 11\n0.750000 2 123 Rx d 1 12\n")
    assert rows == [(500_000_000, 0, 0x123, 0, 1, "11"), (750_000_000, 1, 0x123, 0, 1, "12")]
    assert not capture.epoch


def test_relative_asc_times_count_from_the_line_before(tmp_path: Path) -> None:
    text = "base hex timestamps relative\n" + "0.100000 1 1 Rx d 0\n0.100000 1 Statistic: D 1\n0.100000 1 2 Rx d 0\n"
    rows, _ = read(tmp_path / "c.asc", text)
    assert [row[0] for row in rows] == [100_000_000, 300_000_000]


def test_base_dec_makes_identifiers_lengths_and_bytes_decimal(tmp_path: Path) -> None:
    rows, _ = read(tmp_path / "c.asc", "base dec timestamps absolute\n0.1 1 291 Rx d 2 17 255\n0.2 1 291x Rx d 1 16\n")
    assert [row[2:] for row in rows] == [(0x123, 0, 2, "11ff"), (0x123, EXT, 1, "10")]


@pytest.mark.parametrize(
    "date",
    ["Sam Sep 30 15:06:13.191 2017", "Sat Sep 30 03:06:13.191 pm 2017", "Sam Sept 30 15:06:13.191 2017"],
)
def test_dates_in_the_clocks_of_several_languages_are_understood(date: str, tmp_path: Path) -> None:
    rows, capture = read(tmp_path / "c.asc", f"date {date}\nbase hex timestamps absolute\n0.0 1 1 Rx d 0\n")
    assert rows[0][0] == ASC_START
    assert "without a zone" in capture.warnings[0]


@pytest.mark.parametrize(("month", "number"), [("Mär", 3), ("Mai", 5), ("Okt", 10), ("Dez", 12)])
def test_german_months_are_understood(month: str, number: int, tmp_path: Path) -> None:
    from datetime import UTC, datetime

    rows, _ = read(tmp_path / "c.asc", f"date Die {month} 2 10:00:00.000 2018\nbase hex\n0.0 1 1 Rx d 0\n")
    assert rows[0][0] == datetime(2018, number, 2, 10, tzinfo=UTC).timestamp() * SECOND


def test_a_date_that_nobody_understands_costs_no_frame(tmp_path: Path) -> None:
    rows, capture = read(tmp_path / "c.asc", "date gestern\nbase hex timestamps absolute\n0.5 1 1 Rx d 0\n")
    assert rows == [(500_000_000, 0, 1, 0, 0, "")]
    assert "not understood" in capture.warnings[0]


def test_a_name_of_digits_does_not_shift_the_columns_of_an_fd_frame(tmp_path: Path) -> None:
    line = "0.5 CANFD 1 Rx 300 0 1 0 9 12 " + " ".join(["0A"] * 12) + " 102203 133 303000\n"
    rows, _ = read(tmp_path / "c.asc", line)
    assert rows == [(500_000_000, 0, 0x300, FD | int(FrameFlag.BRS), 12, "0a" * 12)]


def test_a_request_to_transmit_in_an_asc_is_no_frame_on_the_bus(tmp_path: Path) -> None:
    rows, capture = read(tmp_path / "c.asc", "0.5 1 300 TxRq d 1 01\n0.6 1 300 Tx d 1 01\n")
    assert len(rows) == 1
    assert capture.skipped.total == 0


def test_a_change_of_the_controllers_state_in_an_asc_is_kept(tmp_path: Path) -> None:
    text = (
        "0.1 CAN 1 Status:chip status error active\n"
        "0.2 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 0\n"
        "0.3 CAN 1 Status:chip status error passive - TxErr: 136 RxErr: 0\n"
        "0.4 CAN 1 Status:chip status busoff\n"
        "0.5 1 1 Rx d 0\n"
    )
    rows, _ = read(tmp_path / "c.asc", text)
    # Linux header can/error.h: class 0x4 with detail 0x20 is transmit passive, 0x200 counters, class 0x40 bus-off
    assert [row[2:4] + row[5:] for row in rows[:2]] == [
        (0x204, ERR, "0020000000008400"),
        (0x040, ERR, "0000000000000000"),
    ]


def test_damaged_asc_lines_are_counted_and_named(tmp_path: Path) -> None:
    text = "0.1 1 123 Rx d 2 11\n0.2 1 12G Rx d 0\n0.3 1 800 Rx d 0\n\x01\x02junk\n0.4 1 123 Rx d 0\n"
    rows, capture = read(tmp_path / "c.asc", text)
    assert len(rows) == 1
    assert [skip.line for skip in capture.skipped.first] == [1, 2, 3, 4]


TRC_2 = ";$FILEVERSION=2.0\n;$STARTTIME=44548.6028595139\n;$COLUMNS=N,O,T,I,d,{},D\n"
TRC_START = 1_639_837_687_062_000_960  # 44548.6028595139 days after 1899-12-30, in ns after 1970-01-01


def test_status_and_error_rows_of_a_trc_are_kept(tmp_path: Path) -> None:
    text = TRC_2.format("l") + "1 10.5 DT 0123 Rx 1 11\n2 20.000 ST      Rx   00 00 00 10\n3 30.125 DT 0123 Rx 1 12\n"
    rows, _ = read(tmp_path / "c.trc", text)
    assert [row[0] - TRC_START for row in rows] == [10_500_000, 20_000_000, 30_125_000]
    assert rows[1][2:4] == (0x40, ERR)  # bus-off


@pytest.mark.parametrize(("column", "value"), [("l", "64"), ("L", "15")])
def test_the_length_of_a_trc_fd_frame_is_in_bytes(column: str, value: str, tmp_path: Path) -> None:
    rows, _ = read(tmp_path / "c.trc", TRC_2.format(column) + f"1 10.5 FB 0123 Rx {value} {' '.join(['5A'] * 64)}\n")
    assert rows[0][3:] == (FD | int(FrameFlag.BRS), 64, "5a" * 64)


def test_the_first_bus_of_a_trc_has_the_same_number_as_in_the_other_kinds(tmp_path: Path) -> None:
    text = ";$FILEVERSION=2.1\n;$STARTTIME=44548.5\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n1 1.0 DT 1 0123 Rx - 1 11\n"
    rows, _ = read(tmp_path / "c.trc", text)
    assert rows[0][1] == 0


def test_trc_version_1_2_has_its_bus_column(tmp_path: Path) -> None:  # from memory of the format's manual
    text = ";$FILEVERSION=1.2\n;$STARTTIME=44548.5\n     1)      1059.900 2  Rx    00000300  2  11 22\n"
    rows, _ = read(tmp_path / "c.trc", text)
    assert rows[0][1:] == (1, 0x300, EXT, 2, "1122")


def blf_object(kind: int, body: bytes, t_ns: int) -> bytes:
    data = struct.pack("<4sHHLL", b"LOBJ", 32, 1, 32 + len(body), kind) + struct.pack("<LHHq", 2, 0, 0, t_ns) + body
    return data + bytes(len(data) % 4)


def blf_file(objects: bytes, *, cut: int | None = None, container: int = 100) -> bytes:
    """Make a file whose containers hold `container` bytes each, so that objects go across them."""
    start = (2020, 1, 3, 1, 12, 0, 0, 0)
    file = struct.pack("<4sL8BQQLL8H8H", b"LOGG", 144, *[0] * 8, 0, 0, 0, 0, *start, *[0] * 8).ljust(144, b"\0")
    for first in range(0, len(objects), container):
        packed = zlib.compress(objects[first : first + container])
        body = struct.pack("<H6xL4x", 2, min(container, len(objects) - first)) + packed
        base = struct.pack("<4sHHLL", b"LOBJ", 16, 1, 16 + len(body), 10)
        file += base + body + bytes((16 + len(body)) % 4)
    return file[:cut]


def classical(number: int, *, channel: int = 1) -> bytes:
    return struct.pack("<HBBL8s", channel, 0, 1, number, bytes((number,)))


BLF_START = 1_577_880_000 * SECOND  # 2020-01-01 12:00


def test_a_blf_error_frame_of_the_older_kind_is_kept(tmp_path: Path) -> None:
    objects = blf_object(1, classical(5), 0) + blf_object(2, struct.pack("<HH", 2, 0), 7)
    rows, _ = read(tmp_path / "c.blf", blf_file(objects))
    assert rows[1][:4] == (BLF_START + 7, 1, 0x80, ERR)


def test_a_blf_frame_from_before_the_trigger_has_a_time_before_the_start(tmp_path: Path) -> None:
    objects = blf_object(1, classical(5), -5_000_000) + blf_object(1, classical(6), 0)
    rows, _ = read(tmp_path / "c.blf", blf_file(objects))
    assert [row[0] - BLF_START for row in rows] == [-5_000_000, 0]


def test_a_blf_object_outside_a_container_is_read(tmp_path: Path) -> None:
    rows, _ = read(tmp_path / "c.blf", blf_file(b"") + blf_object(1, classical(5), 3))
    assert rows == [(BLF_START + 3, 0, 5, 0, 1, "05")]


def test_a_blf_that_was_cut_off_is_read_up_to_its_last_whole_container(tmp_path: Path) -> None:
    objects = b"".join(blf_object(1, classical(number), number * 1000) for number in range(100))
    whole = blf_file(objects)
    rows, capture = read(tmp_path / "c.blf", whole[: len(whole) * 2 // 3])
    assert 50 < len(rows) < 80
    assert [row[2] for row in rows] == list(range(len(rows)))
    assert "middle of a container" in " ".join(capture.warnings)


def test_blf_objects_may_go_across_containers_at_any_byte(tmp_path: Path) -> None:
    objects = b"".join(blf_object(1, classical(number), number * 1000) for number in range(12))
    for container in range(1, 60):
        rows, capture = read(tmp_path / "c.blf", blf_file(objects, container=container))
        assert [row[2] for row in rows] == list(range(12)), container
        assert len(capture.warnings) == 1  # on the zone


def test_a_damaged_container_in_a_blf_costs_no_more_than_what_it_held(tmp_path: Path) -> None:
    objects = b"".join(blf_object(1, classical(number), number * 1000) for number in range(100))
    damaged = bytearray(blf_file(objects, container=480))
    damaged[damaged.index(b"LOBJ", 1200) + 40] ^= 0xFF
    rows, capture = read(tmp_path / "c.blf", bytes(damaged))
    assert 85 <= len(rows) < 100
    assert "damaged" in " ".join(capture.warnings)


def test_error_classes_survive_from_log_to_blf_and_back(tmp_path: Path) -> None:
    from busdoc.capture.formats.write import write_capture

    text = "".join(f"({t}.000000) can0 2000{c:04X}#0001020304050607\n" for t, c in enumerate((4, 0x20, 0x40, 0x100)))
    rows, capture = read(tmp_path / "c.log", text)
    write_capture(tmp_path / "c.blf", open_capture([tmp_path / "c.log"]).blocks(), capture.channels)
    again = rows_of(FrameBlock.concat(list(open_capture([tmp_path / "c.blf"]).blocks())))
    assert [row[2:] for row in again] == [row[2:] for row in rows]


def test_a_csv_with_times_like_1e_minus_05_is_read(tmp_path: Path) -> None:
    text = "timestamp,arbitration_id,extended,remote,error,dlc,data\n1e-05,0x123,0,0,0,2,ESI=\n2.5,0x123,0,0,0,3,ESI=\n"
    rows, capture = read(tmp_path / "c.csv", text)
    assert rows == [(10_000, 0, 0x123, 0, 2, "1122")]
    assert [skip.line for skip in capture.skipped.first] == [3]


def test_a_db_is_opened_for_reading_only_and_odd_rows_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "c?#%.db"  # what a web address would take for its own
    with can.Logger(path) as logger:
        logger.on_message_received(can.Message(timestamp=1.5, arbitration_id=1, is_extended_id=False, data=b"\1\2"))
    connection = sqlite3.connect(path)
    connection.execute("INSERT INTO messages VALUES ('soon', 1, 0, 0, 0, 0, NULL)")
    connection.execute("INSERT INTO messages VALUES (9e300, 1, 0, 0, 0, 0, NULL)")
    connection.execute("INSERT INTO messages VALUES (2.0, 1, 0, 0, 0, 8, zeroblob(100000))")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    path.chmod(0o444)
    capture = open_capture([path])
    assert rows_of(FrameBlock.concat(list(capture.blocks()))) == [(1_500_000_000, 0, 1, 0, 2, "0102")]
    assert capture.skipped.total == 3
    assert path.read_bytes() == before
