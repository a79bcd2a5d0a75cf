"""What is written as `.log` reads back the same; and python-can reads what we write."""

from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.formats.write import write_capture, write_log
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from tests.capture.random_frames import FEW, random_block, rows_of, three_channels


@FEW
@given(
    seed=st.integers(0, 2**32 - 1),
    name=st.sampled_from(["c.log", "c.log.gz", "a.b.log.gz"]),
    step_ns=st.sampled_from([1000, 1]),
    block_frames=st.integers(1, 200),
)
def test_written_then_read_gives_the_same_in_blocks_of_any_size(
    seed: int, name: str, step_ns: int, block_frames: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("log") / name
    block = random_block(seed, 120, step_ns=step_ns)
    assert write_log(path, [block.slice(0, 50), block.slice(50, 120)], three_channels()) == 120
    capture = open_capture([path], block_frames=block_frames)
    blocks = list(capture.blocks())
    assert max(len(part) for part in blocks) <= block_frames
    assert rows_of(FrameBlock.concat(blocks)) == rows_of(block)
    assert capture.skipped.total == 0
    assert capture.warnings == ()


def test_times_before_the_zero_are_written_and_read(tmp_path: Path) -> None:
    block = random_block(3, 50, t0_ns=-2_000_000_000)
    write_log(tmp_path / "c.log", [block], three_channels())
    assert rows_of(FrameBlock.concat(list(open_capture([tmp_path / "c.log"]).blocks()))) == rows_of(block)


def test_python_can_reads_the_data_frames_that_we_write(tmp_path: Path) -> None:
    block = random_block(4, 400)
    block = block.take((block.flags & 0x06) == 0)  # its own notes: error classes and their channels are lost there
    write_log(tmp_path / "c.log", [block], three_channels())
    with can.LogReader(tmp_path / "c.log") as reader:
        theirs = [(m.arbitration_id, m.is_extended_id, m.is_fd, m.is_rx, m.data.hex(), m.channel) for m in reader]
    ours = [
        (row[2], bool(row[3] & 1), bool(row[3] & 8), not row[3] & 0x40, row[5], f"can{row[1]}")
        for row in rows_of(block)
    ]
    assert theirs == ours


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".db", ".mf4", ".trc"])
def test_a_written_capture_of_another_kind_keeps_what_that_kind_can_hold(suffix: str, tmp_path: Path) -> None:
    block = random_block(6, 300)
    if suffix == ".trc":  # python-can's writer leaves out error, remote and FD frames there
        block = block.take((block.flags & 0x0E) == 0)
    path = tmp_path / f"c{suffix}"
    write_capture(path, [block], three_channels())
    read = rows_of(FrameBlock.concat(list(open_capture([path]).blocks())))
    written = rows_of(block)
    if suffix in (".csv", ".db"):  # no channel, no direction, FD only where it is longer than 8 bytes
        written = [(t, 0, i, (f & 0x07) | (8 if n > 8 else 0), n, p) for t, _, i, f, n, p in written]
    assert [row[1:] for row in read if not row[3] & 2] == [row[1:] for row in written if not row[3] & 2]
    if suffix != ".asc":  # which keeps nothing of an error frame but that there was one
        assert [row[2] for row in read if row[3] & 2] == [row[2] for row in written if row[3] & 2]
    good_to_ns = 1_000_000 if suffix == ".asc" else 1000  # the date in its header has milliseconds
    assert max(abs(mine[0] - its[0]) for mine, its in zip(written, read, strict=True)) <= good_to_ns


def test_an_unknown_suffix_to_write_is_refused_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"\.log, \.asc"):
        write_capture(tmp_path / "c.txt", [], three_channels())
