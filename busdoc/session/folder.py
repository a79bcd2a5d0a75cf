"""The folder of a session: everything that was heard and done, and what it was judged with.

    DIR/session.sqlite     what was done, and the incidents (`busdoc.session.store`)
    DIR/recording/         every frame, in pieces (`busdoc.capture.recorder.recorder`)
    DIR/machine.toml       the map that was used, when there was one
    DIR/databases/         the message databases that were used
    DIR/photographs/       those that the journal's notes name
    DIR/learnt.toml        the map learnt of branches named on the way, when there was none

Given to `busdoc postmortem` it is judged again; given to `busdoc isolate --session` it is gone on with.
"""

import contextlib
import json
import shutil
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import BinaryIO

from busdoc.actions.action import Action
from busdoc.capture.channels import ChannelTable
from busdoc.capture.formats.files import RECORDING
from busdoc.capture.place import place_at, try_lock
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.recorder.twofold import TwofoldRecorder
from busdoc.capture.recorder.write_back import even_out
from busdoc.decode.database.bus_of_file import split_bus, with_bus
from busdoc.errors import InputError, found_instead
from busdoc.files.given import require_plain_files
from busdoc.files.whole import write_whole
from busdoc.session.logbook import Logbook
from busdoc.session.photographs import PHOTOGRAPH, PHOTOGRAPHS
from busdoc.session.rows import StoredRows, read_rows
from busdoc.session.store import SessionStore
from busdoc.session.twofold import TwofoldStore, even_out_stores
from busdoc.words.counting import counted, first_few, plural

__all__ = ["KeptSession", "SessionFolder", "is_session", "read_session"]

DatabaseFile = Path | tuple[int | str, Path]

_STORE, _LOCK, _MACHINE, _DATABASES = "session.sqlite", "session.lock", "machine.toml", "databases"
_MOST_DIGITS, _MOST_GONE = 9, 100
_PIECES = "pieces"
"""What the store calls the number of the last piece of the recording, as the session ended."""
_COMPLAINT = "complaint"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSession:
    """What a folder holds, for the post-mortem."""

    recording: Path
    machine_file: Path | None
    databases: tuple[DatabaseFile, ...]
    actions: tuple[Action, ...]
    """Ascending by time, numbered from 1."""
    complaint: str | None = None
    """The symptom that was isolated last, as `--symptom` names it; None: what stood out."""
    notes: tuple[str, ...] = ()
    """What of the folder is damaged or gone, as sentences."""


