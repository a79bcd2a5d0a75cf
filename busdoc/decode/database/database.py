"""The user's message databases, and which message a frame is."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from busdoc.capture.channels import ChannelTable
from busdoc.decode.database.bus_of_file import split_bus, with_bus
from busdoc.decode.database.file import read_database_file
from busdoc.decode.database.message import Message, Signal, SignalKind
from busdoc.decode.database.text import SUFFIXES
from busdoc.decode.j1939.identifier import DUMMY_SOURCES, group_of, source_of
from busdoc.errors import InputError
from busdoc.words.counting import first_few

__all__ = ["Database", "LoadedFile", "Message", "Signal", "SignalKind", "load_databases"]

_MOST_REMEMBERED = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedFile:
    """One file that was given, or found in a folder that was given."""

    path: Path
    channel: int | str | None = None
    """The only channel that it holds for; None: any."""
    bus: str = ""
    """The only one of its buses that was asked for; empty: all."""
    buses: tuple[str, ...] = ()
    """Those that its messages are for, as it names them."""
    n_messages: int = 0
    why_not: str = ""
    """Why nothing of it can be used; empty: it can."""

    @property
    def given(self) -> Path | tuple[int | str, Path]:
        """As `load_databases` takes it."""
        file = with_bus(self.path, self.bus)
        return file if self.channel is None else (self.channel, file)


class Database:
    """Messages of one or several files.

    Parameters
    ----------
    messages : in the order of their files
    nodes : names of the controllers that the files know
    warnings : what was dirty in the files, named
    files : where they come from
    """

    def __init__(
        self,
        messages: Iterable[Message] = (),
        nodes: Iterable[str] = (),
        warnings: Iterable[str] = (),
        files: Iterable[LoadedFile] = (),
    ) -> None:
        self.messages = tuple(messages)
        self.files = tuple(files)
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
    paths : files, or folders of them; a pair of a channel (number or name) and a file binds the file to the channel,
        and ``FILE:BUS`` takes one of the buses that a file describes. Of a folder, a file that cannot be used is left
        out with a warning

    Raises
    ------
    InputError : when a file cannot be used, or nothing of a folder: it says where, what was expected, what was found
        and what to do
    """
    messages: list[Message] = []
    nodes: list[str] = []
    warnings: list[str] = []
    files: list[LoadedFile] = []
    for entry in paths:
        channel, given = entry if isinstance(entry, tuple) else (None, Path(entry))
        path, bus = split_bus(given)
        found = list(_files_in(path)) if path.is_dir() else [path]
        refused: list[InputError] = []
        for one in found:
            try:
                file = read_database_file(one, channel, bus)
            except InputError as error:
                if not path.is_dir():
                    raise
                refused.append(error)
                warnings.append(f"{one.name} is not used: {error}")
                files.append(LoadedFile(path=one, channel=channel, why_not="it cannot be read"))
                continue
            messages += file.messages
            nodes += file.nodes
            warnings += file.warnings
            if len(file.buses) > 1:
                warnings.append(_of_several_buses(one, file.buses))
            why_not = "" if file.messages else _without_messages(one)
            n_messages = len(file.messages)
            files.append(
                LoadedFile(
                    path=one,
                    channel=channel,
                    bus=file.buses[0] if bus else "",
                    buses=file.buses,
                    n_messages=n_messages,
                    why_not=why_not,
                )
            )
        if len(refused) == len(found):
            raise refused[0] if refused else _nothing_in(path)
    return Database(messages, nodes, warnings, files)


def _files_in(folder: Path) -> Iterator[Path]:
    """Yield the databases of a folder by their names; what is in folders below is not looked for."""
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() in SUFFIXES and not path.name.startswith(".") and path.is_file():
            yield path


def _nothing_in(folder: Path) -> InputError:
    return InputError(
        str(folder),
        f"a message database, or a folder of them ({', '.join(SUFFIXES)})",
        "a folder without one",
        "Name the folder in which they are; folders within it are not searched.",
    )


def _without_messages(path: Path) -> str:
    return "it holds diagnostic data and no messages" if path.suffix.lower() == ".cdd" else "it holds no messages"


def _of_several_buses(path: Path, buses: Sequence[str]) -> str:
    return (
        f"{path.name} describes {len(buses)} buses ({first_few(buses)}), and its messages are looked for on every"
        f" channel; one alone is given as {path.name}:{buses[0]}"
    )


def _of_file(message: Message) -> str:
    return f"{message.name} of {message.file}" if message.file else message.name
