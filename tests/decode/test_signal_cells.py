"""Cells of signals: against frame-by-frame bookkeeping, cut anywhere, on both paths."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.decode.database.database import Database
from busdoc.decode.database.meaning import give_meaning
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.cells import CellRows, CellSeries, SignalCells, cells_of
from busdoc.decode.signals.cells_table import lay_out
from busdoc.decode.signals.stream_intervals import StreamIntervals
from busdoc.decode.signals.streams import stream_key
from busdoc.decode.signals.watch import SignalWatch
from tests.decode.frame_text import cut_at, frames_block
from tests.decode.naive_signals import NaiveState, watch_all
from tests.decode.random_messages import random_frames, random_message

BOTH_PATHS = pytest.mark.parametrize("compiled", [False, True], ids=["numpy", "compiled"])
Cells = dict[tuple[str, int | None, int | None], list[tuple[str, str, str]]]


def machine(seed: int, n: int = 150) -> tuple[Database, FrameBlock, Int64Array]:
    random = np.random.default_rng(seed)
    messages = [random_message(random, number) for number in range(int(random.integers(1, 4)))]
    block = random_frames(random, messages, n)
    span = block.t_ns[-1] - block.t_ns[0]
    edges = block.t_ns[0] + np.unique(random.integers(-span // 10, span + span // 10, 12))
    return Database(messages), block, np.asarray(edges, np.int64)


def fill(database: Database, blocks: Sequence[FrameBlock], edges_ns: Int64Array, *, compiled: bool) -> Cells:
    watch = SignalWatch(database, compiled=False)
    for block in blocks:
        watch.feed(block)
    cells = SignalCells(database, watch.summaries(), edges_ns, compiled=compiled)
    for block in blocks:
        cells.feed(block)
    return {(one.signal or "", one.channel, one.id): listed(one) for one in cells.series()}


def listed(one: CellSeries) -> list[tuple[str, str, str]]:
    """Write the lowest, highest and last value of each cell, since NaN equals nothing."""
    return [
        (repr(low), repr(high), repr(last))
        for low, high, last in zip(one.low.tolist(), one.high.tolist(), one.last.tolist(), strict=True)
    ]


def naive(state: NaiveState, edges_ns: Int64Array) -> list[tuple[str, str, str]]:
    """Sort one signal's values into cells, one by one."""
    held: list[list[float]] = [[] for _ in edges_ns[1:]]
    for t_ns, number in zip(state.value_ns, state.values, strict=True):
        with np.errstate(over="ignore"):
            value = float(np.float32(number))
        for cell, values in enumerate(held):
            if edges_ns[cell] <= t_ns < edges_ns[cell + 1] and math.isfinite(value):
                values.append(value)
    rows = [(min(v), max(v), v[-1]) if v else (math.inf, -math.inf, math.nan) for v in held]
    return [(repr(low), repr(high), repr(last)) for low, high, last in rows]


@BOTH_PATHS
@pytest.mark.parametrize("seed", range(20))
def test_cells_equal_frame_by_frame_bookkeeping(seed: int, compiled: bool) -> None:
    database, block, edges_ns = machine(seed)
    keys = {(int(c), int(i), bool(f & 1)) for c, i, f in zip(block.channel, block.id, block.flags, strict=True)}
    find = {key: message for key in keys if (message := database.find(*key)) is not None}
    expected = {
        (f"{message}.{signal}", channel, frame_id): naive(state, edges_ns)
        for (channel, frame_id, _, message, signal), state in watch_all(find, block).items()
    }
    assert fill(database, [block], edges_ns, compiled=compiled) == expected


@BOTH_PATHS
@given(seed=st.integers(0, 10_000), cuts=st.lists(st.integers(0, 150), max_size=8))
@settings(max_examples=25)
def test_cutting_the_capture_anywhere_gives_the_same_cells(seed: int, cuts: list[int], compiled: bool) -> None:
    database, block, edges_ns = machine(seed)
    whole = fill(database, [block], edges_ns, compiled=compiled)
    assert fill(database, cut_at(block, cuts), edges_ns, compiled=compiled) == whole


