"""A recording kept in two places: either may go away for a while, and both hold every frame in the end."""

import gzip
import shutil
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest

from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.recorder import keeper
from busdoc.capture.recorder.twofold import TwofoldRecorder
from busdoc.capture.recorder.write_back import WriteBack
from busdoc.capture.source import open_capture
from busdoc.errors import InputError

S = 10**9
START_NS = 1_800_000_000 * S


class Recording:
    """A recorder fed a frame each tenth of a second; its clock is moved by hand."""

    def __init__(self, path: Path, also: Path, *, free_bytes: Callable[[Path], int] = lambda _: 1 << 40) -> None:
        self.paths = (path, also)
        self.channels = ChannelTable()
        self.channels.number("can0")
        self.n = self.seconds = 0
        self._free_bytes = free_bytes
        self.open()

    def open(self) -> None:
        self.recorder = TwofoldRecorder(
            self.paths[0],
            self.paths[1],
            self.channels,
            rotate_bytes=2000,
            clock_s=lambda: self.seconds,
            free_bytes=self._free_bytes,
        )

    def run(self, seconds: int) -> None:
        for _ in range(seconds):
            self.seconds += 1
            block = FrameBlock(
                t_ns=START_NS + np.arange(self.n, self.n + 10, dtype=np.int64) * (S // 10),
                channel=np.zeros(10, np.uint8),
                id=np.full(10, 0x123, np.uint32),
                flags=np.zeros(10, np.uint16),
                length=np.full(10, 8, np.uint8),
                data=np.arange(self.n, self.n + 10, dtype="<u8").view(np.uint8).reshape(10, 8),
            )
            self.n += 10
            self.recorder.write(block)


def numbers(path: Path) -> Sequence[int]:
    data = FrameBlock.concat(list(open_capture([path]).blocks())).data
    return list(data.copy().view("<u8")[:, 0].tolist())


def gap_rows(path: Path) -> int:
    return len((path / "gaps.csv").read_text(encoding="utf-8").splitlines()) - 1


@pytest.mark.parametrize("n", [0, 1])
def test_a_place_that_was_pulled_out_and_came_back_lacks_nothing(tmp_path: Path, n: int) -> None:
    paths = (tmp_path / "a", tmp_path / "b")
    recording = Recording(*paths)
    recording.run(20)
    paths[n].rename(tmp_path / "away")
    recording.run(30)
    trouble = recording.recorder.state.trouble
    assert trouble == f"{paths[n]} is gone: all is kept in {paths[1 - n]} until it is back"
    assert recording.recorder.place.folder == paths[1 - n]
    shutil.copytree(tmp_path / "away", paths[n])  # other files than those that were open, as on a disk mounted anew
    recording.run(20)
    assert recording.recorder.state.trouble == ""
    recording.recorder.close()
    for path in paths:
        assert numbers(path) == list(range(recording.n))
        assert gap_rows(path) == 0


class Compressing:
    """Has what is being compressed take its name when a test says so, and not when its thread happens to run."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.may_end = threading.Event()
        self.is_copying = False
        self.named_while_copying: list[Path] = []
        self.threads: list[threading.Thread] = []
        compress, take_name, sync_folder, start, step = (
            keeper.compress_piece,
            keeper._take_name,
            keeper.sync_folder,
            keeper.PieceKeeper.start,
            WriteBack.step,
        )

        def held_up(claim: keeper.Claim, path: Path, *others: Any) -> None:
            assert self.may_end.wait(60)
            take_name(claim, path, *others)

        def held_up_before(path: Path, claim: keeper.Claim) -> Path:
            assert not self.begins_late or self.may_end.wait(60)
            return compress(path, claim)

        def synced(folder: Path) -> None:
            if self.is_copying:
                self.named_while_copying.append(folder)
            sync_folder(folder)

        def started(piece_keeper: keeper.PieceKeeper) -> None:
            self.threads += piece_keeper._threads
            start(piece_keeper)

        def copied(back: WriteBack, *most_bytes: int) -> bool:
            if self.ends_while_copying:
                self.may_end.set()
            self.is_copying = True
            try:
                return step(back, *most_bytes)
            finally:
                self.is_copying = False
                if self.ends_while_copying:
                    self.may_end.clear()

        self.ends_while_copying = self.begins_late = False
        monkeypatch.setattr(keeper, "compress_piece", held_up_before)
        monkeypatch.setattr(keeper, "_take_name", held_up)
        monkeypatch.setattr(keeper, "sync_folder", synced)
        monkeypatch.setattr(keeper.PieceKeeper, "start", started)
        monkeypatch.setattr(WriteBack, "step", copied)


def compress_at_once(piece_keeper: keeper.PieceKeeper, file: BinaryIO | None, path: Path) -> None:
    piece_keeper.use(None)
    piece_keeper._attempt(1, lambda: piece_keeper._finish(file, path))


def whole(path: Path) -> dict[str, bytes]:
    """Give the text of each piece, by its name; there are no others, and none that was left half made."""
    found = {p.name: p for p in path.glob("recording-*")}
    assert all(name.endswith(".log.gz") for name in found)
    return {name: gzip.decompress(p.read_bytes()) for name, p in found.items()}


@pytest.mark.parametrize("compressed", ["at once", "while copying", "at the end"])
def test_a_place_that_keeps_coming_and_going_lacks_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, compressed: str
) -> None:
    compressing = Compressing(monkeypatch)
    compressing.ends_while_copying = compressed == "while copying"
    if compressed == "at once":
        compressing.may_end.set()
        monkeypatch.setattr(keeper.PieceKeeper, "finish", compress_at_once)
    paths = (tmp_path / "a", tmp_path / "b")
    recording = Recording(*paths)
    for n in (0, 1, 0, 0, 1, 1, 0):
        recording.run(3)
        paths[n].rename(tmp_path / "away")
        recording.run(4)
        assert recording.recorder.state.trouble
        (tmp_path / "away").rename(paths[n])
    recording.run(3)
    assert recording.recorder.state.trouble == ""
    compressing.may_end.set()
    compressing.ends_while_copying = False
    recording.recorder.close()
    for thread in compressing.threads:  # those of places that were let go of, too
        thread.join()
    for path in paths:
        assert numbers(path) == list(range(recording.n))
        assert gap_rows(path) == 0
    assert whole(paths[0]) == whole(paths[1])
    assert compressing.named_while_copying == []


@pytest.mark.parametrize("begins_late", [False, True])
@pytest.mark.parametrize("n", [0, 1])
def test_a_piece_that_left_while_it_was_compressed_is_not_put_in_place_of_the_whole_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n: int, *, begins_late: bool
) -> None:
    """The folder is back before it was missed: what is written is closed, and gone on with by the other place."""
    compressing = Compressing(monkeypatch)
    compressing.begins_late = begins_late
    paths = (tmp_path / "a", tmp_path / "b")
    recording = Recording(*paths)
    recording.run(2)
    paths[n].rename(tmp_path / "away")
    shutil.copytree(tmp_path / "away", paths[n])
    recording.run(1)
    recording.run(1)
    compressing.may_end.set()
    for thread in [thread for thread in compressing.threads if thread.name == "compress"][n : n + 1]:
        thread.join()
    recording.run(6)
    recording.recorder.close()
    for path in paths:
        assert numbers(path) == list(range(recording.n))
        assert gap_rows(path) == 0
    assert whole(paths[0]) == whole(paths[1])


def test_what_lies_there_of_another_disk_is_not_taken_for_what_was_compressed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take_name, folder, text = keeper._take_name, tmp_path / "a", b"a line\n" * 100

    def swapped(*what: Any) -> None:
        folder.rename(tmp_path / "away")
        folder.mkdir()
        (folder / "recording-0001.log").write_bytes(text)
        (folder / "recording-0001.log.gz.part").write_bytes(b"half")
        take_name(*what)

    folder.mkdir()
    (folder / "recording-0001.log").write_bytes(text)
    monkeypatch.setattr(keeper, "_take_name", swapped)
    with pytest.raises(OSError, match="changed while it was compressed"):
        keeper.compress_piece(folder / "recording-0001.log")
    assert [path.name for path in folder.iterdir()] == ["recording-0001.log"]
    assert (folder / "recording-0001.log").read_bytes() == text


def test_a_plain_piece_longer_than_its_compressed_twin_is_the_one_that_counts(tmp_path: Path) -> None:
    recording = Recording(tmp_path / "a", tmp_path / "b")
    recording.run(3)
    text = (tmp_path / "a" / "recording-0001.log").read_bytes()
    recording.recorder.close()
    for path in recording.paths:
        (path / "recording-0001.log").write_bytes(text)
        (path / "recording-0001.log.gz").write_bytes(gzip.compress(text[: len(text) // 2]))
    recording.open()
    recording.recorder.close()
    for path in recording.paths:
        assert numbers(path) == list(range(30))


def test_what_differs_in_a_returned_piece_is_made_right_from_where_it_differs(tmp_path: Path) -> None:
    paths = (tmp_path / "a", tmp_path / "b")
    recording = Recording(*paths)
    recording.run(3)
    paths[0].rename(tmp_path / "away")
    recording.run(1)
    piece = tmp_path / "away" / "recording-0001.log"
    text = piece.read_bytes()
    piece.write_bytes(bytes(100) + text[100:] + bytes(5000))  # a power cut: zeros at the start, and behind the end
    (tmp_path / "away").rename(paths[0])
    recording.run(1)
    recording.recorder.close()
    assert whole(paths[0]) == whole(paths[1])
    assert numbers(paths[0]) == list(range(recording.n))


def test_what_is_back_only_at_the_end_is_made_whole_then(tmp_path: Path) -> None:
    paths = (tmp_path / "a", tmp_path / "b")
    recording = Recording(*paths)
    recording.run(5)
    paths[0].rename(tmp_path / "away")
    recording.run(5)
    (tmp_path / "away").rename(paths[0])
    recording.recorder.close()
    assert numbers(paths[0]) == numbers(paths[1]) == list(range(recording.n))


def test_a_full_disk_holds_up_its_own_place_only(tmp_path: Path) -> None:
    full: list[Path] = []
    recording = Recording(tmp_path / "a", tmp_path / "b", free_bytes=lambda path: 0 if path in full else 1 << 40)
    recording.run(5)
    full.append(tmp_path / "a")
    recording.run(5)
    assert "the disk has only 0 MB left" in recording.recorder.state.trouble
    full.clear()
    recording.run(5)
    assert recording.recorder.state.trouble == ""
    recording.recorder.close()
    assert numbers(tmp_path / "a") == numbers(tmp_path / "b") == list(range(recording.n))


def test_both_away_is_said_and_the_gap_is_written_when_one_returns(tmp_path: Path) -> None:
    paths = (tmp_path / "a", tmp_path / "b")
    recording = Recording(*paths)
    recording.run(5)
    for path in paths:
        path.rename(path.with_name(path.name + " away"))
    recording.run(5)
    assert "not recording" in recording.recorder.state.trouble
    for path in paths:
        path.with_name(path.name + " away").rename(path)
    recording.run(5)
    recording.recorder.close()
    for path in paths:
        assert set(numbers(path)) >= set(range(100, recording.n))
        assert gap_rows(path) == 1


def test_going_on_copies_what_one_place_lacks_first(tmp_path: Path) -> None:
    paths = (tmp_path / "a", tmp_path / "b")
    recording = Recording(*paths)
    recording.run(20)
    recording.recorder.close()
    shutil.rmtree(paths[0])
    recording.open()
    recording.run(1)
    recording.recorder.close()
    assert numbers(paths[0]) == numbers(paths[1]) == list(range(recording.n))


def test_places_that_were_gone_on_with_apart_are_refused_and_neither_loses_a_frame(tmp_path: Path) -> None:
    paths = (tmp_path / "a", tmp_path / "b")
    recording = Recording(*paths)
    recording.run(3)
    paths[0].rename(tmp_path / "away")
    recording.run(2)
    recording.recorder.close()
    (tmp_path / "away").rename(paths[0])
    alone = Recording(paths[0], tmp_path / "c")  # with another second place
    alone.n = 60
    alone.run(2)
    alone.recorder.close()
    with pytest.raises(InputError, match="frames that it does not hold"):
        recording.open()
    assert numbers(paths[0]) == [*range(30), *range(60, 80)]
    assert numbers(paths[1]) == list(range(50))


def test_a_second_place_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputError, match="that can be written"):
        Recording(tmp_path / "a", tmp_path / "file" / "b")
