"""What is remembered of a track, against a naive loop over its frames and over any cuts."""

import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdoc.arrays import Int64Array
from busdoc.health.streams.interval import interval_bin
from busdoc.health.streams.silence import CONTEXT
from busdoc.health.streams.track import SAMPLE, Tracks
from busdoc.health.streams.track_compiled import take_long_block


def fed(row: Int64Array, t_ns: Int64Array, cuts: list[int], n_tracks: int, *, compiled: bool = False) -> Tracks:
    tracks = Tracks(with_context=True, quantile=0.75, factor=1.6, compiled=compiled)
    tracks.add(n_tracks)
    data = np.repeat((np.arange(len(row)) % 251).astype(np.uint8)[:, None], 8, axis=1)
    edges = [0, *sorted(cuts), len(row)]
    for first, last in pairwise(edges):
        tracks.feed(row[first:last], t_ns[first:last], data[first:last])
    return tracks


def traffic(seed: int, n: int, n_tracks: int) -> tuple[Int64Array, Int64Array]:
    rng = np.random.default_rng(seed)
    row = rng.integers(0, n_tracks, n)
    step = np.where(rng.random(n) < 0.01, rng.integers(10**8, 10**9, n), rng.integers(10**4, 10**7, n))
    return row, np.cumsum(step)


def assert_same(one: Tracks, other: Tracks, n_tracks: int) -> None:
    for name in ("count", "first_ns", "last_ns", "notable_ns", "interval_count", "interval_sum"):
        assert (getattr(one, name)[:n_tracks] == getattr(other, name)[:n_tracks]).all(), name
    for name in ("regular_count", "regular_sum", "last_dt"):
        assert (getattr(one, name)[:n_tracks] == getattr(other, name)[:n_tracks]).all(), name
    for track in range(n_tracks):
        assert (one.sample_ns(track) == other.sample_ns(track)).all()
        silences = [
            (*one.silences(track), one.open_silence(track)),
            (*other.silences(track), other.open_silence(track)),
        ]
        assert len(silences[0]) == len(silences[1])
        for a, b in zip(*silences, strict=True):
            assert (a.from_ns, a.to_ns, a.nth) == (b.from_ns, b.to_ns, b.nth)
            assert (a.before_ns == b.before_ns).all()
            assert (a.after_ns == b.after_ns).all()
            assert (a.before_data == b.before_data).all()
            assert (a.after_data == b.after_data).all()


@pytest.mark.parametrize("compiled", [False, True])
@settings(max_examples=40)
@given(seed=st.integers(0, 10**6), cuts=st.lists(st.integers(0, 1500), max_size=12), n_tracks=st.integers(1, 7))
def test_cuts_change_nothing_that_is_remembered(seed: int, cuts: list[int], n_tracks: int, compiled: bool) -> None:
    row, t_ns = traffic(seed, 1500, n_tracks)
    assert_same(fed(row, t_ns, [], n_tracks), fed(row, t_ns, cuts, n_tracks, compiled=compiled), n_tracks)


def test_the_compiled_kernel_takes_over_in_mid_capture_without_a_trace() -> None:
    row, t_ns = traffic(8, 30_000, 5)
    data = np.zeros((30_000, 8), np.uint8)
    data[:, 0] = np.arange(30_000) % 251
    numpy_only = Tracks(with_context=True, quantile=0.75, factor=1.6, compiled=False)
    taken_over = Tracks(with_context=True, quantile=0.75, factor=1.6, compiled=False)
    for tracks in (numpy_only, taken_over):
        tracks.add(5)
        tracks.feed(row[:7_000], t_ns[:7_000], data[:7_000])
    take_long_block(taken_over, row[7_000:], t_ns[7_000:], data[7_000:])
    numpy_only.feed(row[7_000:], t_ns[7_000:], data[7_000:])
    assert_same(numpy_only, taken_over, 5)


def test_more_silences_than_the_kernel_takes_at_once_are_all_judged() -> None:
    rng = np.random.default_rng(2)
    t_ns = np.cumsum(np.exp(rng.uniform(np.log(1e6), np.log(1e9), 60_000)).astype(np.int64))
    row = rng.integers(0, 40, 60_000)
    assert_same(fed(row, t_ns, [], 40), fed(row, t_ns, [], 40, compiled=True), 40)


def test_plain_tracks_are_the_same_compiled() -> None:
    row, t_ns = traffic(9, 20_000, 3)
    one, other = (Tracks(with_context=False, quantile=0.9, factor=1.5, compiled=compiled) for compiled in (False, True))
    for tracks in (one, other):
        tracks.add(3)
        tracks.feed(row, t_ns)
    assert (one.interval_count == other.interval_count).all()
    for track in range(3):
        assert [(s.from_ns, s.to_ns) for s in one.silences(track)] == [
            (s.from_ns, s.to_ns) for s in other.silences(track)
        ]


def test_a_naive_loop_counts_the_same() -> None:
    row, t_ns = traffic(7, 4000, 3)
    tracks = fed(row, t_ns, [10, 11, 900], 3)
    for track in range(3):
        own = t_ns[row == track]
        assert tracks.count[track] == len(own)
        assert (tracks.first_ns[track], tracks.last_ns[track]) == (own[0], own[-1])
        regular = np.zeros(tracks.interval_count.shape[1], np.int64)
        every = regular.copy()
        for k in range(1, len(own)):
            interval = int(own[k] - own[k - 1])
            at = int(interval_bin(np.array([interval]))[0])
            every[at] += 1
            if k >= 3:
                before = [int(own[k - 1] - own[k - 2]), int(own[k - 2] - own[k - 3])]
                if max(before) <= interval * 1.4 and min(before) * 1.4 >= interval:
                    regular[at] += 1
        assert (tracks.interval_count[track] == every).all()
        assert (tracks.regular_count[track] == regular).all()


def test_a_silence_keeps_the_frames_around_it() -> None:
    t_ns = np.concatenate((np.arange(100) * 10**7, 5 * 10**9 + np.arange(100) * 10**7))
    tracks = fed(np.zeros(200, np.int64), t_ns, [99, 100, 101, 105], 1)
    (silence,) = tracks.longer_than(0, 10**9)
    assert (silence.from_ns, silence.to_ns, silence.nth) == (t_ns[99], t_ns[100], 100)
    assert (silence.before_ns == t_ns[100 - CONTEXT : 100]).all()
    assert (silence.after_ns == t_ns[100 : 100 + CONTEXT]).all()
    assert (silence.after_data[:, 0] == np.arange(100, 100 + CONTEXT)).all()


def test_the_sample_thins_itself_and_stays_within_bounds() -> None:
    t_ns = np.cumsum(np.arange(1, 5001, dtype=np.int64) * 1000)
    sample = fed(np.zeros(5000, np.int64), t_ns, [17, 1234], 1).sample_ns(0)
    assert SAMPLE // 2 <= len(sample) < SAMPLE
    assert len(set(np.diff(sample).tolist())) == 1  # every so many intervals, evenly


def test_a_short_capture_is_watched_without_the_compiler() -> None:
    code = (
        "import sys; sys.path.insert(0, '.')\n"
        "from tests.health.made_traffic import S, Maker, health_of, merged\n"
        "health_of(merged(Maker().cyclic(0x18FF0131, S // 100, 60 * S)))\n"
        "heavy = {'numba', 'cantools', 'can', 'pandas', 'scipy'} & set(sys.modules)\n"
        "sys.exit(str(heavy) if heavy else 0)"
    )
    root = Path(__file__).resolve().parents[3]
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
