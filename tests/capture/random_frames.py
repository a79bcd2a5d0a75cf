"""Random blocks of frames of every kind, for the properties."""

import numpy as np
from hypothesis import HealthCheck, settings

from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import NO_LONG, FrameBlock, FrameFlag, LongPayloads

FEW = settings(max_examples=40, suppress_health_check=list(HealthCheck))
"""For properties that write files: fewer examples, and no limit on the time that a loaded disk may take."""

FD_LENGTHS = (0, 1, 5, 8, 12, 16, 20, 24, 32, 48, 64)


def random_block(
    seed: int, n: int, *, t0_ns: int = 1_700_000_000 * 10**9, step_ns: int = 1000, most_steps: int = 400_000
) -> FrameBlock:
    """Make n frames: data, remote, error and FD, base and extended, on three channels, times in whole `step_ns`.

    With few `most_steps`, many frames have the same time.
    """
    random = np.random.default_rng(seed)
    t_ns = t0_ns + np.cumsum(random.integers(0, most_steps, n)) * step_ns
    kind = random.choice(["data", "remote", "error", "fd"], n, p=[0.7, 0.1, 0.1, 0.1])
    extended = random.random(n) < 0.5
    id_ = np.where(extended, random.integers(0, 1 << 29, n), random.integers(0, 1 << 11, n))
    flags = extended * int(FrameFlag.EXTENDED)
    length = random.integers(0, 9, n)
    is_error, is_remote, is_fd = kind == "error", kind == "remote", kind == "fd"
    id_ = np.where(is_error, random.choice([0x4, 0x8, 0x20, 0x40, 0x80, 0x100, 0x204], n), id_)
    flags = np.where(is_error, int(FrameFlag.ERROR), flags)
    length = np.where(is_error, 8, np.where(is_fd, random.choice(FD_LENGTHS, n), length))
    flags |= is_remote * int(FrameFlag.REMOTE) | is_fd * int(FrameFlag.FD)
    flags |= (is_fd & (random.random(n) < 0.5)) * int(FrameFlag.BRS)
    flags |= (is_fd & (random.random(n) < 0.2)) * int(FrameFlag.ESI)
    flags |= (random.random(n) < 0.1) * int(FrameFlag.TRANSMITTED)
    whole = random.integers(0, 256, (n, 64)).astype(np.uint8)
    whole[np.arange(64) >= np.where(is_remote, 0, length)[:, None]] = 0
    long_row = np.flatnonzero(length > 8)
    long = NO_LONG
    if len(long_row):
        n_bytes = length[long_row].astype(np.int64)
        long = LongPayloads(
            row=long_row,
            start=np.concatenate((np.zeros(1, np.int64), np.cumsum(n_bytes))),
            bytes=whole[long_row][np.arange(64) < n_bytes[:, None]],
        )
    return FrameBlock(
        t_ns=t_ns.astype(np.int64),
        channel=random.integers(0, 3, n).astype(np.uint8),
        id=id_.astype(np.uint32),
        flags=flags.astype(np.uint16),
        length=length.astype(np.uint8),
        data=np.ascontiguousarray(whole[:, :8]),
        long=long,
    )


def three_channels() -> ChannelTable:
    """Number the channels that `random_block` uses."""
    table = ChannelTable()
    for name in ("can0", "can1", "can2"):
        table.number(name)
    return table


def rows_of(block: FrameBlock) -> list[tuple[int, int, int, int, int, str]]:
    """Give a block as plain rows: time, channel, identifier, flags, length, payload in hex."""
    return [
        (
            int(block.t_ns[row]),
            int(block.channel[row]),
            int(block.id[row]),
            int(block.flags[row]),
            int(block.length[row]),
            block.payload(row).hex(),
        )
        for row in range(len(block))
    ]
