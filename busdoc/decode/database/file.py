"""Reads one database file through cantools, and turns what it holds into busdoc's own records.

Field databases are dirty. A file that cantools parses is used, and each signal that its strict mode would refuse the
whole file for is named in a warning; a file that it does not parse is an `InputError` with line and column.
"""

import logging
import warnings as python_warnings
from collections.abc import Mapping
from dataclasses import replace
from math import isfinite
from pathlib import Path
from typing import Any

from busdoc.decode.database.kept import keep, kept, kept_path
from busdoc.decode.database.meaning import give_meaning
from busdoc.decode.database.message import DatabaseFile, Message, Signal, faults
from busdoc.decode.database.text import as_text, read_bytes, remove_refused
from busdoc.decode.j1939.identifier import DUMMY_SOURCES, group_of, is_proprietary, looks_like_j1939, source_of
from busdoc.errors import InputError, guarded, in_one_line
from busdoc.times import SECOND_NS
from busdoc.words.counting import listed

__all__ = ["read_database_file"]

_LONGEST_SIGNAL = 64
_FLOAT_BITS = (16, 32, 64)
_LONGEST_CYCLE_S = 7 * 24 * 3600
_MOST_NAMED = 5
_MOST_BUSES = 12
_MOST_REPAIRS = 20


def read_database_file(path: Path, channel: int | str | None = None, bus: str = "") -> DatabaseFile:
    """Read one database file; its messages hold for `channel` only, where one is given.

    Parameters
    ----------
    bus : the one of its buses whose messages are wanted, upper and lower case alike; empty: all

    Raises
    ------
    InputError : when the file cannot be used, or has no such bus
    """
    raw = read_bytes(path)
    place = kept_path(path.name, raw)
    file = kept(place) if place is not None else None
    if file is None:
        with guarded(str(path), f"a {path.suffix.lower()} database", "Export the database again."):
            file = _read(path, raw)
        if place is not None:
            keep(place, file)
    if bus:
        file = _of_bus(file, path, bus)
    if channel is None:
        return file
    return replace(file, messages=tuple(replace(message, channel=channel) for message in file.messages))


def _of_bus(file: DatabaseFile, path: Path, bus: str) -> DatabaseFile:
    """Give what of a file is for one of its buses."""
    name = next((one for one in file.buses if one == bus), None)
    name = name or next((one for one in file.buses if one.casefold() == bus.casefold()), None)
    if name is None:
        if not file.buses:
            raise InputError(
                str(path), f'a file that has a bus "{bus}"', "one that names no bus", "Give the file alone."
            )
        advice = f"Name one of its buses behind the file: {listed(file.buses, _MOST_BUSES)}."
        raise InputError(str(path), "the name of a bus of it", f'"{bus}"', advice)
    return replace(file, messages=tuple(one for one in file.messages if one.bus == name), buses=(name,))


def _read(path: Path, raw: bytes) -> DatabaseFile:
    """Parse a database file, and give what it holds in busdoc's own records."""
    text, warnings = as_text(path, raw)
    loaded, notes = _parse(path, text)
    if path.suffix.lower() == ".cdd":
        odd = f"{path.name} holds diagnostic data identifiers and no messages: nothing in it names a frame on the bus"
        return DatabaseFile(messages=(), nodes=(), warnings=(*warnings, odd))
    style = _GroupStyle(loaded)
    messages = []
    for theirs in loaded.messages:
        if theirs.is_container:
            notes.append(f"{theirs.name} is a container of other messages and is not decoded")
        try:
            message, left_out = _message(theirs, path.name)
            messages.append(give_meaning(style.apply(message, theirs)))
        except Exception as error:  # numbers beyond any float, texts where numbers belong, and whatever comes next
            notes.append(f"{theirs.name} is left out ({in_one_line(error)})")
            continue
        notes += left_out
    notes += [fault for message in messages for fault in faults(message)]
    if not messages:
        notes.append("it holds no messages")
    named = [f"{path.name}: {note}" for note in notes[:_MOST_NAMED]]
    if len(notes) > _MOST_NAMED:
        named.append(f"{path.name}: and {len(notes) - _MOST_NAMED} more like these")
    nodes = tuple(str(node.name) for node in loaded.nodes)
    buses = tuple(dict.fromkeys(message.bus for message in messages if message.bus))
    return DatabaseFile(messages=tuple(messages), nodes=nodes, warnings=(*warnings, *named), buses=buses)