class SessionFolder:
    """A folder that a session runs in; locked against a second one until it is closed.

    Parameters
    ----------
    path : made when it is not there; one that holds a session is gone on with
    machine_file, databases : copied into it when it is new
    command : the command line, kept for the record
    also : a second folder in which everything is kept as well; what one of them misses is written back to it
    about : what is known of the session when it is new: it began in another folder, of which this one is the second

    Raises
    ------
    InputError : it cannot be written, holds something else, or a session runs in it
    """

    def __init__(
        self,
        path: Path,
        *,
        machine_file: Path | None = None,
        databases: Sequence[DatabaseFile] = (),
        command: str = "",
        version: str = "",
        also: Path | None = None,
        about: Mapping[str, str] | None = None,
    ) -> None:
        self._path = path
        require_plain_files(path, path / RECORDING, path / _DATABASES)
        notes: list[str] = [] if also is None else _made_alike(path, also)
        self.resumed = is_session(path)
        if not self.resumed and path.is_dir() and any(path.iterdir()) and not (path / _LOCK).is_file():
            raise InputError(
                str(path), "an empty folder, or one with a session", "a folder with other files", "Name another folder."
            )
        try:
            path.mkdir(parents=True, exist_ok=True)
            self._lock: BinaryIO = (path / _LOCK).open("ab")
            if not try_lock(self._lock):
                self._lock.close()
                raise InputError(
                    str(path),
                    "a session that nobody runs",
                    "one that is running",
                    "End it there, or take another folder.",
                )
            if not self.resumed:
                self._copy_in(machine_file, databases)
            elif machine_file is not None and _is_empty(path / _MACHINE):
                shutil.copyfile(machine_file, path / _MACHINE)
                notes.append(f"{_MACHINE} in the folder was empty or gone; the map given now takes its place.")
        except OSError as error:
            raise InputError(
                str(path), "a folder that can be written", found_instead(error), "Name another folder."
            ) from error
        self.store, lost = _open_store(path / _STORE, resumed=self.resumed)
        notes += lost
        if not self.resumed and about is not None:
            self.store.describe(**about)  # at once: cut off in between, the two would be told apart by when they began
        elif not self.resumed:
            named = [[channel, name, bus] for channel, _, name, bus in _kept_names(databases)]
            self.store.describe(command=command, version=version, databases=json.dumps(named), began=_now_text())
        else:
            self.store.describe(resumed=_now_text())
            notes += _damage(path, self.store.rows().about)
        self.notes = tuple(notes)
        """What of a folder that is gone on with is damaged or gone, as sentences."""
        self._recorder: LogRecorder | TwofoldRecorder | None = None
        self._also: SessionFolder | None = None
        if also is not None:
            self._add_second(also, machine_file, databases)

    def _add_second(self, path: Path, machine_file: Path | None, databases: Sequence[DatabaseFile]) -> None:
        """Keep everything in a second folder as well."""
        try:
            about = self.store.rows().about
            second = SessionFolder(path, machine_file=machine_file, databases=databases, about=about)
            even_out_stores(self.store, second.store)
        except InputError:
            self.close()
            raise
        self._also = second
        self._twofold = TwofoldStore(self.store, second.store)
        self.store = self._twofold

    @property
    def complaint(self) -> str | None:
        """The symptom that was chosen last, as `--symptom` names it; None: none was, or what stands out."""
        return self.store.rows().about.get(_COMPLAINT) or None

    def keep_complaint(self, name: str | None) -> None:
        """Keep which symptom is isolated, for the next time.

        Raises
        ------
        InputError : it could not be written
        """
        self.store.describe(**{_COMPLAINT: name or ""})

    @property
    def path(self) -> Path:
        """The folder; the second one while the first is away."""
        if self._also is None or self._twofold.in_place[0]:
            return self._path
        return self._also.path

    def _copy_in(self, machine_file: Path | None, databases: Sequence[DatabaseFile]) -> None:
        if machine_file is not None:
            shutil.copyfile(machine_file, self._path / _MACHINE)
        if databases:
            (self._path / _DATABASES).mkdir(exist_ok=True)
        for _, source, name, _ in _kept_names(databases):
            shutil.copyfile(source, self._path / _DATABASES / name)

    @property
    def machine_file(self) -> Path | None:
        """The map that the session uses; None when there is none."""
        path = self.path / _MACHINE
        return path if path.exists() else None

    @property
    def databases(self) -> tuple[DatabaseFile, ...]:
        """The databases that the session uses."""
        return _databases(self.path, self.store.rows().about)

    @property
    def recording(self) -> Path:
        """Where the frames are, all of them."""
        return self.path / RECORDING if self._recorder is None else self._recorder.place.folder

    def recorder(self, channels: ChannelTable) -> "LogRecorder | TwofoldRecorder":
        """Open the recording to go on with it.

        Raises
        ------
        InputError : it cannot be written
        """
        if self._recorder is None and self._also is not None:
            self._recorder = TwofoldRecorder(self._path / RECORDING, self._also.recording, channels)
        elif self._recorder is None:
            self._recorder = LogRecorder(self.recording, channels)
        return self._recorder

    def keep_photograph(self, name: str, data: bytes) -> None:
        """Keep a photograph under a name that a note gives; it is on the disk when this returns.

        Raises
        ------
        InputError : it cannot be written
        """
        if Path(name).name != name or not PHOTOGRAPH.fullmatch(name):
            raise InputError(name, "the name of a photograph", "another", "Take it again.")
        kept = [self._path] if self._also is None else [self._path, self._also._path]
        refused = []
        for folder in kept:
            try:
                require_plain_files(folder / PHOTOGRAPHS)
                (folder / PHOTOGRAPHS).mkdir(exist_ok=True)
                write_whole(folder / PHOTOGRAPHS / name, data)
            except OSError as error:
                refused.append(error)
        if len(refused) == len(kept):
            raise InputError(
                str(kept[0] / PHOTOGRAPHS),
                "room for a photograph",
                found_instead(refused[0]),
                "Make room on the disk.",
            ) from refused[0]

    def close(self) -> None:
        """Let go of everything; all is on the disk when this returns."""
        if self._recorder is not None:
            self._recorder.close()
            with contextlib.suppress(InputError, OSError):  # the place is away, or full
                pieces = place_at(self.path / RECORDING).pieces()
                self.store.describe(**{_PIECES: str(max(pieces, default=0))})
        self.store.close()
        if self._also is not None:
            self._also._lock.close()
            if is_session(self._path) and is_session(self._also._path):  # else one of them is still away
                with contextlib.suppress(OSError, InputError):  # told when they are next opened
                    _copy_missing(self._path, self._also._path)
        self._lock.close()

    def abandon(self) -> None:
        """Let go, and take back what was made here, where nothing was ever heard or done in it."""
        is_unused = not self.resumed and not self.store.rows().entries and self._recorder_is_empty()
        self.close()
        if is_unused:
            for path in [self._path] if self._also is None else [self._path, self._also._path]:
                shutil.rmtree(path, ignore_errors=True)

    def _recorder_is_empty(self) -> bool:
        return self._recorder is None or not self._recorder.state.frames


