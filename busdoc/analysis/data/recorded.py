"""The recording behind a result, read again for what a notebook asks: frames of a stretch, values of signals."""

from collections.abc import Generator, Sequence
from contextlib import closing
from glob import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from busdoc.analysis.data.frames import Owner, frame_of_frames
from busdoc.analysis.data.values import StreamValues, frame_of_values
from busdoc.capture.frames import FrameBlock
from busdoc.capture.source import Capture
from busdoc.decode.database.database import Database
from busdoc.decode.database.message import Message, Signal
from busdoc.decode.signals.selection import SignalSelection, chosen_signals, value_texts
from busdoc.decode.signals.signals import decode
from busdoc.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Recorded"]

Span = tuple[int, int]


class Recorded:
    """A recording that is read again once, when something is asked for first; its frames are kept in bounded room.

    Values are kept by message: a further question about the same messages decodes nothing.

    Parameters
    ----------
    capture : what was read
    database : that names messages and signals; None: there is none
    """

    def __init__(self, capture: Capture, database: Database | None) -> None:
        self._capture = capture.again()
        self._database = database
        self._values: dict[tuple[int, bool, int], StreamValues] = {}
        self._read: set[str] = set()
        """Names of the messages whose values are kept."""
        self._is_read = False
        self.n_readings = 0
        """How often the files were read again."""

    def signals(
        self,
        patterns: Sequence[str],
        span_ns: Span,
        *,
        channel: int | str | None,
        every_ns: int | None,
        texts: bool,
        epoch: bool,
    ) -> "pd.DataFrame":
        """Give the values of the signals that match, as `busdoc.analysis.data.values.frame_of_values` says.

        Raises
        ------
        InputError : no database, a pattern that no signal matches, a channel that the recording does not have, or a
            recording that cannot be read any more
        """
        if self._database is None:
            advice = "Give postmortem a message database: databases=…"
            raise InputError("signals", "a message database, which names them", "none", advice)
        chosen = chosen_signals(self._database.messages, patterns, where="signals")
        messages = {
            message.name
            for message in self._database.messages
            if any(_full_name(message, signal) in chosen for signal in message.signals)
        }
        if not messages <= self._read:
            self._read_values(sorted(messages - self._read))
            self._read |= messages
        number = None if channel is None else self._channel(channel)
        wanted: list[tuple[StreamValues, Sequence[Signal]]] = []
        for key in sorted(self._values):
            one = self._values[key]
            signals = [signal for signal in one.message.signals if _full_name(one.message, signal) in chosen]
            if signals and number in (None, one.channel):
                wanted.append((one, signals))
        return frame_of_values(wanted, self._capture.channels, span_ns, every_ns=every_ns, texts=texts, epoch=epoch)

    def frames(
        self, spans_ns: Sequence[Span], *, channel: int | str | None, owner: Owner, epoch: bool
    ) -> "pd.DataFrame":
        """Give the frames of some stretches, both ends included.

        Raises
        ------
        InputError : a channel that the recording does not have, or a recording that cannot be read any more
        """
        found: list[FrameBlock] = []
        last_ns = max(to_ns for _, to_ns in spans_ns)
        with closing(self._blocks()) as blocks:
            for block in blocks:
                inside = np.zeros(len(block), np.bool_)
                for from_ns, to_ns in spans_ns:
                    inside |= (block.t_ns >= from_ns) & (block.t_ns <= to_ns)
                if inside.any():
                    found.append(block.take(inside))
                if self._is_read and len(block) and int(block.t_ns[-1]) > last_ns:
                    break  # the first reading goes to the end, so that it is the only one
        if channel is not None:
            number = self._channel(channel)
            found = [block.take(block.channel == number) for block in found]
        database = None if self._database is None else self._database.bind(self._capture.channels)
        return frame_of_frames(found, self._capture.channels, owner, database, epoch=epoch)

    def _blocks(self) -> Generator[FrameBlock, None, None]:
        """Yield all frames: those that were kept, or where none are, those of the files."""
        if self._is_read:
            yield from self._capture.second_look()
            return
        self._capture.keep_frames()
        self.n_readings += 1
        yield from self._capture.blocks()
        self._is_read = True

    def _read_values(self, messages: Sequence[str]) -> None:
        assert self._database is not None
        selection = SignalSelection(self._database, self._capture.channels, [f"{escape(name)}.*" for name in messages])
        parts: dict[tuple[int, bool, int], list[dict[str, Any]]] = {}
        message_of: dict[tuple[int, bool, int], Message] = {}
        for block in self._blocks():
            for found in selection.pick(block):
                stream = found.stream
                key = stream.channel, stream.extended, stream.id
                decoded = decode(stream.message, block, found.rows)
                part: dict[str, Any] = {"": block.t_ns[found.rows]}
                for signal in found.signals:
                    part[signal.name] = decoded[signal.name].values
                    if signal.choices:
                        part[f"{signal.name} text"] = value_texts(signal, decoded[signal.name])
                parts.setdefault(key, []).append(part)
                message_of[key] = stream.message
        for key, several in parts.items():
            joined = {name: np.concatenate([part[name] for part in several]) for name in several[0]}
            signals = message_of[key].signals
            self._values[key] = StreamValues(
                channel=key[0],
                extended=key[1],
                id=key[2],
                message=message_of[key],
                t_ns=joined[""],
                values={signal.name: joined[signal.name] for signal in signals},
                texts={signal.name: joined[f"{signal.name} text"] for signal in signals if signal.choices},
            )

    def _channel(self, channel: int | str) -> int:
        """Find a channel by its number or name."""
        channels = self._capture.channels
        for number in channels.numbers:
            if channel in (number, channels.name(number)):
                return number
        names = ", ".join(channels.name(number) for number in channels.numbers)
        raise InputError("channel", "a channel of the recording", f"{channel!r}", f"It has: {names}.")


def _full_name(message: Message, signal: Signal) -> str:
    return f"{message.name}.{signal.name}"
