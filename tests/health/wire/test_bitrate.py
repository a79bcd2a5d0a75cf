"""The bit rate that the traffic speaks for: right where it decides, silent where it does not."""

import numpy as np
import pytest

from busdoc.arrays import Int64Array
from busdoc.health.wire.bitrate import likely_bitrate


def traffic(
    bitrate: int, *, bursts: bool, stamp: str = "end", jitter_ns: int = 2_000, seed: int = 1
) -> tuple[Int64Array, Int64Array]:
    """Frames of 29-bit length, in bursts of four back to back or each alone."""
    rng = np.random.default_rng(seed)
    n = 4_000
    bits = rng.integers(85, 150, n)
    wire_ns = bits * 1_000_000_000 // bitrate
    pause_ns = rng.exponential(6 * wire_ns.mean(), n).astype(np.int64) + (0 if bursts else int(wire_ns.max()))
    if bursts:
        pause_ns[np.arange(n) % 4 != 0] = 0
    end_ns = np.cumsum(pause_ns + wire_ns)
    t_ns = end_ns if stamp == "end" else end_ns - wire_ns
    return np.maximum.accumulate(t_ns + rng.integers(-jitter_ns, jitter_ns + 1, n)), bits


@pytest.mark.parametrize("bitrate", [125_000, 250_000, 500_000, 1_000_000])
@pytest.mark.parametrize("stamp", ["end", "start"])
def test_queued_frames_tell_the_bit_rate(bitrate: int, stamp: str) -> None:
    assert likely_bitrate(*traffic(bitrate, bursts=True, stamp=stamp)) == bitrate


def test_frames_that_never_queue_leave_it_open() -> None:
    assert likely_bitrate(*traffic(250_000, bursts=False)) is None


def test_a_recorder_that_stamps_in_batches_leaves_it_open() -> None:
    t_ns, bits = traffic(250_000, bursts=True)
    assert likely_bitrate(t_ns // 10_000_000 * 10_000_000, bits) is None


def test_a_handful_of_frames_leaves_it_open() -> None:
    t_ns, bits = traffic(250_000, bursts=True)
    assert likely_bitrate(t_ns[:20], bits[:20]) is None
