"""All kinds of events that a record holds: from signals, commands, codes, returns, the wire and the journal.

Nobody has to list them: whatever happened now and then is a candidate for what goes before dropouts.
A technician rarely has the maker's database. A bit that goes on half a second before each dropout is worth knowing even
without its name: the frame, the byte and the bit are what the maker needs to look it up.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busdoc.actions.action import REMARKS, Action, ActionKind
from busdoc.arrays import Int64Array
from busdoc.decode.database.message import Signal
from busdoc.decode.j1939.identifier import NETWORK_GROUPS, PGN_DM1, PGN_DM2, group_of
from busdoc.decode.signals.streams import SignalStream
from busdoc.decode.signals.summary import Transitions
from busdoc.health.codes.code import FaultCode
from busdoc.health.controller import StreamKey
from busdoc.health.incident import IncidentKind
from busdoc.health.streams.payload_bits import BitChanges
from busdoc.health.summary import Health
from busdoc.intermittent.precursors.event_kind import EventKind, EventSource, code_event, events_at
from busdoc.intermittent.precursors.state_changes import StreamSender, senders_of, signal_events, stream_key_of
from busdoc.words.counting import plural

__all__ = ["EventKinds", "bit_events", "gather_event_kinds"]

_MOST_NAMED = 6
_MOST_KINDS = 10_000
"""A machine has hundreds; a capture of random frames must not keep the analysis busy for hours."""
_CODE_GROUPS = frozenset((PGN_DM1, PGN_DM2))
"""Active and earlier fault codes (J1939-73 5.7): they are kinds of their own."""
_SDO = range(0x580, 0x680)
"""Service data of CANopen (CiA 301, 7.3.5)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EventKinds:
    """What was gathered, and what could not be."""

    kinds: tuple[EventKind, ...] = ()
    left_out: tuple[str, ...] = ()
    """As sentences without a full stop."""


def gather_event_kinds(
    health: Health,
    *,
    changes: Iterable[tuple[SignalStream, Signal, Transitions]] = (),
    arrivals: Mapping[StreamKey, Int64Array] | None = None,
    bits: Mapping[StreamKey, Sequence[BitChanges]] | None = None,
    n_unfollowed: int = 0,
    codes: Sequence[FaultCode] = (),
    actions: Sequence[Action] = (),
) -> EventKinds:
    """Gather every kind of event of a record.

    Parameters
    ----------
    health : of the whole record
    changes : of each signal of each stream (`SignalWatch.each_transitions`)
    arrivals : of each stream that has few (`HealthWatch.sparse_arrivals`)
    bits : of each stream that nobody decodes (`HealthWatch.bit_changes`)
    n_unfollowed : such streams whose bits were not followed
    codes : of all controllers
    actions : the journal's
    """
    changes = tuple(changes)
    names = {stream_key_of(stream): stream.message.name for stream, _, _ in changes}
    senders = senders_of(health.controllers)
    signals, crowded = signal_events(changes, senders)
    commands, busy = _commands(health, {} if arrivals is None else arrivals, names)
    kinds = [
        *signals,
        *bit_events(bits or {}, senders),
        *commands,
        *_codes(codes),
        *_returns(health),
        *_wire(health),
        *_journal(actions),
    ]
    left_out = [*_told("signal", "signals", "changed more often than can be kept", crowded)]
    left_out += _told("stream without a rhythm", "streams without a rhythm", "had more frames than can be kept", busy)
    if n_unfollowed:
        left_out.append(f"the bits of {n_unfollowed} streams that no database describes, beyond the first 256 streams")
    if len(kinds) > _MOST_KINDS:
        left_out.append(f"{len(kinds) - _MOST_KINDS} kinds of events beyond the first {_MOST_KINDS}")
    return EventKinds(kinds=tuple(kinds[:_MOST_KINDS]), left_out=tuple(left_out))


def bit_events(
    bits: Mapping[StreamKey, Sequence[BitChanges]], senders: Mapping[StreamKey, StreamSender]
) -> Iterator[EventKind]:
    """Give each change of each bit into either value, less what its sender shows first after an absence.

    Parameters
    ----------
    bits : of the streams that nobody decodes
    senders : as `senders_of` gives them
    """
    for key, all_changes in bits.items():
        if _is_network(key):
            continue
        sender = senders.get(key)
        of_whom = "" if sender is None else f" of {sender.controller}"
        for changes in all_changes:
            t_ns = changes.t_ns if sender is None else changes.t_ns[sender.settled(changes.t_ns)]
            if len(t_ns):
                yield events_at(
                    f"bit {changes.bit % 8 + 1} of byte {changes.bit // 8 + 1} of frame {key}{of_whom} "
                    f"became {changes.became}",
                    EventSource.BIT,
                    t_ns,
                    controller=None if sender is None else sender.controller,
                )