def _parse(path: Path, text: str) -> tuple[Any, list[str]]:
    """Let cantools parse the text, without what it refuses a whole .dbc for; give words on what was taken out."""
    removed: list[str] = []
    while True:
        try:
            return _parse_once(path, text), removed
        except Exception as error:  # cantools raises whatever its parsers stumble over, from KeyError to RecursionError
            repaired = remove_refused(text, str(error)) if path.suffix.lower() == ".dbc" else None
            if repaired is None or len(removed) >= _MOST_REPAIRS:
                raise _unusable(path, text, error) from error
            text, what = repaired
            removed.append(what)


def _parse_once(path: Path, text: str) -> Any:
    """Let cantools parse the text, leniently and without a word of its own on stderr."""
    import cantools.database  # a second, for the most part python-can's reader of .mf4

    logger = logging.getLogger("cantools")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        with python_warnings.catch_warnings():
            python_warnings.simplefilter("ignore")
            return cantools.database.load_string(text, path.suffix[1:].lower(), strict=False)
    finally:
        logger.setLevel(level)


def _unusable(path: Path, text: str, error: Exception) -> InputError:
    """Word what cantools stumbled over, with line and column where it knows them."""
    cause: BaseException = error
    for name in ("e_dbc", "e_sym", "e_kcd", "e_arxml", "e_cdd"):
        cause = getattr(error, name, None) or cause
    where, found = str(path), _words(cause)
    line, column = getattr(cause, "line", None), getattr(cause, "column", None)
    position = getattr(cause, "position", None)
    if line is None and position is not None:
        line, column = position[0], position[1] + 1
    if line is not None and column is not None:
        where = f"{path}, line {line}, column {column}"
        lines = text.split("\n")
        content = lines[line - 1].strip() if 0 < line <= len(lines) else ""
        if content and position is None:
            found = f'"{content if len(content) <= 60 else content[:57] + "..."}"'
    suffix = path.suffix.lower()
    return InputError(
        where, f"the text of a {suffix} database", found, "Correct the place, or export the database again."
    )


def _words(error: BaseException) -> str:
    """Put an error of the library into one line of words."""
    text = " ".join(str(error).split()).rstrip(".")
    if isinstance(error, KeyError):
        text = f"a reference to {text}, which is not defined"
    elif not text:
        text = type(error).__name__
    return text if len(text) <= 200 else text[:197] + "..."


class _GroupStyle:
    """Whether the messages of a file are J1939 style, by its own word or by its identifiers."""

    def __init__(self, loaded: Any) -> None:
        extended = [message for message in loaded.messages if message.is_extended_frame]
        attributes = getattr(loaded.dbc, "attributes", None) or {}
        protocol = str(getattr(attributes.get("ProtocolType"), "value", "")).upper()
        by_message = any(message.protocol == "j1939" for message in extended)
        numbered = any(signal.spn is not None for message in extended for signal in message.signals)
        self._declared = by_message or numbered or protocol.startswith(("J1939", "ISO11783", "NMEA2000"))
        self._looks = looks_like_j1939([int(message.frame_id) for message in extended])

    def apply(self, message: Message, theirs: Any) -> Message:
        if not message.extended:
            return message
        attributes = getattr(theirs.dbc, "attributes", None) or {}
        plain = "VFrameFormat" in attributes and theirs.protocol != "j1939"
        group = group_of(message.frame_id)
        if theirs.protocol == "j1939" or (self._declared and not plain):
            return replace(message, by_group=True, any_source=True)
        if self._looks and not plain:
            dummy = source_of(message.frame_id) in DUMMY_SOURCES
            # a proprietary group means what its sender's maker says: not the same from another source
            return replace(message, by_group=True, any_source=dummy or not is_proprietary(group))
        return message


def _message(theirs: Any, file: str) -> tuple[Message, list[str]]:
    """Give a message in busdoc's own record, and words on the signals that were left out."""
    signals, left_out = _signals(theirs)
    message = Message(
        name=str(theirs.name),
        frame_id=int(theirs.frame_id),
        extended=bool(theirs.is_extended_frame),
        length=int(theirs.length or 0),
        senders=tuple(str(sender) for sender in theirs.senders),
        cycle_ns=_cycle_ns(theirs.cycle_time),
        signals=signals,
        comment=str(theirs.comment or ""),
        file=file,
        bus=str(theirs.bus_name or ""),
    )
    return message, left_out


