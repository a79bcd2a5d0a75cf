"""Frames from timelines: phase, counters, drift, order on the wire."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag
from busdoc.simulation.arbitration import wire_bits
from busdoc.simulation.stream import Beat, Stream
from busdoc.simulation.timeline import Stint
from busdoc.simulation.traffic import LooseFrame, Traffic
from tests.truth.by_chance.random_traffic import healthy_recording

NS = 1_000_000_000


def capture(
    streams: list[Stream],
    stints: list[Stint],
    *,
    until_s: float = 60.0,
    seed: int = 1,
    chunk_s: float = 600.0,
    loose: tuple[LooseFrame, ...] = (),
    drift_ppm: float = 0.0,
) -> FrameBlock:
    traffic = Traffic(
        streams,
        {"hopper": stints},
        loose,
        np.random.default_rng(seed),
        until_s=until_s,
        drift_ppm={"hopper": drift_ppm},
    )
    return FrameBlock.concat(list(traffic.blocks(chunk_s)))


def cyclic(period_s: float = 0.1, jitter_s: float = 0.0, counter: tuple[int, int, int] | None = (0, 4, 4)) -> Stream:
    return Stream(
        controller="hopper", id=0x18FF3131, extended=True, period_s=period_s, jitter_s=jitter_s, counter=counter
    )


def whole(until_s: float = 60.0, *heard: tuple[float, float]) -> list[Stint]:
    return [Stint(start_s=0.0, end_s=until_s, fresh=False, heard=heard or ((0.0, until_s),))]


def off_grid_ns(t_ns: Int64Array, period_ns: int) -> Int64Array:
    """Give how far each time is from the first one's grid of whole periods."""
    since = (t_ns - t_ns[0]) % period_ns
    nearest: Int64Array = np.minimum(since, period_ns - since)
    return nearest


