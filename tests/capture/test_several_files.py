"""Several files as one capture."""

import gzip
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import write_log
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import Capture, open_capture
from busdoc.errors import InputError
from tests.capture.random_frames import FEW, random_block, rows_of

SECOND = 10**9
EPOCH = 1_700_000_000


def table(*names: str) -> ChannelTable:
    made = ChannelTable()
    for name in names:
        made.number(name)
    return made


def write_lines(path: Path, times_s: Sequence[float], *, channel: str = "can0", id_: int = 0x100) -> Path:
    path.write_text("".join(f"({t:.6f}) {channel} {id_:03X}#{n % 256:02X}\n" for n, t in enumerate(times_s)))
    return path


def read(capture: Capture) -> FrameBlock:
    return FrameBlock.concat(list(capture.blocks()))


@FEW
@given(
    seed=st.integers(0, 2**32 - 1),
    n_files=st.integers(2, 4),
    block_frames=st.integers(1, 50),
    most_steps=st.sampled_from([2, 5, 400_000]),
)
def test_files_that_overlap_are_merged_as_if_they_were_one(
    seed: int, n_files: int, block_frames: int, most_steps: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("many")
    random = np.random.default_rng(seed)
    whole = random_block(seed, 150, most_steps=most_steps)
    owner = random.integers(0, n_files, 150)
    first_ns = int(whole.t_ns[0])
    for file in range(n_files):
        part = whole.take(owner == file)
        if len(part):
            write_log(folder / f"{file}.log", [part], table("can0", "can1", "can2"))
    capture = open_capture([folder], block_frames=block_frames, chunk_bytes=int(random.integers(30, 3000)))
    merged = read(capture)
    by_file = whole.take(np.lexsort((owner, whole.t_ns)))
    assert rows_of(merged) == rows_of(by_file)
    assert merged.t_ns[0] == first_ns
    assert capture.channels.numbers == tuple(np.unique(whole.channel).tolist())


def test_files_that_follow_each_other_are_in_the_order_of_time_whatever_they_are_called(tmp_path: Path) -> None:
    later = write_lines(tmp_path / "a.log", [EPOCH + 10, EPOCH + 11])
    earlier = write_lines(tmp_path / "b.log", [EPOCH + 0, EPOCH + 9.995])
    capture = open_capture([later, earlier])
    assert (read(capture).t_ns // 10**6 - EPOCH * 1000).tolist() == [0, 9995, 10000, 11000]
    assert capture.gaps == ()  # they touch
    assert capture.epoch


def test_a_pause_between_files_is_a_gap_of_the_recorder(tmp_path: Path) -> None:
    files = [
        write_lines(tmp_path / "a.log", [EPOCH, EPOCH + 1]),
        write_lines(tmp_path / "b.log", [EPOCH + 5, EPOCH + 6]),
    ]
    capture = open_capture(files)
    read(capture)
    gap = capture.gaps[0]
    assert (gap.from_ns, gap.to_ns, gap.channel) == ((EPOCH + 1) * SECOND, (EPOCH + 5) * SECOND, None)


def test_a_pause_of_one_of_two_recorders_holds_for_its_channel_only(tmp_path: Path) -> None:
    files = [
        write_lines(tmp_path / "left-1.log", [EPOCH, EPOCH + 1], channel="can0"),
        write_lines(tmp_path / "right.log", [EPOCH + n / 2 for n in range(20)], channel="can1"),
        write_lines(tmp_path / "left-2.log", [EPOCH + 5, EPOCH + 6], channel="can0"),
    ]
    capture = open_capture(files)
    assert len(read(capture)) == 24
    assert [(gap.from_ns, gap.to_ns, gap.channel) for gap in capture.gaps] == [
        ((EPOCH + 1) * SECOND, (EPOCH + 5) * SECOND, 0)
    ]
    assert capture.warnings == ()


def test_two_records_of_the_same_channel_at_the_same_time_are_told(tmp_path: Path) -> None:
    files = [write_lines(tmp_path / f"{name}.log", [EPOCH, EPOCH + 1, EPOCH + 2]) for name in "ab"]
    capture = open_capture(files)
    assert len(read(capture)) == 6
    assert "overlaps" in capture.warnings[0]


def test_files_that_count_from_their_own_start_are_laid_one_after_the_other(tmp_path: Path) -> None:
    files = [write_lines(tmp_path / f"{name}.log", [0.0, 1.0, 2.0]) for name in "ab"]
    capture = open_capture(files)
    assert read(capture).t_ns.tolist() == [n * SECOND for n in (0, 1, 2, 3, 4, 5)]
    assert [(gap.from_ns, gap.to_ns) for gap in capture.gaps] == [(2 * SECOND, 3 * SECOND)]
    assert "how long the pause really was is not known" in capture.warnings[0]
    assert not capture.epoch


@FEW
@given(seed=st.integers(0, 2**32 - 1), cuts=st.lists(st.integers(200, 800), min_size=1, max_size=3, unique=True))
def test_a_recording_from_zero_in_pieces_is_the_whole_one(
    seed: int, cuts: list[int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Also where the lines of two buses are written in turns, each some milliseconds late, and cut in between."""
    folder = tmp_path_factory.mktemp("pieces")
    random = np.random.default_rng(seed)
    times_us = 3_000_000 + np.cumsum(random.integers(8_000, 12_000, 1000))
    written = np.argsort(times_us + random.integers(0, 9_000, 1000), kind="stable")
    lines = [f"({times_us[n] / 1e6:.6f}) can{n % 2} {0x100 + n % 7:03X}#{n % 256:02X}\n" for n in written.tolist()]
    whole, pieces = folder / "whole.log", [folder / f"{at}.log" for at in range(len(cuts) + 1)]
    whole.write_text("".join(lines))
    cuts = [cut for n, cut in enumerate(sorted(cuts)) if not n or cut - sorted(cuts)[n - 1] > 150]
    for path, first, last in zip(pieces, [0, *cuts], [*cuts, len(lines)], strict=False):
        path.write_text("".join(lines[first:last]))
    capture = open_capture(pieces[: len(cuts) + 1], block_frames=int(random.integers(1, 400)))
    assert rows_of(read(capture)) == rows_of(read(open_capture([whole])))
    assert capture.gaps == ()
    assert not any("own start" in warning for warning in capture.warnings)


def test_a_recording_in_pieces_behind_another_stays_in_one_piece(tmp_path: Path) -> None:
    times = [[0.0, 1.0, 9.0], [0.0, 1.0, 2.0], [2.5, 3.5]]
    files = [write_lines(tmp_path / f"{n}.log", part) for n, part in enumerate(times)]
    capture = open_capture(files)
    assert read(capture).t_ns.tolist() == [round(t * SECOND) for t in (0, 1, 9, 10, 11, 12, 12.5, 13.5)]
    assert [(gap.from_ns, gap.to_ns) for gap in capture.gaps] == [
        (9 * SECOND, 10 * SECOND),
        (12 * SECOND, 12.5 * SECOND),
    ]


def test_a_gap_inside_a_file_that_is_laid_behind_another_moves_with_it(tmp_path: Path) -> None:
    first = write_lines(tmp_path / "a.log", [0.0, 1.0])
    back = [n / 10 for n in range(100, 200)] + [n / 10 for n in range(50)]
    second = write_lines(tmp_path / "b.log", [t - 10 for t in back[:100]] + back[100:])
    capture = open_capture([first, second])
    times = read(capture).t_ns
    inside = [gap for gap in capture.gaps if "clock" in gap.why]
    assert [(gap.from_ns, gap.to_ns) for gap in inside] == [(times[101], times[102])]


def test_a_folder_stands_for_all_captures_in_it_and_empty_ones_are_left_out(tmp_path: Path) -> None:
    write_lines(tmp_path / "a.log", [EPOCH])
    (tmp_path / "b.log").write_bytes(b"")
    (tmp_path / "notes.txt").write_text("no capture")
    with gzip.open(tmp_path / "x.y.z.log.gz", "wb") as file:
        file.write(b"(1700000001.000000) can0 100#AA\n")
    capture = open_capture([tmp_path])
    assert [file.name for file in capture.files] == ["a.log", "x.y.z.log.gz"]
    assert len(read(capture)) == 2


def test_one_of_several_files_that_holds_nothing_is_told_and_the_others_are_used(tmp_path: Path) -> None:
    write_lines(tmp_path / "a.log", [EPOCH])
    (tmp_path / "b.log").write_text("nothing\nto see\n")
    capture = open_capture([tmp_path])
    assert len(read(capture)) == 1
    assert any("b.log" in text and "not one frame" in text for text in capture.warnings)


def test_reading_again_counts_anew(tmp_path: Path) -> None:
    path = write_lines(tmp_path / "a.log", [EPOCH, EPOCH + 1])
    path.write_bytes(path.read_bytes() + b"junk\n")
    capture = open_capture([path])
    for _ in range(2):
        assert len(read(capture)) == 2
        assert capture.skipped.total == 1
        assert [(line.file, line.line) for line in capture.skipped.first] == [(path, 3)]


def test_many_files_keep_no_more_than_a_few_open(tmp_path: Path) -> None:
    for number in range(60):
        write_lines(tmp_path / f"{number:03}.log", [EPOCH + number * 10, EPOCH + number * 10 + 1], channel="can1")
    capture = open_capture([tmp_path])
    assert len(read(capture)) == 120
    assert len(capture.gaps) == 59
    assert capture.channels.numbers == (1,)


def test_the_same_file_named_twice_is_read_once(tmp_path: Path) -> None:
    path = write_lines(tmp_path / "a.log", [EPOCH])
    assert len(read(open_capture([path, path]))) == 1


def test_a_folder_without_a_capture_is_an_input_error(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("no capture")
    with pytest.raises(InputError, match=r"found none.*\.log"):
        open_capture([tmp_path])