def is_session(path: Path) -> bool:
    """Whether a folder holds a session, or what is left of one.

    One that ended while it was being made holds nothing yet: it is begun.
    """
    is_recorded = (path / RECORDING).is_dir() and (path / _LOCK).is_file()
    return is_recorded or not _is_empty(path / _STORE)


def read_session(path: Path) -> KeptSession:
    """Read what a session left behind, without changing anything.

    Raises
    ------
    InputError : the folder cannot be read, or holds no recording
    """
    require_plain_files(path, path / RECORDING, path / _DATABASES)
    rows = StoredRows(entries=(), about={}, notes=())
    problem = "it is gone"
    for mode in ("mode=ro", "mode=ro&immutable=1"):  # the second reads a folder that must not be written to
        try:
            with closing(sqlite3.connect(f"{(path / _STORE).resolve().as_uri()}?{mode}", uri=True)) as file:
                file.execute("SELECT count(*) FROM sqlite_master").fetchone()
                rows = read_rows(file, _STORE)
            break
        except (sqlite3.Error, UnicodeDecodeError) as error:
            problem = str(error)
    else:
        lost = f"{_STORE} cannot be read ({problem}): what was done is not known; the recording is used."
        rows = StoredRows(entries=(), about={}, notes=(lost,))
    recording = path / RECORDING
    if not recording.is_dir():
        raise InputError(str(path), "a session with a recording", "none in it", "Check that it is whole.")
    logbook = Logbook.replayed(rows.entries)
    machine = path / _MACHINE
    return KeptSession(
        recording=recording,
        machine_file=machine if machine.exists() else None,
        databases=_databases(path, rows.about),
        actions=logbook.numbered(),
        complaint=rows.about.get(_COMPLAINT) or None,
        notes=(*rows.notes, *logbook.notes, *_damage(path, rows.about)),
    )


def _made_alike(path: Path, also: Path) -> list[str]:
    """Begin the one of two folders that holds no session with what the other holds; give what is to be said of it.

    Raises
    ------
    InputError : the places are one, or cannot be written
    """
    if path.resolve() == also.resolve():
        raise InputError("--also", "another folder than the session's", str(also), "Name one on another disk.")
    there = [is_session(place) for place in (path, also)]
    if there[0] == there[1]:
        return []
    source, target = (path, also) if there[0] else (also, path)
    if target.is_dir() and any(target.iterdir()):
        return []  # something else, which is refused when it is opened
    try:
        target.mkdir(parents=True, exist_ok=True)
        _copy_missing(source, target)
        if (source / _STORE).is_file():
            with closing(sqlite3.connect(source / _STORE)) as old, closing(sqlite3.connect(target / _STORE)) as new:
                old.backup(new)
    except (OSError, sqlite3.Error, UnicodeDecodeError) as error:
        found = found_instead(error) if isinstance(error, OSError) else str(error)
        raise InputError(str(target), "a folder that can be written", found, "Name another folder.") from error
    return [] if there[0] else [f"{path} held no session; what {also} holds is gone on with in both."]


def _copy_missing(one: Path, other: Path) -> None:
    """Copy the maps and databases that one of two folders has and the other has not, or has empty; and the recording.

    Raises
    ------
    OSError : one of them cannot be read or written
    """
    for source, target in ((one, other), (other, one)):
        files = [*source.glob("*.toml"), *(source / _DATABASES).glob("*"), *(source / PHOTOGRAPHS).glob("*")]
        for file in files:
            copy = target / file.relative_to(source)
            if _is_empty(copy) and not _is_empty(file):
                copy.parent.mkdir(exist_ok=True)
                shutil.copyfile(file, copy)
    even_out(place_at(one / RECORDING), place_at(other / RECORDING))


