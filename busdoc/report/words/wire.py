"""How the traffic of one channel is put into words."""

from collections.abc import Callable, Sequence

from busdoc.health.summary import WireLoad
from busdoc.words.counting import counted, times

__all__ = ["channel_in_words", "errors_in_words", "traffic_in_words"]


def channel_in_words(channels: Sequence[tuple[int, str]], channel: int) -> str:
    """Name a channel; one that only has a number is called a channel.

    >>> channel_in_words([(0, "can0")], 0), channel_in_words([(2, "2")], 2)
    ('can0', 'channel 2')
    """
    name = dict(channels).get(channel, str(channel))
    return f"channel {name}" if name.isdigit() else name


def traffic_in_words(wire: WireLoad) -> str:
    """Say how many frames there were, how full the bus was, and how many error frames it saw."""
    load = "load unknown (no bit rate in the map)"
    if wire.mean_load is not None:
        peak = wire.peak_load or 0.0
        load = f"load {100 * wire.mean_load:.1f} % on average, {100 * peak:.1f} % in the busiest second"
    return f"{counted(wire.n_frames, 'frame')}, {load}; {counted(wire.n_error_frames, 'error frame')}"


def errors_in_words(wire: WireLoad, at: Callable[[int], str]) -> tuple[str, ...]:
    """Give a line for each kind of bus error, and one for the adapter's error counters; none where none was told.

    Parameters
    ----------
    at : writes a time, ns
    """
    lines = [
        f"{kind.words}, {times(kind.n)}: "
        + (f"from {at(kind.first_ns)} to {at(kind.last_ns)}" if kind.n > 1 else f"at {at(kind.first_ns)}")
        for kind in wire.error_kinds
    ]
    if wire.error_counters is not None:
        sending, receiving = wire.error_counters
        lines.append(f"the adapter's error counters at their highest: sending {sending}, receiving {receiving}")
    return tuple(lines)
