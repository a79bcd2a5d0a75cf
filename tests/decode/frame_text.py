"""Writes small captures as text: one frame a line, ``seconds id#data``; 8 digits are a 29-bit id, ``#R`` is remote."""

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from busdoc.capture.frames import FrameBlock, FrameFlag

__all__ = ["block_of", "cut_at", "frames_block"]

Frame = tuple[int, int, int, bool, bytes]
"""ns, channel, identifier, extended, payload of at most 8 bytes."""


def frames_block(frames: Iterable[Frame], *, remote: Sequence[int] = ()) -> FrameBlock:
    """Give frames as a block; they must be in the order of time."""
    listed = list(frames)
    n = len(listed)
    data = np.zeros((n, 8), np.uint8)
    for row, (_, _, _, _, payload) in enumerate(listed):
        data[row, : len(payload)] = list(payload)
    flags = np.array([FrameFlag.EXTENDED if frame[3] else 0 for frame in listed], np.uint16)
    flags[list(remote)] |= np.uint16(FrameFlag.REMOTE)
    return FrameBlock(
        t_ns=np.array([frame[0] for frame in listed], np.int64),
        channel=np.array([frame[1] for frame in listed], np.uint8),
        id=np.array([frame[2] for frame in listed], np.uint32),
        flags=flags,
        length=np.array([len(frame[4]) for frame in listed], np.uint8),
        data=data.reshape(n, 8),
    )


def block_of(text: str) -> FrameBlock:
    """Give the frames of a text, empty lines passed over."""
    frames: list[Frame] = []
    remote: list[int] = []
    for line in text.strip().splitlines():
        if not line.strip():
            continue
        seconds, said = line.split(maxsplit=1)
        whole, _, part = seconds.partition(".")
        identifier, _, payload = said.partition("#")
        if payload.strip() == "R":
            remote.append(len(frames))
            payload = ""
        t_ns = int(whole) * 10**9 + int(part.ljust(9, "0") or 0)
        frames.append((t_ns, 0, int(identifier, 16), len(identifier.strip()) == 8, bytes.fromhex(payload)))
    return frames_block(frames, remote=remote)


def cut_at(block: FrameBlock, cuts: Iterable[int]) -> list[FrameBlock]:
    """Cut a block into several, at rows given in any order."""
    edges = sorted({0, len(block), *(cut % (len(block) + 1) for cut in cuts)})
    return [block.slice(first, last) for first, last in pairwise(edges)]
