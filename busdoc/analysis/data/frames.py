"""Frames as one pandas frame, indexed by time, for a look at what was on the bus."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from busdoc.analysis.data.moments import time_index
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import ERROR, EXTENDED, FD, REMOTE, FrameBlock
from busdoc.decode.database.database import Database

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["frame_of_frames"]

Owner = Callable[[int, bool, int], str | None]
"""Gives the controller that sends (channel, extended, identifier)."""


def frame_of_frames(
    blocks: Sequence[FrameBlock], channels: ChannelTable, owner: Owner, database: Database | None, *, epoch: bool
) -> "pd.DataFrame":
    """Give a row for each frame: channel, id, extended, kind, fd, length, data, and whose it is."""
    import pandas as pd

    block = FrameBlock.concat(blocks)
    extended = (block.flags & EXTENDED) != 0
    kind = np.where(block.flags & ERROR, "error", np.where(block.flags & REMOTE, "remote", "data"))
    numbers = list(zip(block.channel.tolist(), extended.tolist(), block.id.tolist(), strict=True))
    names = {
        number: (None, None) if one == "error" else _names(number, owner, database)
        for number, one in dict(zip(numbers, kind.tolist(), strict=True)).items()
    }
    frame = pd.DataFrame(
        {
            "channel": pd.array([channels.name(number) for number in block.channel.tolist()], dtype="string"),
            "id": block.id.astype(np.int64),
            "extended": extended,
            "kind": pd.array(kind, dtype="string"),
            "fd": (block.flags & FD) != 0,
            "length": block.length.astype(np.int64),
            "data": pd.array([block.payload(row).hex(" ") for row in range(len(block))], dtype="string"),
            "controller": pd.array([names[number][0] for number in numbers], dtype="string"),
            "message": pd.array([names[number][1] for number in numbers], dtype="string"),
        }
    )
    frame.index = time_index(block.t_ns, epoch=epoch)
    return frame


def _names(number: tuple[int, bool, int], owner: Owner, database: Database | None) -> tuple[str | None, str | None]:
    channel, extended, identifier = number
    message = None if database is None else database.find(channel, identifier, extended)
    return owner(channel, extended, identifier), None if message is None else message.name