@given(seed=st.integers(0, 10_000), cut=st.integers(0, 150), step=st.integers(1, 4))
@settings(max_examples=25)
def test_the_compiled_path_goes_on_where_the_other_stopped(seed: int, cut: int, step: int) -> None:
    database, block, edges_ns = machine(seed)
    watch = SignalWatch(database, compiled=False)
    watch.feed(block)
    keys = np.unique([stream_key(one.channel, one.extended, one.id) for one in watch.summaries()])
    period_ns = int(np.diff(block.t_ns).max()) * step  # some intervals are beyond ten of the shortest
    found: list[CellRows] = []
    for switches in (False, True):
        intervals = StreamIntervals({int(key): period_ns // (1 + k) for k, key in enumerate(keys)})
        cells = SignalCells(database, watch.summaries(), edges_ns, intervals=intervals, compiled=False)
        for at, part in enumerate(cut_at(block, [cut])):
            cells._compiled = switches and at > 0
            cells.feed(part)
        found.append(cells.rows)
    np.testing.assert_array_equal(found[0].low, found[1].low)
    np.testing.assert_array_equal(found[0].high, found[1].high)
    np.testing.assert_array_equal(found[0].last, found[1].last)


@BOTH_PATHS
def test_intervals_stand_in_the_cell_of_the_frame_that_ends_them(compiled: bool) -> None:
    fan = stream_key(1, False, 0x201)
    t_ms = [0, 20, 45, 60, 500, 510, 530]  # the fourth interval is no interval but an outage
    frames = [(t * 1_000_000, 1, 0x201, False, bytes(8)) for t in t_ms]
    others = [(t * 1_000_000 + 1, 0, 0x201, False, bytes(8)) for t in t_ms]
    block = frames_block(sorted([*frames, *others]))
    edges_ns = np.array([30, 100, 505, 600], np.int64) * 1_000_000
    cells = SignalCells(None, (), edges_ns, intervals=StreamIntervals({fan: 20_000_000}), compiled=compiled)
    cells.feed(block)
    np.testing.assert_array_equal(cells.rows.low, np.array([[15.0, np.inf, 10.0]], np.float32))
    np.testing.assert_array_equal(cells.rows.high, np.array([[25.0, -np.inf, 20.0]], np.float32))
    np.testing.assert_array_equal(cells.rows.last, np.array([[15.0, np.nan, 20.0]], np.float32))


@BOTH_PATHS
def test_an_error_frame_is_no_frame_of_a_stream_and_a_remote_frame_holds_no_value(compiled: bool) -> None:
    block = supply_frames([480, 500, 520, 490])
    flags = block.flags | np.array([0, FrameFlag.REMOTE, FrameFlag.ERROR, 0], np.uint16)
    key = stream_key(0, True, 0x18FEF731)
    watch = SignalWatch(supply())
    watch.feed(block)
    intervals = StreamIntervals({key: 1000})
    edges_ns = np.array([0, 1000], np.int64)
    cells = SignalCells(supply(), watch.summaries(), edges_ns, intervals=intervals, compiled=compiled)
    cells.feed(replace(block, flags=flags))
    assert cells.rows.low[:, 0].tolist() == [np.float32(480 * 0.05), np.float32(100 / 1e6)]
    assert cells.rows.high[:, 0].tolist() == [np.float32(490 * 0.05), np.float32(200 / 1e6)]


def test_whole_numbers_in_the_first_eight_bytes_are_taken_out_frame_by_frame() -> None:
    signals = {
        "unsigned": Signal(name="A", start=0, length=16, little_endian=True),
        "big-endian": Signal(name="A", start=7, length=16, little_endian=False),
        "signed": Signal(name="A", start=0, length=64, little_endian=True, signed=True),
    }
    for what, signal in signals.items():
        assert not is_left_out(signal), what
    others = {
        "float": Signal(name="A", start=0, length=32, little_endian=True, is_float=True),
        "further behind": Signal(name="A", start=60, length=8, little_endian=True),
        "beyond a sign": Signal(name="A", start=0, length=64, little_endian=True),
        "too great": Signal(name="A", start=0, length=16, little_endian=True, scale=1e38),
    }
    for what, signal in others.items():
        assert is_left_out(signal), what


def is_left_out(signal: Signal) -> bool:
    """Tell whether a message of one signal is left to the general way of decoding."""
    message = Message(name="M", frame_id=0x100, extended=False, length=12, signals=(signal,))
    table = lay_out({0x100: (message, np.zeros(1, np.int64))}, {}, 1)
    return bool(table.is_apart[0])


def supply() -> Database:
    """Make a J1939 message whose 16-bit parameter has the ranges of SAE J1939-71 5.1."""
    signal = Signal(name="Supply", start=0, length=16, little_endian=True, scale=0.05, unit="V")
    message = Message(
        name="Hopper",
        frame_id=0x18FEF731,
        extended=True,
        length=8,
        by_group=True,
        senders=("Hopper",),
        signals=(signal,),
    )
    return Database([give_meaning(message)])


def supply_frames(numbers: Sequence[int]) -> FrameBlock:
    return frames_block(
        (at * 100, 0, 0x18FEF731, True, number.to_bytes(2, "little") + bytes(6)) for at, number in enumerate(numbers)
    )


@BOTH_PATHS
def test_what_is_not_available_or_an_error_is_no_value(compiled: bool) -> None:
    # SAE J1939-71 5.1: 0xFFxx is 'not available', 0xFExx an error
    block = supply_frames([480, 0xFFFF, 0xFE00, 400, 0xFFFF, 0xFFFF])
    found = fill(supply(), [block], np.array([0, 400, 600], np.int64), compiled=compiled)
    cells = found["Hopper.Supply", 0, 0x18FEF731]
    assert cells[0] == tuple(repr(float(np.float32(volts))) for volts in (20.0, 24.0, 20.0))
    assert cells[1] == ("inf", "-inf", "nan")


def test_a_signal_says_who_sends_it_and_in_which_unit() -> None:
    database, block = supply(), supply_frames([480, 481])
    watch = SignalWatch(database)
    watch.feed(block)
    cells = SignalCells(database, watch.summaries(), np.array([0, 1000], np.int64))
    cells.feed(block)
    assert [(one.senders, one.unit) for one in cells.series()] == [(("Hopper",), "V")]


def test_streams_that_carry_the_same_signal_are_told_apart() -> None:
    message = replace(supply().messages[0], any_source=True)
    frames = [(at * 100, 0, 0x18FEF731 + at, True, (480 + at).to_bytes(2, "little") + bytes(6)) for at in range(2)]
    database, block = Database([message]), frames_block(frames)
    watch = SignalWatch(database)
    watch.feed(block)
    cells = SignalCells(database, watch.summaries(), np.array([0, 1000], np.int64))
    cells.feed(block)
    assert [one.name for one in cells.series()] == ["Hopper.Supply of 0x18FEF731", "Hopper.Supply of 0x18FEF732"]
    assert {one.signal for one in cells.series()} == {"Hopper.Supply"}


def test_only_the_wanted_signals_get_cells() -> None:
    database, block, edges_ns = machine(3)
    watch = SignalWatch(database)
    watch.feed(block)
    wanted = watch.summaries()[1:2]
    cells = SignalCells(database, wanted, edges_ns)
    cells.feed(block)
    everything = fill(database, [block], edges_ns, compiled=False)
    assert [(one.signal, listed(one)) for one in cells.series()] == [
        (wanted[0].name, everything[wanted[0].name, wanted[0].channel, wanted[0].id])
    ]


def test_a_cell_holds_its_first_edge_and_not_its_last() -> None:
    cells = cells_of(np.array([9, 10, 19, 20, 29, 30], np.int64), np.array([10, 20, 30], np.int64))
    assert cells.tolist() == [-1, 0, 0, 1, 1, -1]
