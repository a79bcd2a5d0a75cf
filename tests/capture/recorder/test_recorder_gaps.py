"""The gap file: what is written is read, whatever else stands in it is left out, and nothing in it can hurt."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdoc.capture.channels import ChannelTable
from busdoc.capture.reading import LATEST_NS, RecorderGap
from busdoc.capture.recorder.gaps import GapFile, RecordedGap, read_gaps
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.source import open_capture
from tests.capture.random_frames import FEW, random_block

HEADER = "from,to,channel,why\n"


def channels() -> ChannelTable:
    table = ChannelTable()
    for name in ("can0", "can1", "left, front"):
        table.number(name)
    return table


@FEW
@given(
    times=st.lists(st.tuples(st.integers(-LATEST_NS, LATEST_NS - 1), st.integers(1, 10**15)), max_size=20),
    why=st.text(max_size=30),
    channel=st.sampled_from([None, 0, 1]),
)
def test_what_is_written_is_read(
    times: list[tuple[int, int]], why: str, channel: int | None, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("gaps") / "gaps.csv"
    gaps = [
        RecorderGap(from_ns=from_ns, to_ns=min(from_ns + n_ns, LATEST_NS), channel=channel, why=why)
        for from_ns, n_ns in times
    ]
    file = GapFile(path)
    for gap in gaps:
        file.add([gap], channels())
    file.close()
    read = [gap.numbered(channels()) for gap in read_gaps(path)]
    assert [(gap.from_ns, gap.to_ns, gap.channel) for gap in read if gap is not None] == [
        (gap.from_ns, gap.to_ns, gap.channel) for gap in gaps
    ]


@FEW
@given(text=st.text(max_size=300), numbers=st.text(alphabet='0123456789.,-"\r\n\0e', max_size=300))
def test_whatever_else_stands_there_is_left_out(
    text: str, numbers: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("gaps") / "gaps.csv"
    good = "\n1.0,2.0,can0,lost\n"
    path.write_text(HEADER + text + "\n" + numbers + good, encoding="utf-8", newline="")
    gaps = read_gaps(path)
    assert gaps[-1] == RecordedGap(from_ns=10**9, to_ns=2 * 10**9, channel="can0", why="lost")
    assert all(-LATEST_NS <= gap.from_ns < gap.to_ns <= LATEST_NS for gap in gaps)


def test_a_row_that_a_crash_cut_in_half_is_left_out_and_the_next_one_stands(tmp_path: Path) -> None:
    path = tmp_path / "gaps.csv"
    path.write_text(HEADER + "1.0,2.0,can0,lost\n3.0,4.", encoding="utf-8")
    file = GapFile(path)
    file.add([RecorderGap(from_ns=5 * 10**9, to_ns=6 * 10**9, channel=None, why="lost again")], channels())
    file.close()
    assert [gap.why for gap in read_gaps(path)] == ["lost", "lost again"]


def test_a_gap_that_is_taken_back_is_gone(tmp_path: Path) -> None:
    path = tmp_path / "gaps.csv"
    file = GapFile(path)
    for k in (1, 2):
        file.add([RecorderGap(from_ns=k * 10**9, to_ns=k * 10**9 + 5, channel=0, why=f"gap {k}")], channels())
    file.take_back()
    file.close()
    assert [gap.why for gap in read_gaps(path)] == ["gap 1"]


def test_another_table_is_no_gap_file(tmp_path: Path) -> None:
    (tmp_path / "gaps.csv").write_text("a,b,c,d\n1.0,2.0,can0,lost\n", encoding="utf-8")
    assert read_gaps(tmp_path / "gaps.csv") == ()
    assert read_gaps(tmp_path / "nowhere.csv") == ()


BEGUN = "10.5,,can0,the adapter did not answer\n"


@pytest.mark.parametrize(
    ("rows", "spans"),
    [
        (BEGUN, [(10.5, LATEST_NS / 1e9)]),
        (BEGUN + "10.4,14.0,can0,the adapter did not answer\n", [(10.4, 14.0)]),
        (BEGUN + "10.6,10.7,can1,another\n", [(10.5, LATEST_NS / 1e9), (10.6, 10.7)]),
        (BEGUN + "20.0,30.0,,the recorder was not running\n", [(10.5, 30.0), (20.0, 30.0)]),
        (BEGUN + "20.0,30.0,can0,a later one\n", [(10.5, LATEST_NS / 1e9), (20.0, 30.0)]),
    ],
)
def test_a_gap_that_only_began_goes_on_until_it_is_told_to_be_over(
    rows: str, spans: list[tuple[float, float]], tmp_path: Path
) -> None:
    path = tmp_path / "gaps.csv"
    path.write_text(HEADER + rows, encoding="utf-8")
    assert [(gap.from_ns / 1e9, gap.to_ns / 1e9) for gap in read_gaps(path)] == spans


def test_a_recording_that_breaks_off_while_an_adapter_is_away_accuses_nobody_on_that_bus(tmp_path: Path) -> None:
    """Killed, or without power: the row of the whole gap is never written."""
    second = 10**9
    recorder = LogRecorder(tmp_path / "r", channels(), compress=False, keep_free_bytes=0)
    block = random_block(3, 40, t0_ns=100 * second, most_steps=1000)
    away = RecorderGap(
        from_ns=int(block.t_ns[3]), to_ns=int(block.t_ns[5]), channel=0, why="the adapter did not answer"
    )
    recorder.write(block.slice(0, 4))
    for _ in range(3):
        recorder.write(block.slice(0, 0), open_gaps=[away])
    recorder.write(block.slice(4, 40), open_gaps=[away])
    text = (tmp_path / "r" / "gaps.csv").read_text(encoding="utf-8")
    assert len(text.splitlines()) == 2
    capture = open_capture([tmp_path / "r"])
    last_ns = int(list(capture.blocks())[-1].t_ns[-1])
    ((from_ns, to_ns, name),) = [(g.from_ns, g.to_ns, capture.channels.name(g.channel or 0)) for g in capture.gaps]
    assert (from_ns, to_ns, name) == (away.from_ns, last_ns, "can0")
    recorder.close()