def _signals(theirs: Any) -> tuple[tuple[Signal, ...], list[str]]:
    """Give a message's signals, multiplexers first, and words on those that were left out."""
    left_out = []
    kept: dict[str, Signal] = {}
    for signal in theirs.signals:
        is_float = bool(signal.conversion.is_float)
        length = int(signal.length)
        if not 0 < length <= _LONGEST_SIGNAL or int(signal.start) < 0:
            left_out.append(f"{theirs.name}.{signal.name} has {length} bits and is left out (at most 64 are decoded)")
        elif is_float and length not in _FLOAT_BITS:
            left_out.append(f"{theirs.name}.{signal.name} is a float of {length} bits and is left out")
        elif not (_is_number(signal.conversion.scale) and _is_number(signal.conversion.offset)):
            left_out.append(f"{theirs.name}.{signal.name} has a scale or an offset that is no number and is left out")
        elif signal.name in kept:
            left_out.append(f"{theirs.name} has two signals named {signal.name}; the first is used")
        else:
            kept[signal.name] = _signal(signal, is_float)
    return _multiplexers_first(theirs.name, kept, left_out), left_out


def _signal(theirs: Any, is_float: bool) -> Signal:
    conversion = theirs.conversion
    # cantools keeps whole numbers as they are; a named one comes as an object with the name inside
    choices = {int(raw): str(name) for raw, name in (conversion.choices or {}).items()}
    values = sorted({int(value) for value in theirs.multiplexer_ids or ()})
    invalid = theirs.raw_invalid
    return Signal(
        name=str(theirs.name),
        start=int(theirs.start),
        length=int(theirs.length),
        little_endian=theirs.byte_order == "little_endian",
        signed=bool(theirs.is_signed) and not is_float,
        is_float=is_float,
        scale=float(conversion.scale),
        offset=float(conversion.offset),
        unit=str(theirs.unit or ""),
        choices=choices,
        minimum=_number(theirs.minimum),
        maximum=_number(theirs.maximum),
        multiplexer=str(theirs.multiplexer_signal) if theirs.multiplexer_signal else None,
        multiplexer_values=_as_ranges(values),
        spn=theirs.spn if isinstance(theirs.spn, int) and theirs.spn > 0 else None,
        invalid_raw=int(invalid) if isinstance(invalid, int) and not is_float else None,
        comment=str(theirs.comment or ""),
    )


def _cycle_ns(cycle_ms: Any) -> int | None:
    """Give a cycle time that may be a number, or a text where the file declares the attribute as one."""
    try:
        cycle_s = float(cycle_ms or 0) / 1000
    except ValueError:
        return None
    return round(cycle_s * SECOND_NS) if 0 < cycle_s < _LONGEST_CYCLE_S else None


def _is_number(value: Any) -> bool:
    """Whether a float can hold it: a text may give a scale of four hundred digits."""
    try:
        return isfinite(value)
    except OverflowError:
        return False


def _number(value: Any) -> float | None:
    return float(value) if value is not None and _is_number(value) else None


def _as_ranges(values: list[int]) -> tuple[tuple[int, int], ...]:
    """Join neighbouring numbers (ascending) into (first, last) pairs."""
    ranges: list[tuple[int, int]] = []
    for value in values:
        if ranges and value == ranges[-1][1] + 1:
            ranges[-1] = (ranges[-1][0], value)
        else:
            ranges.append((value, value))
    return tuple(ranges)


def _multiplexers_first(message: str, signals: Mapping[str, Signal], left_out: list[str]) -> tuple[Signal, ...]:
    """Order signals so that each stands after its multiplexer; leave out those whose multiplexer is not there."""
    ordered: dict[str, Signal] = {}
    waiting = list(signals.values())
    while waiting:
        ready = [signal for signal in waiting if signal.multiplexer is None or signal.multiplexer in ordered]
        if not ready:
            left_out += [f"{message}.{signal.name} hangs on a multiplexer that is not there" for signal in waiting]
            break
        ordered |= {signal.name: signal for signal in ready}
        waiting = [signal for signal in waiting if signal.name not in ordered]
    return tuple(ordered.values())
