"""Frame by frame against python-can's own readers, on its own test captures and on ones that its writers make.

Where its reader is known to lose or bend something, the expectation is bent here, by name, and `test_repairs` checks
what ours says instead.
"""

import random
from collections.abc import Iterator
from pathlib import Path

import can
import pytest
from can.io.player import MESSAGE_READERS

from busdoc.capture.formats.suffixes import READERS
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.capture.source import open_capture
from tests.capture.published import python_can_captures

Plain = tuple[float, str, int, bool, bool, bool, bool, bool, bool, int, bytes]


def ours(path: Path, *, compiled: bool) -> list[Plain]:
    capture = open_capture([path], compiled=compiled)
    block = FrameBlock.concat(list(capture.blocks()))
    rows = []
    for row in range(len(block)):
        flags = FrameFlag(int(block.flags[row]))
        if FrameFlag.ERROR in flags and int(block.id[row]) & 0x204 and path.suffix in (".asc", ".trc"):
            continue  # a controller's state, which python-can steps over
        rows.append(
            plain(
                t_s=int(block.t_ns[row]) / 1e9,
                channel=capture.channels.name(int(block.channel[row])),
                id_=int(block.id[row]),
                extended=FrameFlag.EXTENDED in flags,
                remote=FrameFlag.REMOTE in flags,
                error=FrameFlag.ERROR in flags,
                fd=FrameFlag.FD in flags,
                bit_rate_switch=FrameFlag.BRS in flags,
                sent=FrameFlag.TRANSMITTED in flags,
                length=int(block.length[row]),
                payload=block.payload(row),
            )
        )
    return rows


def theirs(path: Path) -> list[Plain]:
    with can.LogReader(path) as reader:
        return [
            plain(
                t_s=message.timestamp,
                channel=channel_of(message, path),
                id_=message.arbitration_id,
                extended=message.is_extended_id or message.arbitration_id > 0x7FF,
                remote=message.is_remote_frame,
                error=message.is_error_frame,
                # its FD remote frames do not exist on a bus (ISO 11898-1), nor does an FD mark in .csv and .db
                fd=message.is_fd or (message.dlc > 8 and path.suffix in (".csv", ".db")),
                bit_rate_switch=message.bitrate_switch,
                sent=not message.is_rx,
                length=length_of(message, path),
                payload=bytes(message.data),
            )
            for message in reader
        ]


def channel_of(message: can.Message, path: Path) -> str:
    if path.suffix == ".trc":  # its reader keeps 1 for the first channel, its other readers give 0
        assert isinstance(message.channel, int)
        return str(message.channel - 1)
    return "0" if message.channel is None else str(message.channel)


def length_of(message: can.Message, path: Path) -> int:
    if path.suffix == ".trc" and message.is_fd:  # it gives the length code
        return can.util.dlc2len(message.dlc)
    if (message.is_fd and not message.is_remote_frame) or path.suffix in (".csv", ".db"):
        return message.dlc
    return min(message.dlc, 8)  # a length code above 8 makes no classical frame longer (ISO 11898-1)


def plain(
    *,
    t_s: float,
    channel: str,
    id_: int,
    extended: bool,
    remote: bool,
    error: bool,
    fd: bool,
    bit_rate_switch: bool,
    sent: bool,
    length: int,
    payload: bytes,
) -> Plain:
    if error:  # of error frames it keeps no more than that there was one, in most kinds
        return (t_s, "", 0, False, False, True, False, False, False, 0, b"")
    if remote:
        return (t_s, channel, id_, extended, True, False, False, False, sent, length, b"")
    return (t_s, channel, id_, extended, False, False, fd, bit_rate_switch, sent, length, payload.ljust(length, b"\0"))


def assert_same(mine: list[Plain], its: list[Plain], *, to_s: float) -> None:
    """Compare, times up to a constant: python-can gives those of .asc from 0."""
    assert [row[1:] for row in mine] == [row[1:] for row in its]
    shift_s = round((mine[0][0] - its[0][0]) / 0.001) * 0.001
    assert max(abs(a[0] - b[0] - shift_s) for a, b in zip(mine, its, strict=True)) <= to_s


