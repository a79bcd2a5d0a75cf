"""Which streams' bits the health watch follows."""

import numpy as np

from busdoc.capture.frames import FrameBlock
from busdoc.health.controller import StreamKey
from busdoc.health.presence.watch import HealthWatch


def frames(identifiers: list[int], first_byte: list[int]) -> FrameBlock:
    n = len(identifiers)
    data = np.zeros((n, 8), np.uint8)
    data[:, 0] = first_byte
    return FrameBlock(
        t_ns=np.arange(n, dtype=np.int64),
        channel=np.zeros(n, np.uint8),
        id=np.array(identifiers, np.uint32),
        flags=np.zeros(n, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=data,
    )


def test_only_streams_that_nobody_decodes_are_followed() -> None:
    watch = HealthWatch(decoded=lambda key: key.id == 0x100)
    watch.feed(frames([0x100, 0x200, 0x100, 0x200], [0, 0, 1, 1]))
    (found,) = watch.bit_changes().items()
    assert found[0] == StreamKey(channel=0, extended=False, id=0x200)
    assert [(one.bit, one.became, one.t_ns.tolist()) for one in found[1]] == [(0, 1, [3])]


def test_streams_beyond_the_first_256_are_counted() -> None:
    watch = HealthWatch()
    watch.feed(frames(list(range(300)), [0] * 300))
    assert watch.n_unfollowed_bits == 44


def test_arrivals_of_quiet_streams_are_given_by_stream() -> None:
    watch = HealthWatch()
    watch.feed(frames([0x100, 0x200, 0x100], [0, 0, 0]))
    found = {key.id: t_ns.tolist() for key, t_ns in watch.sparse_arrivals().items()}
    assert found == {0x100: [0, 2], 0x200: [1]}
