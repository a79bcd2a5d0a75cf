"""A recording played back: all of it, in order, at the pace asked for, with its gaps."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.formats.write import write_log
from busdoc.capture.frames import ERROR, FrameBlock
from busdoc.capture.listening import Hearing
from busdoc.capture.playback import Playback
from busdoc.capture.reading import RecorderGap
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from tests.capture.random_frames import FEW, random_block, rows_of, three_channels

SECOND = 1_000_000_000


class Hands:
    """A clock turned by hand."""

    def __init__(self) -> None:
        self.t_ns = 5 * SECOND

    def __call__(self) -> int:
        return self.t_ns

    def pass_s(self, seconds: float) -> None:
        self.t_ns += round(seconds * SECOND)


def recording(folder: Path, n: int = 200, **how: int) -> tuple[Path, FrameBlock]:
    block = random_block(7, n, **how)
    path = folder / "c.log"
    write_log(path, [block], three_channels())
    return path, block


@FEW
@given(steps_s=st.lists(st.floats(0.0, 3.0), max_size=20), speed=st.sampled_from([0.5, 1.0, 7.0, 50.0]))
def test_at_any_pace_every_frame_comes_once_in_order_and_none_before_its_time(
    steps_s: list[float], speed: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path, block = recording(tmp_path_factory.mktemp("play"))
    clock = Hands()
    played = Playback([path], speed, clock_ns=clock)
    played.start()
    pieces = []
    for step_s in [*steps_s, 1e6]:
        clock.pass_s(step_s)
        now_ns = played.now_ns()
        taken = played.take()
        pieces.append(taken.frames)
        assert not len(taken.frames) or taken.frames.t_ns[-1] <= now_ns
        left = block.t_ns[sum(map(len, pieces)) :]
        assert not len(left) or left[0] > taken.heard_until_ns
    assert rows_of(FrameBlock.concat(pieces)) == rows_of(block)
    assert played.finished


def test_as_fast_as_it_is_taken_gives_the_recording_whole(tmp_path: Path) -> None:
    path, block = recording(tmp_path, 40_000)
    played = Playback([path], math.inf)
    played.start()
    pieces = []
    while not played.finished:
        pieces.append(played.take().frames)
    assert len(pieces) > 2
    assert rows_of(FrameBlock.concat(pieces)) == rows_of(block)
    assert {bus.hearing for bus in played.buses()} == {Hearing.ENDED}


def test_time_goes_as_fast_as_asked(tmp_path: Path) -> None:
    path, block = recording(tmp_path)
    clock = Hands()
    played = Playback([path], 50.0, clock_ns=clock)
    played.start()
    clock.pass_s(0.1)
    assert played.now_ns() - int(block.t_ns[0]) == 5 * SECOND


def test_it_goes_on_being_the_recordings_own_time(tmp_path: Path) -> None:
    path, _ = recording(tmp_path, t0_ns=0)
    played = Playback([path])
    assert not played.epoch
    path, _ = recording(tmp_path)
    assert Playback([path]).epoch


def test_a_gap_of_the_recording_is_open_while_it_lasts_and_told_once_when_it_is_over(tmp_path: Path) -> None:
    block = random_block(3, 100, most_steps=100_000)
    first_ns, last_ns = int(block.t_ns[49]), int(block.t_ns[50])
    recorder = LogRecorder(tmp_path / "r", three_channels())
    recorder.write(block.slice(0, 50))
    gap = RecorderGap(from_ns=first_ns, to_ns=last_ns, channel=None, why="the adapter did not answer")
    recorder.write(block.slice(50, 100), [gap])
    recorder.close()
    clock = Hands()
    played = Playback([tmp_path / "r"], clock_ns=clock)
    played.start()
    clock.t_ns += first_ns - int(block.t_ns[0]) + (last_ns - first_ns) // 2
    inside = played.take()
    assert inside.gaps == ()
    assert [(one.from_ns, one.to_ns) for one in inside.open_gaps] == [(first_ns, inside.heard_until_ns)]
    clock.pass_s(1e6)
    after = played.take()
    assert after.gaps == (gap,)
    assert after.open_gaps == ()
    assert played.take().gaps == ()


def test_a_channel_that_has_no_frame_for_a_second_is_shown_as_silent(tmp_path: Path) -> None:
    block = random_block(3, 50, most_steps=1000)
    block = block.take(np.flatnonzero(block.flags & ERROR == 0))  # some tell of an overflow, which shows as well
    late = random_block(4, 1, t0_ns=int(block.t_ns[-1]) + 5 * SECOND)
    write_log(tmp_path / "c.log", [block, late], three_channels())
    clock = Hands()
    played = Playback([tmp_path / "c.log"], clock_ns=clock)
    played.start()
    clock.t_ns += int(block.t_ns[-1] - block.t_ns[0])
    played.take()
    assert {bus.hearing for bus in played.buses()} == {Hearing.HEARD}
    clock.pass_s(2.0)
    played.take()
    assert {bus.hearing for bus in played.buses()} == {Hearing.SILENT}


@pytest.mark.parametrize("speed", [0.0, -1.0, math.nan])
def test_a_speed_that_leads_nowhere_is_refused(speed: float, tmp_path: Path) -> None:
    path, _ = recording(tmp_path)
    with pytest.raises(InputError, match="--speed"):
        Playback([path], speed)


def test_a_recording_without_a_frame_is_refused_when_it_starts(tmp_path: Path) -> None:
    (tmp_path / "c.log").write_text("no frame at all\n", encoding="utf-8")
    with pytest.raises(InputError, match="not one frame"):
        Playback([tmp_path / "c.log"]).start()


def test_stopping_twice_is_allowed(tmp_path: Path) -> None:
    path, _ = recording(tmp_path)
    played = Playback([path])
    played.start()
    played.stop()
    played.stop()
    assert played.finished


def test_the_bundled_machine_is_played_whole() -> None:
    path = Path(__file__).parents[2] / "captures" / "street_sweeper" / "capture.log.gz"
    played = Playback([path], math.inf)
    played.start()
    n_frames = 0
    while not played.finished:
        n_frames += len(played.take().frames)
    assert n_frames == sum(len(block) for block in open_capture([path]).blocks())


def test_an_overflow_that_the_recording_tells_of_shows_as_overrun_while_it_is_played(tmp_path: Path) -> None:
    path = tmp_path / "o.log"  # Linux header can/error.h: CAN_ERR_CRTL, CAN_ERR_CRTL_RX_OVERFLOW
    lines = [
        "(100.0) can0 123#01",
        "(101.0) can0 20000004#0001000000000000",
        "(103.0) can0 123#01",
        "(107.4) can0 123#01",
        "(110.0) can0 123#01",
    ]
    path.write_text("".join(f"{line}\n" for line in lines), encoding="ascii")
    clock = Hands()
    played = Playback([path], 1.0, clock_ns=clock)
    played.start()
    seen = []
    for seconds in (0.5, 1.0, 2.0, 4.0):
        clock.pass_s(seconds)
        played.take()
        seen.append(played.buses()[0].hearing)
    assert seen == [Hearing.HEARD, Hearing.OVERRUN, Hearing.OVERRUN, Hearing.HEARD]