def _is_network(key: StreamKey) -> bool:
    if not key.extended:
        return key.id in _SDO or key.id == 0
    return group_of(key.id) & 0xFFFF in NETWORK_GROUPS | _CODE_GROUPS  # on whatever data page


def _commands(
    health: Health, arrivals: Mapping[StreamKey, Int64Array], names: Mapping[StreamKey, str]
) -> tuple[list[EventKind], list[str]]:
    """Give each stream that is not cyclic, and name those that have too many frames."""
    kinds, busy = [], []
    for controller in health.controllers:
        for stream in controller.streams:
            if stream.cyclic:
                continue
            what = f"{names[stream.key]} ({stream.key})" if stream.key in names else f"frame {stream.key}"
            if stream.key not in arrivals:
                busy.append(what)
                continue
            kinds.append(
                events_at(
                    f"{what} of {controller.name} was sent",
                    EventSource.COMMAND,
                    arrivals[stream.key],
                    controller=controller.name,
                )
            )
    return kinds, busy


def _codes(codes: Sequence[FaultCode]) -> Iterator[EventKind]:
    for code in codes:
        raised_ns = np.array([raised_ns for raised_ns, _ in code.active_spans], np.int64)
        if len(raised_ns):
            yield events_at(
                code_event(code.controller, code.code), EventSource.CODE, raised_ns, controller=code.controller
            )


def _returns(health: Health) -> Iterator[EventKind]:
    """Give when each controller came back, and when the whole bus did."""
    for controller in health.controllers:
        back_ns = [
            to_ns for from_ns, to_ns in controller.absences if health.start_ns < from_ns < to_ns < health.until_ns
        ]
        if back_ns:
            yield events_at(
                f"{controller.name} came back",
                EventSource.POWER_UP,
                np.array(back_ns, np.int64),
                controller=controller.name,
            )
    whole: defaultdict[int | None, list[int]] = defaultdict(list)
    for incident in health.incidents:
        if incident.kind is IncidentKind.BUS_SILENCE and incident.back_ns is not None:
            whole[incident.channel].append(incident.back_ns)
    for channel, times_ns in whole.items():
        where = "the whole bus" if channel is None else f"the whole bus of channel {channel}"
        yield events_at(f"{where} came back", EventSource.POWER_UP, np.array(times_ns, np.int64))


def _wire(health: Health) -> Iterator[EventKind]:
    """Give each error state that the adapter reported."""
    for wire in health.wire:
        times: defaultdict[str, list[int]] = defaultdict(list)
        for t_ns, words in wire.error_states:
            times[words].append(t_ns)
        for words, times_ns in times.items():
            yield events_at(
                f"the adapter on channel {wire.channel} reported: {words}",
                EventSource.WIRE,
                np.array(times_ns, np.int64),
            )


def _journal(actions: Sequence[Action]) -> Iterator[EventKind]:
    """Give each thing that was written down; marks of the same text, small and capital letters alike, are one kind."""
    kinds: dict[str, tuple[str, list[Action]]] = {}
    for action in actions:
        words = _action_words(action)
        kinds.setdefault(" ".join(words.casefold().split()), (words, []))[1].append(action)
    for words, alike in kinds.values():
        yield events_at(
            words,
            EventSource.JOURNAL,
            np.array([action.time_ns for action in alike], np.int64),
            uncertainty_ns=np.array([max(action.uncertainty_ns, 0) for action in alike], np.int64),
        )


def _action_words(action: Action) -> str:
    if action.kind in REMARKS:
        text = action.note.strip()
        return f"{action.kind.value}: {text}" if text else action.kind.value
    what = action.part or "the machine"
    return f"{action.kind.value} of {what}" + (f" and {action.into}" if action.kind is ActionKind.SWAP else "")


def _told(one: str, many: str, why: str, names: Sequence[str]) -> list[str]:
    """Say in one sentence what could not be used."""
    named = ", ".join(names[:_MOST_NAMED]) + (", …" if len(names) > _MOST_NAMED else "")
    return [f"{len(names)} {plural(len(names), one, many)} {why}: {named}"] if names else []