def _open_store(path: Path, *, resumed: bool) -> tuple[SessionStore, list[str]]:
    """Open the journal; one that is damaged beyond reading is set aside, and a new one begun beside the recording."""
    if not resumed:
        return SessionStore(path), []
    if _is_empty(path):
        lost = "was gone" if not path.exists() else "was empty"
        return SessionStore(path), [f"{path.name} {lost}: what was logged before is not known; the recording is used."]
    try:
        store = SessionStore(path)
        if store.is_whole():
            return store, []
        store.close()
    except InputError as error:
        if not isinstance(error.__cause__, sqlite3.DatabaseError):
            raise
    aside = path.with_name(f"{path.name}.damaged")
    for ending in ("", "-wal", "-shm"):
        file = path.with_name(path.name + ending)
        if file.exists():
            file.replace(aside.with_name(aside.name + ending))
    lost = f"{path.name} is damaged and was set aside as {aside.name}: what was logged before is not known."
    store = SessionStore(path)
    try:
        damaged = SessionStore(aside)
    except InputError:
        return store, [lost]
    try:
        store.take_good(damaged)
    finally:
        damaged.close()
    n_rows = counted(len(store.rows().entries), "row")
    return store, [
        f"{path.name} is damaged and was set aside as {aside.name}; {n_rows} of it could be read and are used."
    ]


def _is_empty(path: Path) -> bool:
    return not path.exists() or not path.stat().st_size


def _damage(path: Path, about: Mapping[str, str]) -> list[str]:
    """Say what of the other files is gone or empty."""
    notes = []
    if (path / _MACHINE).exists() and _is_empty(path / _MACHINE):
        notes.append(f"{_MACHINE} in the folder is empty: it is judged without a map.")
    gone = [name for _, name, _ in _named_databases(about) if _is_empty(path / _DATABASES / name)]
    if gone:
        notes.append(f"Gone from the folder, or empty: {', '.join(gone)}; nothing is decoded with it.")
    lost = _pieces_gone(path, about)
    if lost:
        which = f"{first_few(lost)} {plural(len(lost), 'is', 'are')} gone from the recording, or empty"
        notes.append(f"{which}: what came in {plural(len(lost), 'it', 'them')} is not known.")
    return notes


def _kept_names(databases: Sequence[DatabaseFile]) -> Iterator[tuple[int | str | None, Path, str, str]]:
    """Yield the channel of each database, its file, a name that none before it has in any case, and its bus if one."""
    taken: set[str] = set()
    for given in databases:
        channel, named = given if isinstance(given, tuple) else (None, given)
        file, bus = split_bus(named)
        name, n = file.name, 1
        while name.casefold() in taken:
            n += 1
            name = f"{file.stem}-{n}{file.suffix}"
        taken.add(name.casefold())
        yield channel, file, name, bus


def _pieces_gone(path: Path, about: Mapping[str, str]) -> list[str]:
    """Name the pieces of the recording that were there, before others or as the session ended, and hold nothing now."""
    place = place_at(path / RECORDING)
    there = place.pieces()
    told = about.get(_PIECES, "")
    last = max(there, default=0)
    if told.isdecimal() and len(told) <= _MOST_DIGITS:
        last = max(last, int(told))
    # one that is being written may be empty yet, one that was closed never is
    whole = {n for n, file in there.items() if file.suffix == ".log" or not _is_empty(file)}
    gone = (n for n in range(1, last + 1) if n not in whole)
    return [place.piece(n).stem for n in islice(gone, _MOST_GONE)]


def _named_databases(about: Mapping[str, str]) -> list[tuple[int | str | None, str, str]]:
    """Give the channel and name of each database that was copied in, and its bus; an older folder names none."""
    try:
        named = json.loads(about.get("databases", "[]"))
        return [(channel, Path(name).name, str(bus[0]) if bus else "") for channel, name, *bus in named]
    except (TypeError, ValueError):
        return []


def _databases(path: Path, about: Mapping[str, str]) -> tuple[DatabaseFile, ...]:
    found: list[DatabaseFile] = []
    for channel, name, bus in _named_databases(about):
        file = path / _DATABASES / name
        if not _is_empty(file):
            found.append(with_bus(file, bus) if channel is None else (channel, with_bus(file, bus)))
    return tuple(found)


def _now_text() -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