def test_a_controller_that_was_only_unheard_goes_on_in_phase_and_in_count() -> None:
    block = capture([cyclic()], whole(60.0, (0.0, 20.0), (33.33, 60.0)))
    assert (np.diff(block.t_ns) > 13 * NS).sum() == 1
    assert off_grid_ns(block.t_ns, NS // 10).max() <= 1000
    numbers = np.round((block.t_ns - block.t_ns[0]) / (NS // 10)).astype(np.int64)
    counters = (block.data[:, 0] >> 4).astype(np.int64)
    assert ((counters - counters[0] - numbers) % 16 == 0).all()


def test_a_controller_that_restarted_counts_from_zero_at_a_phase_of_its_own() -> None:
    phases = []
    for seed in range(30):
        stints = [*whole(20.0), Stint(start_s=33.33, end_s=60.0, fresh=True, heard=((33.33, 60.0),))]
        block = capture([cyclic()], stints, seed=seed)
        after = block.t_ns > 30 * NS
        assert block.data[after][0, 0] >> 4 == 0
        phases.append(int(block.t_ns[after][0] - block.t_ns[0]) % (NS // 10) / (NS // 10))
    # Rayleigh: for uniform phases the mean resultant of 30 exceeds 0.45 about once in 400 (exp(-n r^2)).
    assert abs(np.exp(2j * np.pi * np.array(phases)).mean()) < 0.45


def test_a_delayed_tick_does_not_delay_the_next() -> None:
    block = capture([cyclic(jitter_s=0.002)], whole())
    # Software is late and never early: with a half-normal lateness of 2 ms, nothing is 12 ms off, however long it runs.
    assert off_grid_ns(block.t_ns, NS // 10).max() < 12_000_000
    assert len(block) == pytest.approx(600, abs=1)


def test_a_clock_that_is_100_ppm_slow_shows_in_the_long_run() -> None:
    block = capture([cyclic()], whole(3600.0), until_s=3600.0, drift_ppm=100.0)
    period_s = (block.t_ns[-1] - block.t_ns[0]) / NS / (len(block) - 1)
    assert period_s == pytest.approx(0.10001, rel=1e-6)


def test_a_period_that_follows_the_engine_swings_between_once_and_three_times() -> None:
    stream = Stream(controller="hopper", id=0x100, extended=False, period_s=0.02, jitter_s=0.0, beat=Beat.ENGINE_SPEED)
    gaps_ns = np.diff(capture([stream], whole(600.0), until_s=600.0).t_ns)
    assert gaps_ns.min() == pytest.approx(20_000_000, rel=0.03)
    assert gaps_ns.max() == pytest.approx(60_000_000, rel=0.03)


def test_a_stream_on_change_keeps_its_slow_beat_and_its_shortest_gap() -> None:
    stream = Stream(controller="hopper", id=0x100, extended=False, period_s=2.0, jitter_s=0.0, beat=Beat.ON_CHANGE)
    t_ns = capture([stream], whole(600.0), until_s=600.0).t_ns
    assert np.diff(t_ns).max() <= 2.001 * NS
    assert len(t_ns) > 400  # 300 of the slow beat, and some 200 changes


@settings(max_examples=15)
@given(seed=st.integers(0, 1000), chunk_s=st.floats(0.7, 40.0))
def test_where_chunks_end_costs_no_cyclic_frame_and_no_order(seed: int, chunk_s: float) -> None:
    streams = [cyclic(0.05), Stream(controller="hopper", id=0x7FF, extended=False, period_s=0.013, channel=1)]
    block = capture(streams, whole(), seed=seed, chunk_s=chunk_s)
    assert (np.diff(block.t_ns) >= 0).all()
    for channel, period_ns in ((0, 50_000_000), (1, 13_000_000)):
        gaps_ns = np.diff(block.t_ns[block.channel == channel])
        assert gaps_ns.max() < 1.5 * period_ns
        assert gaps_ns.min() > 0.5 * period_ns


@settings(max_examples=30)
@given(seed=st.integers(0, 10_000), chunk_s=st.floats(0.7, 20.0))
def test_where_chunks_end_costs_no_beat_of_the_engine(seed: int, chunk_s: float) -> None:
    stream = Stream(controller="hopper", id=1, extended=False, period_s=0.02, jitter_s=0.0, beat=Beat.ENGINE_SPEED)
    gaps_ns = np.diff(capture([stream], whole(100.0), until_s=100.0, seed=seed, chunk_s=chunk_s).t_ns)
    assert gaps_ns.max() < 1.04 * 60_000_000
    assert gaps_ns.min() > 0.96 * 20_000_000


def test_where_chunks_end_the_wire_goes_on_by_priority() -> None:
    recording, streams = healthy_recording(9, length_s=20.0, load=0.8)
    whole_run = FrameBlock.concat(list(recording.blocks(streams, chunk_s=20.0)))
    recording, streams = healthy_recording(9, length_s=20.0, load=0.8)
    in_chunks = FrameBlock.concat(list(recording.blocks(streams, chunk_s=0.1)))
    for stream in streams:
        if stream.beat is Beat.CYCLIC:
            gaps = [np.diff(b.t_ns[b.id == stream.id]).max() for b in (whole_run, in_chunks)]
            assert gaps[1] < gaps[0] + 12_000_000  # another draw of the jitter, and no queue that skips its turn


def test_frames_do_not_overlap_on_a_loaded_wire() -> None:
    recording, streams = healthy_recording(5, length_s=30.0, load=0.8)
    block = FrameBlock.concat(list(recording.blocks(streams)))
    extended = (block.flags & FrameFlag.EXTENDED) != 0
    bit_ns = NS // (recording.world.machine.buses[0].bitrate or 1)
    cost_ns = wire_bits(extended, block.length) * bit_ns
    assert (np.diff(block.t_ns) >= cost_ns[1:] - 1000).all()  # the recorder rounds to 1 µs
    assert 0.7 < cost_ns.sum() / 30.0 / NS < 0.85


def test_an_error_frame_and_a_claim_keep_their_marks() -> None:
    loose = (
        LooseFrame(time_s=1.0, id=0x08, data=bytes(8), error=True),
        LooseFrame(time_s=2.0, id=0x18EEFF31, data=bytes(range(8)), controller="hopper"),
    )
    block = capture([], whole(), loose=loose)
    assert block.flags.tolist() == [FrameFlag.ERROR, FrameFlag.EXTENDED]
    assert block.payload(1) == bytes(range(8))


def test_what_an_absent_controller_would_say_is_not_heard() -> None:
    loose = (LooseFrame(time_s=25.0, id=0x18FECA31, data=bytes(8), controller="hopper"),)
    assert len(capture([], whole(60.0, (0.0, 20.0), (30.0, 60.0)), loose=loose)) == 0
