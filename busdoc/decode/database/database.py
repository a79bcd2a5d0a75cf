"""The user's message databases, and which message a frame is."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from busdoc.capture.channels import ChannelTable
from busdoc.decode.database.file import read_database_file
from busdoc.decode.database.message import Message, Signal, SignalKind
from busdoc.decode.j1939.identifier import DUMMY_SOURCES, group_of, source_of

__all__ = ["Database", "Message", "Signal", "SignalKind", "load_databases"]

_MOST_REMEMBERED = 1 << 16


class Database:
    """Messages of one or several files.

    Parameters
    ----------
    messages : in the order of their files
    nodes : names of the controllers that the files know
    warnings : what was dirty in the files, named
    """

    def __init__(
        self, messages: Iterable[Message] = (), nodes: Iterable[str] = (), warnings: Iterable[str] = ()
    ) -> None:
        self.messages = tuple(messages)
        self.nodes = tuple(dict.fromkeys(nodes))
        self._channels: ChannelTable | None = None
        self._remembered: dict[tuple[int, int, bool], Message | None] = {}
        self._by_name: dict[str, tuple[Message, Signal]] = {}
        self._exact: dict[tuple[int | str | None, int, bool], Message] = {}
        self._by_group: dict[tuple[int | str | None, int], list[Message]] = {}
        clashes = self._index()
        self.warnings = (*warnings, *clashes)

    def _index(self) -> list[str]:
        clashes = []
        for message in self.messages:
            key = (message.channel, message.frame_id, message.extended)
            first = self._exact.setdefault(key, message)
            if first is not message:
                clashes.append(
                    f"{_of_file(message)} and {_of_file(first)} have the same identifier 0x{message.frame_id:X};"
                    " the latter is used"
                )
                continue
            if message.by_group:
                self._by_group.setdefault((message.channel, group_of(message.frame_id)), []).append(message)
            for signal in message.signals:
                self._by_name.setdefault(f"{message.name}.{signal.name}", (message, signal))
        return clashes

    def bind(self, channels: ChannelTable) -> "Database":
        """Use a capture's table to know the channels that files were bound to by name; give the database itself."""
        self._channels = channels
        self._remembered.clear()
        return self

    def find(self, channel: int, frame_id: int, extended: bool) -> Message | None:
        """Find the message that a frame is: by its identifier, else by its parameter group.

        A J1939-style message of the same group matches whatever the priority and the source address (and, in PDU1
        format, the destination); one in a proprietary group of a database that does not call itself J1939 only from
        its own source address. Messages bound to the channel come before those that hold for any.
        """
        key = (channel, frame_id, extended)
        if key not in self._remembered:
            if len(self._remembered) >= _MOST_REMEMBERED:
                self._remembered.clear()
            self._remembered[key] = self._search(channel, frame_id, extended)
        return self._remembered[key]

    def _search(self, channel: int, frame_id: int, extended: bool) -> Message | None:
        places = (*self._places(channel), None)
        for place in places:
            exact = self._exact.get((place, frame_id, extended))
            if exact is not None:
                return exact
        if not extended:
            return None
        for place in places:
            same_group = self._by_group.get((place, group_of(frame_id)), ())
            source = source_of(frame_id)
            found = [message for message in same_group if source_of(message.frame_id) == source]
            found += [message for message in same_group if source_of(message.frame_id) in DUMMY_SOURCES]
            found += [message for message in same_group if message.any_source]
            if found:
                return found[0]
        return None

    def _places(self, channel: int) -> tuple[int | str, ...]:
        """Give what files may call a channel: its number, and its name in the capture."""
        if self._channels is not None:
            return (channel, self._channels.name(channel))
        named = {message.channel for message in self.messages if isinstance(message.channel, str)}
        return (channel, *(name for name in sorted(named) if ChannelTable().number(name) == channel))

    def signal(self, name: str) -> tuple[Message, Signal] | None:
        """Find a signal by ``Message.Signal``; None when no file has it."""
        return self._by_name.get(name)

    def __len__(self) -> int:
        return len(self.messages)


def load_databases(paths: Sequence[Path | tuple[int | str, Path]]) -> Database:
    """Load message databases (.dbc, .kcd, .sym, .arxml, .cdd).

    Parameters
    ----------
    paths : files; a pair of a channel (number or name) and a file binds the file to the channel

    Raises
    ------
    InputError : when a file cannot be used: it says where, what was expected, what was found and what to do
    """
    messages: list[Message] = []
    nodes: list[str] = []
    warnings: list[str] = []
    for entry in paths:
        channel, path = entry if isinstance(entry, tuple) else (None, entry)
        file = read_database_file(Path(path), channel)
        messages += file.messages
        nodes += file.nodes
        warnings += file.warnings
    return Database(messages, nodes, warnings)


def _of_file(message: Message) -> str:
    return f"{message.name} of {message.file}" if message.file else message.name
