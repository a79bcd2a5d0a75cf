"""The recorder: what it wrote reads back the same, through rotation, compression, crashes and full disks."""

import errno
import gzip
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.formats.write import log_text
from busdoc.capture.frames import FrameBlock
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder.keeper import compress_piece
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.recorder.resume import cut_half_line, last_time
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from tests.capture.random_frames import FEW, random_block, rows_of, three_channels

SECOND = 1_000_000_000


def read(*paths: Path) -> tuple[FrameBlock, tuple[RecorderGap, ...], tuple[str, ...]]:
    capture = open_capture(paths)
    return FrameBlock.concat(list(capture.blocks())), capture.gaps, capture.warnings


def record(folder: Path, block: FrameBlock, size: int = 50, **how: int | bool) -> LogRecorder:
    recorder = LogRecorder(folder, three_channels(), keep_free_bytes=0, **how)  # type: ignore[arg-type]
    for first in range(0, len(block), size):
        recorder.write(block.slice(first, min(first + size, len(block))))
    return recorder


@FEW
@given(
    seed=st.integers(0, 2**32 - 1),
    size=st.integers(1, 150),
    rotate_bytes=st.integers(1000, 30_000),
    compress=st.booleans(),
)
def test_a_recording_in_any_pieces_reads_back_the_same_without_a_gap(
    seed: int, size: int, rotate_bytes: int, compress: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("rec") / "r"
    block = random_block(seed, 400, most_steps=200_000)
    recorder = record(folder, block, size, rotate_bytes=rotate_bytes, compress=compress)
    recorder.close()
    frames, gaps, warnings = read(folder)
    assert rows_of(frames) == rows_of(block)
    assert (gaps, warnings) == ((), ())
    assert len(list(folder.glob("recording-*.log*"))) == recorder.state.pieces
    assert (len(list(folder.glob("*.gz"))) == recorder.state.pieces) == compress


def test_silence_across_two_pieces_is_silence_and_no_gap_in_the_recording(tmp_path: Path) -> None:
    block = random_block(1, 200, most_steps=1000)
    late = random_block(2, 200, t0_ns=int(block.t_ns[-1]) + 30 * SECOND, most_steps=1000)
    record(tmp_path, FrameBlock.concat([block, late]), 200, rotate_bytes=1000).close()
    assert len(list(tmp_path.glob("*.gz"))) == 2
    assert read(tmp_path)[1] == ()


def test_a_recording_whose_times_count_from_zero_is_one_recording_as_well(tmp_path: Path) -> None:
    block = random_block(1, 300, t0_ns=5 * SECOND)
    record(tmp_path, block, 100, rotate_bytes=1000).close()
    frames, gaps, warnings = read(tmp_path)
    assert len(list(tmp_path.glob("*.gz"))) == 3
    assert rows_of(frames) == rows_of(block)
    assert (gaps, warnings) == ((), ())


def test_a_missing_piece_is_a_gap(tmp_path: Path) -> None:
    block = random_block(1, 300)
    record(tmp_path, block, 100, rotate_bytes=1000, compress=False).close()
    (tmp_path / "recording-0002.log").unlink()
    assert [(gap.from_ns, gap.to_ns) for gap in read(tmp_path)[1]] == [(int(block.t_ns[99]), int(block.t_ns[200]))]


def test_pieces_without_their_gap_file_are_files_like_any_other(tmp_path: Path) -> None:
    block = random_block(1, 200)
    record(tmp_path, block, 100, rotate_bytes=1000, compress=False).close()
    (tmp_path / "gaps.csv").unlink()
    assert len(read(tmp_path)[1]) == 1


def test_gaps_are_read_back_with_their_channel_and_reason(tmp_path: Path) -> None:
    block = random_block(1, 200)
    recorder = record(tmp_path, block.slice(0, 100))
    at_ns = int(block.t_ns[99])
    told = [
        RecorderGap(from_ns=at_ns, to_ns=at_ns + 500, channel=1, why='the adapter said "no, not now"'),
        RecorderGap(from_ns=at_ns, to_ns=at_ns + 700, channel=None, why="the laptop did not listen"),
    ]
    recorder.write(block.slice(100, 200), told)
    recorder.close()
    assert list(read(tmp_path)[1]) == told
    assert list(read(tmp_path / "recording-0001.log.gz")[1]) == told
    assert recorder.state.gaps == 2


def test_gaps_outside_what_is_read_are_left_out(tmp_path: Path) -> None:
    block = random_block(1, 300)
    recorder = record(tmp_path, block.slice(0, 100), 100, rotate_bytes=1000)
    gap = RecorderGap(from_ns=int(block.t_ns[99]), to_ns=int(block.t_ns[100]), channel=None, why="lost")
    recorder.write(block.slice(100, 200), [gap])
    recorder.write(block.slice(200, 300))
    recorder.close()
    assert read(tmp_path)[1] == (gap,)
    assert read(tmp_path / "recording-0003.log.gz")[1] == ()


def test_a_piece_that_lies_there_plain_and_compressed_counts_once(tmp_path: Path) -> None:
    block = random_block(1, 100)
    record(tmp_path, block, compress=False).close()
    plain = tmp_path / "recording-0001.log"
    (tmp_path / "recording-0001.log.gz").write_bytes(gzip.compress(plain.read_bytes()))
    assert rows_of(read(tmp_path)[0]) == rows_of(block)


def test_a_piece_that_is_compressed_while_the_recording_is_read_is_read_all_the_same(tmp_path: Path) -> None:
    block = random_block(1, 300)
    record(tmp_path, block, 100, rotate_bytes=1000, compress=False).close()
    capture = open_capture([tmp_path])
    for path in sorted(tmp_path.glob("*.log")):
        compress_piece(path)
    assert rows_of(FrameBlock.concat(list(capture.blocks()))) == rows_of(block)


def test_a_journal_and_other_tables_in_the_folder_are_no_captures(tmp_path: Path) -> None:
    block = random_block(1, 100)
    record(tmp_path, block).close()
    (tmp_path / "marks.csv").write_text("time,action,part,into,uncertainty_s,note\n", encoding="utf-8")
    capture = open_capture([tmp_path])
    assert [path.name for path in capture.files] == ["recording-0001.log.gz"]


def test_one_file_is_never_rotated_and_has_its_gaps_beside_it(tmp_path: Path) -> None:
    block = random_block(1, 300)
    recorder = record(tmp_path / "day.log", block.slice(0, 200), rotate_bytes=1000)
    gap = RecorderGap(from_ns=int(block.t_ns[199]), to_ns=int(block.t_ns[200]), channel=None, why="lost")
    recorder.write(block.slice(200, 300), [gap])
    recorder.close()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["day.gaps.csv", "day.log"]
    frames, gaps, _ = read(tmp_path / "day.log")
    assert rows_of(frames) == rows_of(block)
    assert gaps == (gap,)


def test_what_is_written_is_in_the_file_at_once(tmp_path: Path) -> None:
    block = random_block(1, 100)
    recorder = record(tmp_path, block.slice(0, 60))
    assert rows_of(read(tmp_path)[0]) == rows_of(block.slice(0, 60))
    recorder.close()


@pytest.mark.parametrize("name", ["r", "day.log"])
def test_a_recording_that_broke_off_is_gone_on_with_and_the_time_between_is_a_gap(name: str, tmp_path: Path) -> None:
    block = random_block(1, 200)
    place = tmp_path / name
    record(place, block.slice(0, 100), compress=False).close()
    piece = place if name == "day.log" else place / "recording-0001.log"
    with piece.open("ab") as file:
        file.write(b"(1700000000.1234")  # half a line, as a power cut leaves
    record(place, block.slice(100, 200)).close()
    frames, gaps, warnings = read(place)
    assert rows_of(frames) == rows_of(block)
    assert warnings == ()
    assert [(gap.from_ns, gap.to_ns, gap.channel) for gap in gaps] == [
        (int(block.t_ns[99]), int(block.t_ns[100]), None)
    ]
    assert gaps[0].why == "the recorder was not running"


@pytest.mark.parametrize("tail", [b"", b"(17", b"\0" * 70_000, b"(1700000000.0) can0 1", b"\0\0(17"])
def test_what_follows_the_last_whole_line_is_cut_off(tail: bytes, tmp_path: Path) -> None:
    text = log_text(random_block(1, 50), three_channels())
    (tmp_path / "c.log").write_bytes(text + tail)
    assert cut_half_line(tmp_path / "c.log") == len(tail)
    assert (tmp_path / "c.log").read_bytes() == text


def test_the_last_frame_is_found_in_a_plain_a_compressed_and_a_broken_piece(tmp_path: Path) -> None:
    block = random_block(1, 3000)
    text = log_text(block, three_channels())
    (tmp_path / "a.log").write_bytes(text)
    packed = gzip.compress(text)
    (tmp_path / "b.log.gz").write_bytes(packed)
    (tmp_path / "c.log.gz").write_bytes(packed[: len(packed) // 2])
    assert last_time(tmp_path / "a.log") == last_time(tmp_path / "b.log.gz") == int(block.t_ns[-1])
    broken_ns = last_time(tmp_path / "c.log.gz")
    assert broken_ns is not None
    assert int(block.t_ns[0]) < broken_ns < int(block.t_ns[-1])


def test_what_was_being_compressed_when_it_broke_off_is_done_again(tmp_path: Path) -> None:
    block = random_block(1, 100)
    record(tmp_path, block.slice(0, 50), compress=False).close()
    (tmp_path / "recording-0001.log.gz.part").write_bytes(b"\x1f\x8bhalf")
    record(tmp_path, block.slice(50, 100)).close()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "gaps.csv",
        "recording-0001.log.gz",
        "recording-0002.log.gz",
    ]
    assert rows_of(read(tmp_path)[0]) == rows_of(block)


def test_a_clock_that_stands_before_the_end_of_the_recording_is_refused(tmp_path: Path) -> None:
    record(tmp_path, random_block(1, 100)).close()
    again = LogRecorder(tmp_path, three_channels(), keep_free_bytes=0)
    with pytest.raises(InputError, match="Set the laptop's clock"):
        again.write(random_block(1, 10))
    again.close()


def test_two_recorders_in_one_place_are_refused(tmp_path: Path) -> None:
    recorder = record(tmp_path, random_block(1, 10))
    with pytest.raises(InputError, match="another program that records there"):
        LogRecorder(tmp_path, three_channels())
    recorder.close()
    LogRecorder(tmp_path, three_channels()).close()


def test_captures_that_lie_there_already_are_not_mixed_with_a_recording(tmp_path: Path) -> None:
    (tmp_path / "other.asc").write_text("date x\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"other\.asc in it"):
        LogRecorder(tmp_path, three_channels())
    (tmp_path / "day.log").write_text("(1.0) can0 123#\n", encoding="utf-8")
    with pytest.raises(InputError, match="a capture that is there already"):
        LogRecorder(tmp_path / "day.log", three_channels())


def test_another_table_called_gaps_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "gaps.csv").write_text("mine,own\n", encoding="utf-8")
    with pytest.raises(InputError, match="another file"):
        LogRecorder(tmp_path, three_channels())
    assert (tmp_path / "gaps.csv").read_text(encoding="utf-8") == "mine,own\n"


def test_a_place_that_cannot_be_written_is_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="a place that can be written"):
        LogRecorder(tmp_path / "file" / "inside", three_channels())


class Disk:
    """A disk with so much room, and a clock turned by hand."""

    def __init__(self, free_bytes: int) -> None:
        self.free_bytes = free_bytes
        self.t_s = 0.0

    def free(self, _: Path) -> int:
        return self.free_bytes

    def clock_s(self) -> float:
        self.t_s += 2.0
        return self.t_s


def test_recording_pauses_before_the_disk_is_full_and_goes_on_when_there_is_room(tmp_path: Path) -> None:
    block = random_block(1, 400)
    disk = Disk(600_000_000)
    recorder = LogRecorder(tmp_path, three_channels(), clock_s=disk.clock_s, free_bytes=disk.free)
    recorder.write(block.slice(0, 100))
    disk.free_bytes = 499_000_000
    recorder.write(block.slice(100, 200))
    recorder.write(block.slice(200, 250))
    state = recorder.state
    assert (state.frames, state.left_out) == (100, 150)
    assert state.trouble == "not recording: the disk has only 499 MB left"
    disk.free_bytes = 501_000_000  # too little more: it would flutter
    recorder.write(block.slice(250, 300))
    assert recorder.state.left_out == 200
    disk.free_bytes = 520_000_000
    recorder.write(block.slice(300, 400))
    assert recorder.state.trouble == ""
    recorder.close()
    frames, gaps, _ = read(tmp_path)
    assert rows_of(frames) == rows_of(FrameBlock.concat([block.slice(0, 100), block.slice(300, 400)]))
    assert [(gap.from_ns, gap.to_ns) for gap in gaps] == [(int(block.t_ns[99]), int(block.t_ns[300]))]
    assert gaps[0].why == "the disk has only 499 MB left"


def test_a_compression_that_fails_leaves_the_plain_piece(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "c.log").write_bytes(log_text(random_block(1, 50), three_channels()))
    (tmp_path / "c.log.gz").mkdir()  # nothing can take this name
    with pytest.raises(OSError, match=r".*"):
        compress_piece(tmp_path / "c.log")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["c.log", "c.log.gz"]
    assert (tmp_path / "c.log").stat().st_size


FILLING = """
import resource, signal, sys
from pathlib import Path
import numpy as np
from busdoc.capture.frames import FrameBlock
from busdoc.capture.recorder.recorder import LogRecorder
from tests.capture.random_frames import random_block, three_channels
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, resource.RLIM_INFINITY))
ticks = iter(range(0, 10_000_000, 2))
recorder = LogRecorder(Path(sys.argv[1]), three_channels(), keep_free_bytes=0, rotate_bytes=None, compress=False,
                       clock_s=lambda: float(next(ticks)))
block = random_block(1, 2000)
for first in range(0, 2000, 50):
    if first == 1500:
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    recorder.write(block.slice(first, first + 50))
print(recorder.state.frames, recorder.state.left_out, recorder.state.trouble)
recorder.close()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="this operating system has no limit on a file's size to fill")
def test_a_disk_that_is_full_in_the_middle_of_a_line_damages_nothing(tmp_path: Path) -> None:
    finished = subprocess.run(
        [sys.executable, "-c", FILLING, str(tmp_path / "r")],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=Path(__file__).parents[3],
        check=False,
    )
    assert finished.returncode == 0, finished.stderr
    frames, gaps, warnings = read(tmp_path / "r")
    block = random_block(1, 2000)
    chunks = [block.slice(first, first + 50) for first in range(0, 2000, 50)]
    kept = [chunk for chunk in chunks if np.isin(chunk.t_ns[0], frames.t_ns)]
    left_out = [chunk for chunk in chunks if not np.isin(chunk.t_ns[0], frames.t_ns)]
    assert rows_of(frames) == rows_of(FrameBlock.concat(kept))  # each whole, or not at all
    assert len(left_out) > 5
    assert all(any(gap.from_ns < c.t_ns[0] and c.t_ns[-1] < gap.to_ns for gap in gaps) for c in left_out)
    assert all(np.isin((gap.from_ns, gap.to_ns), frames.t_ns).all() for gap in gaps)
    assert {gap.why for gap in gaps} == {os.strerror(errno.EFBIG)}
    assert warnings == ()


ENDLESS = """
import sys
from pathlib import Path
from busdoc.capture.recorder.recorder import LogRecorder
from tests.capture.random_frames import random_block, three_channels
recorder = LogRecorder(Path(sys.argv[1]), three_channels(), keep_free_bytes=0, rotate_bytes=60_000)
block = random_block(1, 200_000, most_steps=100)
for first in range(0, 200_000, 40):
    recorder.write(block.slice(first, first + 40))
    print(first + 40, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is what the other operating systems have")
@pytest.mark.parametrize("after", [1, 37, 400, 1500])
def test_killed_at_any_instant_nothing_written_is_lost_and_the_recording_goes_on(after: int, tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", ENDLESS, str(tmp_path / "r")],
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        cwd=Path(__file__).parents[3],
    )
    assert process.stdout is not None
    written = 0
    for _ in range(after):
        written = int(process.stdout.readline())
    process.send_signal(signal.SIGKILL)
    said, _ = process.communicate()
    written = max([written, *(int(line) for line in said.splitlines() if line.isdigit())])
    block = random_block(1, 200_000, most_steps=100)
    frames, _, _ = read(tmp_path / "r")
    assert written <= len(frames) <= written + 40
    assert rows_of(frames) == rows_of(block.slice(0, len(frames)))
    record(tmp_path / "r", block.slice(190_000, 190_100)).close()
    again, gaps, warnings = read(tmp_path / "r")
    assert rows_of(again) == rows_of(FrameBlock.concat([block.slice(0, len(frames)), block.slice(190_000, 190_100)]))
    assert len(gaps) == 1
    assert warnings == ()


def test_closing_waits_for_compression_and_may_be_done_twice(tmp_path: Path) -> None:
    recorder = record(tmp_path, random_block(1, 100))
    recorder.close()
    recorder.close()
    recorder.write(random_block(2, 10))
    assert not [thread.name for thread in threading.enumerate() if thread.name == "recorder"]
    assert len(read(tmp_path)[0]) == 100
