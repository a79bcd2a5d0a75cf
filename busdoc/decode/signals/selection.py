"""Which signals were asked for by name, and the rows of a block that hold them."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np

from busdoc.arrays import Int64Array, distinct
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.signals import SignalColumn, SignalStatus
from busdoc.decode.signals.streams import SignalStream, StreamTable
from busdoc.errors import InputError

__all__ = ["SelectedRows", "SignalSelection", "chosen_signals", "value_texts"]

_MOST_NAMED = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SelectedRows:
    """The rows of a block in which one stream holds signals that were asked for."""

    stream: SignalStream
    signals: tuple[Signal, ...]
    """Of its message, in the database's order."""
    rows: Int64Array
    """(n,) ascending."""


class SignalSelection:
    """Finds the frames of the signals that match, block by block.

    Parameters
    ----------
    database : that names them
    channels : of the capture, filled while it is read
    patterns : ``Signal`` or ``Message.Signal``, with ``*`` and ``?`` as in file names; upper and lower case are one
    where : what to call the patterns in a message

    Raises
    ------
    InputError : a pattern that no signal matches
    """

    def __init__(
        self, database: Database, channels: ChannelTable, patterns: Sequence[str], *, where: str = "--signals"
    ) -> None:
        self._chosen = chosen_signals(database.messages, patterns, where=where)
        self._table = StreamTable(database.bind(channels))

    def pick(self, block: FrameBlock) -> Iterator[SelectedRows]:
        """Yield one entry for each stream of a block that holds any of them."""
        stream_of = self._table.match(block, compiled=False)
        for number in distinct(stream_of[stream_of >= 0]).tolist():
            stream = self._table.streams[number]
            names = self._chosen
            signals = tuple(one for one in stream.message.signals if _full_name(stream.message, one) in names)
            if signals:
                yield SelectedRows(stream=stream, signals=signals, rows=np.flatnonzero(stream_of == number))


def chosen_signals(messages: Sequence[Message], patterns: Sequence[str], *, where: str = "--signals") -> frozenset[str]:
    """Give the signals that match any pattern, as ``Message.Signal``.

    Raises
    ------
    InputError : a pattern that no signal matches
    """
    names = {_full_name(message, signal): signal.name for message in messages for signal in message.signals}
    chosen: set[str] = set()
    for pattern in patterns:
        folded = pattern.casefold()
        found = {
            full
            for full, short in names.items()
            if fnmatchcase(full.casefold(), folded) or fnmatchcase(short.casefold(), folded)
        }
        if not found:
            what = f'"{pattern}", which matches none'
            raise InputError(where, "a signal of the database", what, _advice(pattern, names))
        chosen |= found
    return frozenset(chosen)


def value_texts(signal: Signal, column: SignalColumn) -> "np.ndarray[tuple[int], np.dtype[np.object_]]":
    """Give the database's names of the raw values; None where a value has none or the frame does not hold it."""
    raw, place = np.unique(column.raw, return_inverse=True)
    names = np.array([signal.label(int(one)) or None for one in raw], dtype=object)[place]
    names[column.status != SignalStatus.VALID] = None
    return names


def _full_name(message: Message, signal: Signal) -> str:
    return f"{message.name}.{signal.name}"


def _advice(pattern: str, names: Mapping[str, str]) -> str:
    """Name signals that come near to what was written."""
    from difflib import get_close_matches

    plain = pattern.replace("*", "").replace("?", "").casefold()
    by_fold = {short.casefold(): full for full, short in names.items()}
    by_fold |= {full.casefold(): full for full in names}
    near = [by_fold[fold] for fold in get_close_matches(plain, by_fold, n=_MOST_NAMED, cutoff=0.5)]
    named = ", ".join(dict.fromkeys(near)) or ", ".join(sorted(names)[:_MOST_NAMED])
    return f"Write Message.Signal, with * for any letters; it has for example {named}."
