"""Changes of state read from the traffic: every change of a switch, a state or a few-valued signal, as kinds of events.

A change is known to the frame that first shows it. What a controller shows first after it was away is no change at a
known time, so it is left out; so is a signal whose changes were too many to be kept.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busdoc.arrays import BoolArray, Int64Array
from busdoc.decode.database.message import Signal
from busdoc.decode.signals.signals import SignalStatus
from busdoc.decode.signals.streams import SignalStream
from busdoc.decode.signals.summary import Transitions
from busdoc.health.controller import ControllerHealth, StreamKey
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, events_at
from busdoc.times import SECOND_NS

__all__ = ["StreamSender", "senders_of", "signal_events", "stream_key_of"]

_LEAST_PAUSE_NS = SECOND_NS
_CYCLES = 2
"""After its sender came back, a stream's first frame comes within so many periods (common practice)."""
_STATUS_WORDS = {SignalStatus.NOT_AVAILABLE: "became not available", SignalStatus.ERROR: "reported an error"}
_MOST_VALUES = 32
"""Values of one signal that are kinds of their own; a state machine has fewer."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StreamSender:
    """Who sends a stream, and when its first frames after an absence may come."""

    controller: str
    returns_ns: Int64Array
    """(n, 2) from the last frame of the sender before each absence until this stream must have shown itself again."""

    def settled(self, t_ns: Int64Array) -> BoolArray:
        """(m,) Mark the times at which the stream had been heard shortly before."""
        if not len(self.returns_ns):
            return np.ones(len(t_ns), np.bool_)
        last = np.searchsorted(self.returns_ns[:, 0], t_ns, side="left") - 1  # at the last frame itself it was heard
        until_ns = np.maximum.accumulate(self.returns_ns[:, 1])[np.maximum(last, 0)]
        return np.asarray((last < 0) | (t_ns > until_ns))


def senders_of(controllers: Iterable[ControllerHealth]) -> dict[StreamKey, StreamSender]:
    """Give the sender of each stream that one of the controllers sends."""
    found: dict[StreamKey, StreamSender] = {}
    for controller in controllers:
        for stream in controller.streams:
            pause_ns = max(_LEAST_PAUSE_NS, _CYCLES * (stream.period_ns or 0))
            spans = [(from_ns, to_ns + pause_ns) for from_ns, to_ns in controller.absences if to_ns > from_ns]
            found[stream.key] = StreamSender(
                controller=controller.name, returns_ns=np.array(spans, np.int64).reshape(-1, 2)
            )
    return found


def stream_key_of(stream: SignalStream) -> StreamKey:
    """Give the key by which the health of the same stream is known."""
    return StreamKey(channel=stream.channel, extended=stream.extended, id=stream.id)


def signal_events(
    changes: Iterable[tuple[SignalStream, Signal, Transitions]], senders: Mapping[StreamKey, StreamSender]
) -> tuple[tuple[EventKind, ...], tuple[str, ...]]:
    """Give the kinds of events that the signals show.

    Parameters
    ----------
    changes : of each signal of each stream
    senders : as `senders_of` gives them; a stream without one is taken for always there

    Returns
    -------
    kinds : by stream and signal, then by value; one for each value that a signal took on
    left_out : ``Message.Signal`` of those with more changes than could be kept
    """
    kinds: list[tuple[StreamKey, EventKind]] = []
    left_out: list[str] = []
    for stream, signal, transitions in changes:
        key = stream_key_of(stream)
        if transitions.n_not_kept:
            left_out.append(transitions.name)
            continue
        kinds += [(key, kind) for kind in _events_of(signal, transitions, key, senders.get(key))]
    return _told_apart(kinds), tuple(dict.fromkeys(left_out))


def _events_of(
    signal: Signal, transitions: Transitions, key: StreamKey, sender: StreamSender | None
) -> Iterator[EventKind]:
    """Give the kinds of events of one signal of one stream."""
    if len(transitions) < 2:
        return
    status, raw, t_ns = transitions.status[1:], transitions.raw[1:], transitions.t_ns[1:]
    settled = np.ones(len(t_ns), np.bool_) if sender is None else sender.settled(t_ns)
    before = transitions.status[:-1]
    was_valid, is_valid = before == SignalStatus.VALID, status == SignalStatus.VALID
    told: list[tuple[str, Int64Array]] = []
    if not transitions.only_status:
        moved = settled & was_valid & is_valid
        values = np.unique(raw[moved])
        for value in values[:_MOST_VALUES].tolist():
            at = np.flatnonzero(moved & (raw == value))
            number, label = float(transitions.value[1 + at[0]]), transitions.label[1 + int(at[0])]
            told.append((f"became {_value(number, label, signal.unit)}", t_ns[at]))
        if len(values) > 2:
            told.append(("changed", t_ns[moved]))
    for kind, words in _STATUS_WORDS.items():
        told.append((words, t_ns[settled & was_valid & (status == kind)]))
    told.append(("could be read again", t_ns[settled & ~was_valid & is_valid]))
    for words, times_ns in told:
        if len(times_ns):
            yield events_at(
                f"{transitions.name} {words}",
                EventSource.SIGNAL,
                times_ns,
                controller=None if sender is None else sender.controller,
                signal=transitions.name,
            )


def _value(number: float, label: str, unit: str) -> str:
    if label:
        return f"{number:g} ({label})"
    return f"{number:g} {unit}" if unit else f"{number:g}"


def _told_apart(kinds: Sequence[tuple[StreamKey, EventKind]]) -> tuple[EventKind, ...]:
    """Say who said so where several streams carry a signal of the same name."""
    streams: dict[str | None, set[StreamKey]] = {}
    for key, kind in kinds:
        streams.setdefault(kind.signal, set()).add(key)
    return tuple(
        replace(kind, name=f"{kind.name}, said {kind.controller or key}") if len(streams[kind.signal]) > 1 else kind
        for key, kind in kinds
    )