def mixed_messages(seed: int, n: int) -> Iterator[can.Message]:
    source = random.Random(seed)
    t_s = 1_700_000_000.0
    for _ in range(n):
        t_s = round(t_s + source.choice([0.0, 0.001, 0.012345, 0.5, 3.0]), 6)
        extended, kind = source.random() < 0.5, source.random()
        message = can.Message(
            timestamp=t_s,
            arbitration_id=source.randrange(1 << 29) if extended else source.randrange(1 << 11),
            is_extended_id=extended,
            channel=source.randrange(3),
            is_rx=source.random() < 0.7,
        )
        if kind < 0.05:
            message.is_error_frame, message.is_extended_id = True, True
            message.arbitration_id = source.choice([0x0, 0x4, 0x20, 0x40])
            message.dlc, message.data = 8, bytearray(8)
        elif kind < 0.1:
            message.is_remote_frame, message.dlc = True, source.randrange(9)
        else:
            is_fd = kind < 0.2
            length = source.choice([5, 8, 12, 16, 20, 24, 32, 48, 64]) if is_fd else source.randrange(9)
            message.is_fd, message.dlc, message.data = is_fd, length, bytearray(source.randbytes(length))
            message.bitrate_switch = is_fd and source.random() < 0.5
        yield message


@pytest.mark.parametrize("suffix", sorted(READERS.keys() & MESSAGE_READERS.keys()))
@pytest.mark.parametrize("compiled", [False, True])
def test_a_capture_made_by_its_writer_reads_the_same(suffix: str, compiled: bool, tmp_path: Path) -> None:
    path = tmp_path / f"c{suffix}"
    with can.Logger(path) as logger:
        for message in mixed_messages(1 + compiled, 400):
            if suffix != ".trc" or not (message.is_fd or message.is_error_frame or message.is_remote_frame):
                logger.on_message_received(message)
    mine, its = ours(path, compiled=compiled), theirs(path)
    assert len(mine) > 200
    assert_same(mine, its, to_s=2e-6)


def test_times_that_count_from_zero_are_read_where_the_file_counts_from_the_day_it_was_written(tmp_path: Path) -> None:
    """Its writer holds each time against the clock of the computer, also those of a recorder without a clock."""
    path = tmp_path / "c.mf4"
    with can.Logger(path) as logger:
        for n in range(300):
            logger.on_message_received(can.Message(timestamp=46408.0 + n / 100, arbitration_id=0x260, channel=0))
    mine, its = ours(path, compiled=False), theirs(path)
    assert len(mine) == 300
    assert_same(mine, its, to_s=2e-6)


CAPTURES = (
    "issue_1256.asc",
    "issue_1299.asc",
    "logfile.asc",
    "logfile_errorframes.asc",
    "single_frame.asc",
    "single_frame_us_locale.asc",
    "test_CanErrorFrames.asc",
    "test_CanFdMessage.asc",
    "test_CanFdMessage64.asc",
    "test_CanFdRemoteMessage.asc",
    "test_CanMessage.asc",
    "test_CanMessage.asc.gz",
    "test_CanRemoteMessage.asc",
    "issue_1905.blf",
    "test_CanErrorFrameExt.blf",
    "test_CanFdMessage.blf",
    "test_CanFdMessage64.blf",
    "test_CanMessage.blf",
    "test_CanMessage2.blf",
    "test_CanMessage.trc",
    "test_CanMessage_V1_0_BUS1.trc",
    "test_CanMessage_V1_1.trc",
    "test_CanMessage_V1_3.trc",
    "test_CanMessage_V2_0_BUS1.trc",
    "test_CanMessage_V2_1.trc",
)


@pytest.mark.network_sources
@pytest.mark.parametrize("compiled", [False, True])
@pytest.mark.parametrize("name", CAPTURES)
def test_each_of_its_own_test_captures_reads_the_same(name: str, compiled: bool) -> None:
    path = python_can_captures() / name
    assert_same(ours(path, compiled=compiled), theirs(path), to_s=2e-6)


@pytest.mark.network_sources
def test_none_of_its_test_captures_is_left_out() -> None:
    there = {path.name for path in python_can_captures().iterdir() if path.suffix not in (".py", ".json")}
    assert there == set(CAPTURES)
