"""Frames of identifiers that were each sent at some times, whatever law these came from."""

from collections.abc import Mapping

import numpy as np

from busdoc.arrays import Float64Array
from busdoc.capture.frames import FrameBlock, FrameFlag

__all__ = ["frames_of"]


def frames_of(
    sent: Mapping[int, Float64Array], until_s: float, rng: np.random.Generator, *, extended: bool = True
) -> FrameBlock:
    """Put all in the order of time, with contents by chance.

    Parameters
    ----------
    sent : by identifier, when it was sent, s; what lies outside zero and `until_s` is left out
    """
    t_ns = np.concatenate([np.round(times * 1e9).astype(np.int64) for times in sent.values()])
    ids = np.concatenate([np.full(len(times), identifier, np.uint32) for identifier, times in sent.items()])
    kept = (t_ns >= 0) & (t_ns < round(until_s * 1e9))
    order = np.flatnonzero(kept)[np.argsort(t_ns[kept], kind="stable")]
    n = len(order)
    return FrameBlock(
        t_ns=t_ns[order],
        channel=np.zeros(n, np.uint8),
        id=ids[order],
        flags=np.full(n, FrameFlag.EXTENDED if extended else 0, np.uint16),
        length=np.full(n, 8, np.uint8),
        data=rng.integers(0, 250, (n, 8)).astype(np.uint8),
    )
