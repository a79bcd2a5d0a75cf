"""Decides what a signal's raw values and its changes mean, from what the database says and from the standard.

When SAE J1939-71 5.1 is applied: to unsigned whole-number parameters of J1939-style messages, that is 29-bit messages
matched by parameter group. In a proprietary group the maker may use every number: there a parameter of more than two
bits keeps its whole range where the database states a range that includes it, or where it is a running counter. Other
databases keep plain decoding; there, as everywhere, a raw value that the database itself names 'not available' (or
declares invalid) is no value, and a float that is not a number is none.
"""

import re
from dataclasses import replace

from busdoc.decode.database.message import Message, Signal, SignalKind
from busdoc.decode.database.parameter_range import (
    ALL_VALID,
    ParameterRange,
    SignalStatus,
    j1939_range,
    named_statuses,
    nmea2000_range,
)
from busdoc.decode.j1939.identifier import group_of, is_nmea2000, is_proprietary

__all__ = ["give_meaning"]

_WORDS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
_COUNTER_WORDS = frozenset(
    ("counter", "ctr", "alive", "rolling", "sequence", "seq", "checksum", "chksum", "crc", "heartbeat", "toggle")
)
_MOST_STATES = 16
"""A wider signal with few names is a measure with a few special values."""


def give_meaning(message: Message) -> Message:
    """Fill in `kind`, `ranges` and `named_status` of a message's signals."""
    return replace(message, signals=tuple(_signal(message, signal) for signal in message.signals))


def _signal(message: Message, signal: Signal) -> Signal:
    ranges = _ranges(message, signal)
    named = {} if signal.is_float else named_statuses(signal.choices, ranges, signal.length)
    if signal.invalid_raw is not None and -(1 << signal.length - 1) <= signal.invalid_raw < 1 << signal.length:
        named[signal.invalid_raw & ((1 << signal.length) - 1)] = SignalStatus.NOT_AVAILABLE
    return replace(signal, kind=_kind(signal, ranges, named), ranges=ranges, named_status=named)


def _ranges(message: Message, signal: Signal) -> ParameterRange:
    if not message.by_group or signal.signed or signal.is_float:
        return ALL_VALID
    group = group_of(message.frame_id)
    if is_nmea2000(group):
        return nmea2000_range(signal.length)
    if is_proprietary(group) and signal.length > 2 and (_states_whole_range(signal) or _is_counter(signal)):
        return ALL_VALID
    return j1939_range(signal.length)


def _states_whole_range(signal: Signal) -> bool:
    """Tell whether the database's own range includes what all ones stand for."""
    if signal.minimum is None or signal.maximum is None or signal.maximum <= signal.minimum:
        return False
    all_ones = ((1 << signal.length) - 1) * signal.scale + signal.offset
    slack = abs(signal.scale) / 2
    return signal.minimum - slack <= all_ones <= signal.maximum + slack


def _is_counter(signal: Signal) -> bool:
    if signal.signed or signal.is_float or signal.unit or signal.length < 2:
        return False
    return any(word.lower() in _COUNTER_WORDS for word in _WORDS.findall(signal.name))


def _kind(signal: Signal, ranges: ParameterRange, named: dict[int, SignalStatus]) -> SignalKind:
    if signal.is_float:
        return SignalKind.ANALOGUE
    ones = (1 << signal.length) - 1
    states = [raw for raw in signal.choices if named.get(raw & ones, ranges.status(raw & ones)) is SignalStatus.VALID]
    if signal.length == 1 or (ranges.last_valid == 1 and all(raw in (0, 1) for raw in states)):
        return SignalKind.BOOLEAN
    if states and (signal.length <= 4 or len(states) > 1) and (signal.length <= _MOST_STATES or len(states) > 2):
        return SignalKind.ENUMERATED
    return SignalKind.COUNTER if _is_counter(signal) else SignalKind.ANALOGUE
