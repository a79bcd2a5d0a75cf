"""Kept frames: given again as they came, in bounded room, and left to a second reading where there is none."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.formats.write import write_log
from busdoc.capture.frames import FrameBlock
from busdoc.capture.kept import KeptFrames
from busdoc.capture.source import Capture, open_capture
from tests.capture.random_frames import FEW, random_block, rows_of, three_channels


def rows(block: FrameBlock) -> list[tuple[int, int, int, int, int, str]]:
    return [*rows_of(block)]


@FEW
@given(st.lists(st.tuples(st.integers(0, 99), st.integers(0, 60)), max_size=6), st.integers(0, 3000))
def test_what_comes_back_is_what_was_kept_block_by_block(sizes: list[tuple[int, int]], most_in_memory: int) -> None:
    given_blocks = [random_block(seed, n) for seed, n in sizes]
    kept = KeptFrames(most_in_memory=most_in_memory)
    for block in given_blocks:
        kept.add(block)
    for _ in range(2):
        assert [rows(block) for block in kept.blocks()] == [rows(block) for block in given_blocks if len(block)]
    assert kept.is_usable
    kept.forget()
    assert not kept.is_usable


def test_what_grows_beyond_its_room_is_given_up() -> None:
    kept = KeptFrames(most_in_memory=0, most_bytes=50_000)
    kept.add(random_block(1, 1000))
    assert kept.is_usable
    kept.add(random_block(2, 1000))
    assert not kept.is_usable
    assert list(kept.blocks()) == []


def test_a_disk_without_room_is_no_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("busdoc.capture.kept.tempfile.TemporaryFile", full)
    kept = KeptFrames(most_in_memory=0)
    kept.add(random_block(1, 1000))
    assert not kept.is_usable


@pytest.fixture
def capture(tmp_path: Path) -> Capture:
    block = random_block(5, 3000)
    write_log(tmp_path / "capture.log", [block], three_channels())
    return open_capture([tmp_path / "capture.log"], block_frames=1000)


def test_a_second_look_needs_the_file_no_more(capture: Capture) -> None:
    capture.keep_frames()
    first = [rows(block) for block in capture.blocks()]
    capture.files[0].unlink()
    assert capture.can_look_again()
    assert [rows(block) for block in capture.second_look()] == first


def test_what_was_stopped_is_looked_at_as_far_as_it_was_read(capture: Capture) -> None:
    capture.keep_frames()
    for _ in capture.blocks():
        capture.stop()
    assert sum(len(block) for block in capture.second_look()) == 1000
    assert capture.can_look_again()


def test_what_was_not_kept_or_is_forgotten_is_read_again(capture: Capture) -> None:
    first = [rows(block) for block in capture.blocks()]
    assert [rows(block) for block in capture.second_look()] == first
    capture.keep_frames()
    assert [rows(block) for block in capture.blocks()] == first
    capture.forget_frames()
    assert [rows(block) for block in capture.second_look()] == first
    capture.files[0].unlink()
    assert not capture.can_look_again()
