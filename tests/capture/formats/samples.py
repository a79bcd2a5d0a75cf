"""A small healthy capture of each kind that is read."""

from functools import cache
from pathlib import Path

from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.write import write_capture
from tests.capture.formats.network_capture import as_pcap, as_pcapng
from tests.capture.random_frames import random_block


@cache
def sample(suffix: str, folder: Path) -> bytes:
    """Give the content of `sample` with this suffix beside this file, else one written into `folder`, of 40 frames.

    Times and kinds of frame are whatever the kind can hold.
    """
    beside = Path(__file__).with_name(f"sample{suffix}")
    if beside.exists():
        return beside.read_bytes()
    path = folder / f"sample{suffix}"
    block = random_block(7, 40)
    if suffix == ".pcap":
        return as_pcap(block, "<", 227, 10**6)
    if suffix == ".pcapng":
        return as_pcapng(block, ">", 113, 10**9, ("can0", "can1", "can2"))
    if suffix == ".trc":  # its writer has data frames alone
        block = block.take((block.flags & 0x0E) == 0)
    channels = ChannelTable()
    for name in ("can0", "can1", "can2"):
        channels.number(name)
    write_capture(path, [block], channels)
    return path.read_bytes()
