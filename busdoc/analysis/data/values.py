"""Values of decoded signals, kept by stream, and put together as one frame with a column for each signal."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from busdoc.analysis.data.moments import time_index
from busdoc.arrays import Float64Array, Int64Array
from busdoc.capture.channels import ChannelTable
from busdoc.decode.database.message import Message, Signal

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["StreamValues", "frame_of_values"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StreamValues:
    """All values of one message from one sender on one channel."""

    channel: int
    id: int
    extended: bool
    message: Message
    t_ns: Int64Array
    """(n,)"""
    values: Mapping[str, Float64Array]
    """Of each signal, (n,); NaN where the frame holds no value."""
    texts: "Mapping[str, np.ndarray[Any, np.dtype[np.object_]]]"
    """Of each signal with named values, (n,) names; None where there is none."""


def frame_of_values(
    streams: Sequence[tuple[StreamValues, Sequence[Signal]]],
    channels: ChannelTable,
    span_ns: tuple[int, int],
    *,
    every_ns: int | None,
    texts: bool,
    epoch: bool,
) -> "pd.DataFrame":
    """Put streams side by side, indexed by time.

    Parameters
    ----------
    streams : each with the signals that are wanted of it
    span_ns : (from, to), both included
    every_ns : one row for each such stretch, with the last value that came in it; None: one for each frame
    texts : give the database's names of values instead of numbers, where a signal has them
    """
    import pandas as pd

    messages = [one.message.name for one, _ in streams]
    parts: list[pd.DataFrame] = []
    units: dict[str, str] = {}
    for one, signals in streams:
        first, last = np.searchsorted(one.t_ns, (span_ns[0], span_ns[1] + 1))
        several = messages.count(one.message.name) > 1
        columns: dict[str, Any] = {}
        for signal in signals:
            name = f"{one.message.name}.{signal.name}" + (f" {_sender(one, channels)}" if several else "")
            if texts and signal.name in one.texts:
                columns[name] = pd.array(one.texts[signal.name][first:last], dtype="string")
            else:
                columns[name] = one.values[signal.name][first:last]
                units[name] = signal.unit
        parts.append(_part(one.t_ns[first:last], columns, span_ns[0], every_ns))
    if not parts:
        joined = pd.DataFrame(index=np.empty(0, np.int64))
    elif len(parts) == 1:
        joined = parts[0].droplevel("nth")
    else:
        joined = pd.concat(parts, axis=1).sort_index().droplevel("nth")
    joined.index = time_index(joined.index.to_numpy(np.int64), epoch=epoch)
    joined.attrs["units"] = {name: unit for name, unit in units.items() if unit}
    return joined


def _part(t_ns: Int64Array, columns: Mapping[str, Any], from_ns: int, every_ns: int | None) -> "pd.DataFrame":
    """Give the rows of one stream; frames of one instant are told apart by their number in it."""
    import pandas as pd

    frame = pd.DataFrame(dict(columns))
    if every_ns is not None:
        until_ns = from_ns + -(-(t_ns - from_ns) // every_ns) * every_ns  # a stretch is named by its end
        frame = frame.groupby(until_ns).last()
        t_ns = frame.index.to_numpy(np.int64)
    new = np.ones(len(t_ns), np.bool_)
    new[1:] = t_ns[1:] != t_ns[:-1]
    rows = np.arange(len(t_ns))
    nth = rows - np.maximum.accumulate(np.where(new, rows, 0)) if len(t_ns) else rows
    frame.index = pd.MultiIndex.from_arrays([t_ns, nth], names=["t_ns", "nth"])
    return frame


def _sender(one: StreamValues, channels: ChannelTable) -> str:
    return f"{channels.name(one.channel)} " + (f"0x{one.id:08X}" if one.extended else f"0x{one.id:03X}")
