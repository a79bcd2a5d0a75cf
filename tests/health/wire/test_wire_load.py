"""Load second by second: a worked example, cuts anywhere, and the compiled path against numpy's."""

import subprocess
import sys
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Int64Array
from busdoc.capture.frames import FrameBlock, FrameFlag, LongPayloads
from busdoc.health.summary import WireLoad
from busdoc.health.wire import wire
from busdoc.health.wire.frame_length import frame_bits
from busdoc.health.wire.wire import WireWatch

SECOND = 1_000_000_000
START = 1_772_359_200 * SECOND + 123_456_789


def cyclic(identifier: int, payload: str, period_ms: int, seconds: int) -> FrameBlock:
    n = seconds * 1000 // period_ms
    data = np.tile(np.frombuffer(bytes.fromhex(payload), np.uint8), (n, 1))
    return FrameBlock(
        t_ns=START + np.arange(n, dtype=np.int64) * period_ms * 1_000_000,
        channel=np.zeros(n, np.uint8),
        id=np.full(n, identifier, np.uint32),
        flags=np.full(n, FrameFlag.EXTENDED, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=data,
    )


def in_time_order(blocks: list[FrameBlock]) -> FrameBlock:
    joined = FrameBlock.concat(blocks)
    return joined.take(np.argsort(joined.t_ns, kind="stable").astype(np.int64))


def random_block(rng: np.random.Generator, n: int, *, step_ns: int = 2_000_000, channels: int = 2) -> FrameBlock:
    flags = np.where(rng.random(n) < 0.6, int(FrameFlag.EXTENDED), 0).astype(np.uint16)
    fd = rng.random(n) < 0.2
    flags[fd] |= np.uint16(FrameFlag.FD)
    flags[fd & (rng.random(n) < 0.7)] |= np.uint16(FrameFlag.BRS)
    flags[fd & (rng.random(n) < 0.3)] |= np.uint16(FrameFlag.ESI)
    flags[~fd & (rng.random(n) < 0.05)] |= np.uint16(FrameFlag.REMOTE)
    flags[rng.random(n) < 0.03] |= np.uint16(FrameFlag.ERROR)
    length = rng.integers(0, 9, n).astype(np.uint8)
    long = np.flatnonzero(fd & ((flags & FrameFlag.ERROR) == 0) & (rng.random(n) < 0.7)).astype(np.int64)
    length[long] = rng.choice([12, 16, 20, 24, 32, 48, 64], len(long))
    start = np.concatenate(([0], np.cumsum(length[long].astype(np.int64))))
    fill = rng.choice(np.array([0x00, 0xFF, 0x1F, 0x5A], np.uint8), int(start[-1]))
    data = rng.choice(np.array([0x00, 0xFF, 0x0F, 0xC1], np.uint8), (n, 8))
    data[np.arange(8) >= length[:, None]] = 0
    base = (flags & FrameFlag.EXTENDED) == 0
    identifier = rng.integers(0, 1 << 29, n)
    identifier[base] &= 0x7FF
    error = (flags & FrameFlag.ERROR) != 0
    identifier[error] = rng.choice([0x88, 0x20, 0x4, 0x40, 0x100, 0], int(error.sum()))
    return FrameBlock(
        t_ns=START + np.cumsum(rng.integers(0, step_ns, n)),
        channel=rng.integers(0, channels, n).astype(np.uint8),
        id=identifier.astype(np.uint32),
        flags=flags,
        length=length,
        data=data,
        long=LongPayloads(row=long, start=start, bytes=fill),
    )


def columns(load: WireLoad) -> list[list[float]]:
    table = (load.second_ns, load.frames, load.error_frames, load.bits)
    return [column.tolist() for column in table]


def test_the_load_of_a_worked_example_is_exact() -> None:
    # 250 kbit/s; 100 frames of 143 bits, 10 of 146, one of 145 and one of 144 a second (lengths: ISO 11898-1)
    block = in_time_order(
        [
            cyclic(0x0CF00400, "FF7D7D8813FFFFFF", 10, 5),
            cyclic(0x18FEF131, "FFFFFFFFFFFFFFFF", 100, 5),
            cyclic(0x18FEEE00, "5AFFFFFFFFFFFFFF", 1000, 5),
            cyclic(0x18FECA31, "00FF00000000FFFF", 1000, 5),
        ]
    )
    watch = WireWatch({0: (250_000, None)})
    watch.feed(block)
    (load,) = watch.close(START + 5 * SECOND)
    assert load.bits.tolist() == [16_049] * 5
    assert load.frames.tolist() == [112] * 5
    assert load.mean_load == pytest.approx(0.064196, abs=1e-12)
    assert load.peak_load == pytest.approx(0.064196, abs=1e-12)


@given(seed=st.integers(0, 2**32 - 1), cuts=st.lists(st.integers(0, 400), max_size=8))
@settings(max_examples=40)
def test_cutting_the_capture_anywhere_gives_the_same_wire(seed: int, cuts: list[int]) -> None:
    block = random_block(np.random.default_rng(seed), 400, step_ns=40_000_000)
    rates = {0: (500_000, 2_000_000)}
    whole, cut = WireWatch(rates), WireWatch(rates)
    whole.feed(block)
    edges = [0, *sorted(cuts), len(block)]
    for first, last in pairwise(edges):
        cut.feed(block.slice(first, last))
        cut.close()
    for one, other in zip(whole.close(), cut.close(), strict=True):
        assert columns(one) == columns(other)
        assert one.error_states == other.error_states
        assert (one.mean_load, one.peak_load, one.likely_bitrate) == (
            other.mean_load,
            other.peak_load,
            other.likely_bitrate,
        )


@pytest.mark.parametrize("n_threads", [1, 2])
def test_the_compiled_sums_equal_those_of_numpy(n_threads: int) -> None:
    block = random_block(np.random.default_rng(7), 60_000, channels=5)
    zero_ns = int(block.t_ns[0])
    compiled = wire._merged(wire._compiled_sums(block, zero_ns, n_threads))
    assert compiled.tolist() == wire._numpy_sums(block, zero_ns).tolist()


def test_a_long_capture_changes_over_to_the_compiled_path_without_a_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    block = random_block(np.random.default_rng(8), 6_000)
    monkeypatch.setattr(wire, "repays_by_frames", lambda n_frames, _: n_frames >= 3_000)
    monkeypatch.setattr(wire, "_LONG_BLOCK", 1_000)
    both, plain = WireWatch({0: (500_000, 2_000_000)}), WireWatch({0: (500_000, 2_000_000)})
    for first in range(0, 6_000, 1_500):
        both.feed(block.slice(first, first + 1_500))
    for first in range(0, 6_000, 500):
        plain.feed(block.slice(first, first + 500))
    assert [columns(load) for load in both.close()] == [columns(load) for load in plain.close()]


def test_every_frame_is_counted_in_its_second() -> None:
    block = random_block(np.random.default_rng(9), 3_000)
    watch = WireWatch({})
    watch.feed(block)
    bits = frame_bits(block)
    error = (block.flags & FrameFlag.ERROR) != 0
    for load in watch.close():
        for at, second_ns in enumerate(load.second_ns.tolist()):
            here = (block.channel == load.channel) & (block.t_ns >= second_ns) & (block.t_ns < second_ns + SECOND)
            assert load.frames[at] == (here & ~error).sum()
            assert load.error_frames[at] == (here & error).sum()
            assert load.bits[at] == (bits.nominal + bits.data)[here].sum()


def test_seconds_without_traffic_between_two_with_are_listed_as_empty() -> None:
    block = cyclic(0x0CF00400, "FF7D7D8813FFFFFF", 1000, 8).take(np.array([0, 1, 5], np.int64))
    watch = WireWatch({0: (250_000, None)})
    watch.feed(block)
    (load,) = watch.close()
    assert load.frames.tolist() == [1, 1, 0, 0, 0, 1]
    assert ((load.second_ns - START) // SECOND).tolist() == [0, 1, 2, 3, 4, 5]


def test_a_clock_that_jumps_ten_years_does_not_fill_the_memory() -> None:
    ten_years_ns = 10 * 366 * 86_400 * SECOND
    block = cyclic(0x0CF00400, "FF7D7D8813FFFFFF", 1000, 2)
    later = FrameBlock(
        t_ns=block.t_ns + ten_years_ns,
        channel=block.channel,
        id=block.id,
        flags=block.flags,
        length=block.length,
        data=block.data,
    )
    watch = WireWatch({0: (250_000, None)})
    watch.feed(block)
    watch.feed(later)
    (load,) = watch.close()
    assert load.frames.tolist() == [1, 1, 1, 1]
    assert int(load.second_ns[2]) == START + ten_years_ns


def test_without_a_bit_rate_the_load_is_open_and_the_bits_still_count() -> None:
    watch = WireWatch({})
    watch.feed(cyclic(0x0CF00400, "FF7D7D8813FFFFFF", 10, 2))
    (load,) = watch.close()
    assert load.bitrate is None
    assert np.isnan(load.load).all()
    assert (load.mean_load, load.peak_load) == (None, None)
    assert load.bits.tolist() == [14_300, 14_300]


def test_an_fd_data_phase_counts_by_the_ratio_of_the_rates() -> None:
    block = random_block(np.random.default_rng(3), 500, step_ns=1_000_000, channels=1)
    bits = frame_bits(block)
    watch = WireWatch({0: (500_000, 2_000_000)})
    watch.feed(block)
    (load,) = watch.close()
    assert load.bits.sum() == pytest.approx(bits.nominal.sum() + bits.data.sum() / 4, abs=len(load.bits))


def test_an_unknown_data_rate_leaves_the_load_open_and_says_so() -> None:
    watch = WireWatch({0: (500_000, None)})
    watch.feed(random_block(np.random.default_rng(3), 500, step_ns=1_000_000, channels=1))
    (load,) = watch.close()
    assert load.mean_load is None
    assert any("data bit rate" in warning for warning in load.warnings)


def test_a_load_above_one_is_told_as_a_wrong_bit_rate() -> None:
    watch = WireWatch({0: (10_000, None)})
    watch.feed(cyclic(0x0CF00400, "FF7D7D8813FFFFFF", 10, 2))
    (load,) = watch.close()
    assert any("check the bit rate" in warning for warning in load.warnings)


def test_a_capture_without_frames_has_no_wire() -> None:
    watch = WireWatch({0: (250_000, None)})
    watch.feed(FrameBlock.empty())
    assert watch.close() == ()


def test_a_small_capture_does_not_load_the_compiler() -> None:
    program = (
        "import sys; import numpy as np; from busdoc.capture.frames import FrameBlock; "
        "from busdoc.health.wire.wire import WireWatch; n = 50000; z = np.zeros\n"
        "w = WireWatch({}); w.feed(FrameBlock(t_ns=np.arange(n), channel=z(n, 'u1'), id=z(n, 'u4'), "
        "flags=z(n, 'u2'), length=z(n, 'u1'), data=z((n, 8), 'u1'))); w.close(); sys.exit('numba' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=60).returncode == 0


def merged_reference(rows: Int64Array) -> dict[tuple[int, int], list[int]]:
    sums: dict[tuple[int, int], list[int]] = {}
    for channel, second, *values in rows.tolist():
        so_far = sums.setdefault((channel, second), [0, 0, 0, 0])
        sums[channel, second] = [a + b for a, b in zip(so_far, values, strict=True)]
    return sums


@given(rows=st.lists(st.tuples(*[st.integers(0, 3)] * 6), min_size=1, max_size=40))
@settings(max_examples=60)
def test_merging_adds_up_what_is_of_one_channel_and_second(rows: list[tuple[int, ...]]) -> None:
    table = np.array(rows, np.int64)
    merged = wire._merged(table)
    assert {(row[0], row[1]): row[2:] for row in merged.tolist()} == merged_reference(table)
    assert merged[:, :2].tolist() == sorted(merged[:, :2].tolist())
