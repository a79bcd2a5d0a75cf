"""A session's folder after a failing disk, a wrong hand or a power cut: what is good is used, what is not is said."""

import os
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from busdoc.actions.action import ActionKind, Origin
from busdoc.actions.mark import append_mark
from busdoc.analysis.postmortem import postmortem
from busdoc.capture.channels import ChannelTable
from busdoc.capture.frames import FrameBlock
from busdoc.capture.recorder.gaps import is_gap_file
from busdoc.capture.recorder.notes import read_remarks
from busdoc.capture.recorder.recorder import LogRecorder
from busdoc.capture.source import open_capture
from busdoc.errors import InputError
from busdoc.session.folder import SessionFolder, read_session
from busdoc.session.logbook import Logbook
from busdoc.session.rows import read_rows
from busdoc.session.store import SessionStore
from tests.truth.scripted_bus import begun, run

ROOT = Path(__file__).parents[2]
SWEEPER = ROOT / "captures" / "street_sweeper"
DATABASE = ROOT / "dbc_examples" / "street_sweeper.dbc"
N_ACTIONS = 5


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session's folder: 400 frames, five actions."""
    path = tmp_path_factory.mktemp("sessions") / "s"
    folder = SessionFolder(path, machine_file=SWEEPER / "machine.toml", databases=[DATABASE])
    channels = ChannelTable()
    channels.number("can0")
    block = next(open_capture([SWEEPER / "capture.log.gz"]).blocks()).slice(0, 400)
    folder.recorder(channels).write(block)
    log = Logbook(folder.store, lambda: 0)
    for k in range(N_ACTIONS):
        log.act(ActionKind.UNPLUG, f"harness-{'ABCDE'[k]}", None, time_ns=10**18 + k, uncertainty_ns=1)
    folder.close()
    return path


@pytest.fixture
def session(kept: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(kept, tmp_path / "s"))


def gone_on_with(path: Path) -> tuple[int, int, str]:
    """Open a folder as a session does; give actions, frames, and what was said."""
    folder = SessionFolder(path)
    assert folder.resumed
    log = Logbook(folder.store, lambda: 0)
    recorder = folder.recorder(ChannelTable())
    frames = FrameBlock.concat(list(open_capture([folder.recording]).blocks()))
    said = " ".join((*folder.notes, *log.notes, *recorder.notes))
    folder.close()
    return len(log.actions), len(frames), said


def test_a_whole_folder_says_nothing(session: Path) -> None:
    assert gone_on_with(session) == (N_ACTIONS, 400, "")
    assert read_session(session).notes == ()


@pytest.mark.parametrize("what", ["emptied", "removed"])
def test_a_journal_that_was_lost_is_said_and_the_recording_is_used(session: Path, what: str) -> None:
    store = session / "session.sqlite"
    store.write_bytes(b"") if what == "emptied" else store.unlink()
    kept = read_session(session)
    assert kept.actions == ()
    assert any("session.sqlite" in text for text in kept.notes)
    actions, frames, said = gone_on_with(session)
    assert (actions, frames) == (0, 400)
    assert f"session.sqlite was {'empty' if what == 'emptied' else 'gone'}: what was logged before is not known" in said
    result = postmortem([session])
    assert result.health.frames == 400


def test_a_journal_that_is_no_database_any_more_is_set_aside(session: Path) -> None:
    (session / "session.sqlite").write_bytes(b"\xa5" * 8192)
    assert "session.sqlite cannot be read" in " ".join(postmortem([session]).warnings)
    actions, frames, said = gone_on_with(session)
    assert (actions, frames) == (0, 400)
    assert "set aside as session.sqlite.damaged" in said
    assert (session / "session.sqlite.damaged").read_bytes() == b"\xa5" * 8192


def test_whatever_page_of_the_journal_is_spoilt_the_next_press_is_kept(session: Path) -> None:
    """Tables, their index and the list of tables have a page each, of 4,096 bytes (SQLite, "Database File Format")."""
    store = session / "session.sqlite"
    whole = store.read_bytes()
    n_left = []
    for page in range(len(whole) // 4096):
        for file in session.glob("session.sqlite*"):
            file.unlink()
        at = page * 4096 + (100 if page == 0 else 0)  # behind the file's own header
        store.write_bytes(whole[:at] + b"\xa5" * 200 + whole[at + 200 :])
        folder = SessionFolder(session)
        log = Logbook(folder.store, lambda: 0)
        n_left.append(len(log.actions))
        assert n_left[-1] == N_ACTIONS or "session.sqlite" in " ".join((*folder.notes, *log.notes))
        log.act(ActionKind.MARK, None, None, time_ns=2 * 10**18, uncertainty_ns=1)
        folder.close()
        assert len(SessionFolder(session).store.rows().entries) == n_left[-1] + 1
    assert n_left.count(N_ACTIONS) >= 2


@pytest.mark.parametrize("store", [None, b"", "without tables"])
def test_a_session_that_ended_while_it_was_made_is_begun(tmp_path: Path, store: bytes | str | None) -> None:
    path = tmp_path / "s"
    path.mkdir()
    (path / "session.lock").touch()
    (path / "machine.toml").touch()
    if isinstance(store, bytes):
        (path / "session.sqlite").write_bytes(store)
    elif store:
        with closing(sqlite3.connect(path / "session.sqlite")) as file:
            file.execute("PRAGMA journal_mode = WAL")
    folder = SessionFolder(path, machine_file=SWEEPER / "machine.toml")
    Logbook(folder.store, lambda: 0).act(ActionKind.MARK, None, None, time_ns=1, uncertainty_ns=1)
    folder.close()
    assert (path / "machine.toml").stat().st_size
    assert len(SessionFolder(path).store.rows().entries) == 1


def test_a_session_without_a_frame_is_gone_on_with(tmp_path: Path) -> None:
    folder = SessionFolder(tmp_path / "s")
    folder.recorder(ChannelTable())
    folder.close()
    (tmp_path / "s" / "recording" / "recording-0001.log").touch()
    _, session, folder = begun(tmp_path / "s")
    assert folder.resumed
    assert not any("gives nothing" in happening.text for happening in session.happenings(0))
    session.close()


def test_a_recording_that_gives_nothing_any_more_is_said(tmp_path: Path) -> None:
    bus, session, _ = begun(tmp_path / "s")
    run(bus, session, 1)
    session.close()
    (piece,) = (tmp_path / "s" / "recording").glob("*.gz")
    piece.write_bytes(b"\xa5" * 100)
    _, session, _ = begun(tmp_path / "s")
    assert any("The recording of the folder gives nothing any more" in one.text for one in session.happenings(0))
    session.close()


@pytest.mark.parametrize("number", [1, 2, 3])
@pytest.mark.parametrize("what", ["removed", "emptied"])
def test_a_piece_of_the_recording_that_is_gone_is_said(tmp_path: Path, number: int, what: str) -> None:
    block = next(open_capture([SWEEPER / "capture.log.gz"]).blocks())
    for n in range(3):
        folder = SessionFolder(tmp_path / "s")
        channels = ChannelTable()
        channels.number("can0")
        folder.recorder(channels).write(block.slice(200 * n, 200 * (n + 1)))
        folder.close()
    assert read_session(tmp_path / "s").notes == ()
    piece = tmp_path / "s" / "recording" / f"recording-{number:04d}.log.gz"
    piece.unlink() if what == "removed" else piece.write_bytes(b"")
    (said,) = read_session(tmp_path / "s").notes
    assert said.startswith(f"recording-{number:04d} is gone from the recording, or empty")
    folder = SessionFolder(tmp_path / "s")
    assert folder.notes == (said,)
    folder.close()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes by name there")
@pytest.mark.parametrize(
    "name",
    [
        "session.sqlite",
        "session.sqlite-wal",
        "session.lock",
        "machine.toml",
        "recording/gaps.csv",
        "recording/notes.txt",
        "recording/marks.csv",
        "recording/recording-0001.log",
        f"databases/{DATABASE.name}",
    ],
)
def test_a_pipe_in_the_folder_is_refused_and_not_waited_for(session: Path, name: str) -> None:
    (session / name).unlink(missing_ok=True)
    os.mkfifo(session / name)
    for work in (lambda: gone_on_with(session), lambda: postmortem([session])):
        with pytest.raises(InputError, match="expected a plain file, found a pipe"):
            work()
    if name.startswith("recording/"):
        with pytest.raises(InputError, match="expected a plain file, found a pipe"):
            LogRecorder(session / "recording", ChannelTable())
        assert is_gap_file(session / "recording" / "gaps.csv") == (name != "recording/gaps.csv")
        assert read_remarks(session / "recording" / "notes.txt") == ()
    if name == "recording/marks.csv":
        with pytest.raises(InputError, match="found a pipe"):
            append_mark(session / name, 1)


def test_rows_that_make_no_sense_cost_only_themselves(session: Path) -> None:
    file = sqlite3.connect(session / "session.sqlite")
    file.execute("UPDATE entry SET body = '{\"n\": ' WHERE n = 2")
    file.execute("UPDATE entry SET body = '[1]' WHERE n = 3")
    file.execute("UPDATE entry SET body = '{}' WHERE n = 4")
    file.commit()
    rows = read_rows(file, "session.sqlite")
    file.close()
    assert (len(rows.entries), len(rows.notes)) == (N_ACTIONS - 2, 1)
    actions, _, said = gone_on_with(session)
    assert actions == N_ACTIONS - 3
    assert "2 rows of session.sqlite cannot be read" in said
    assert "Left out of the journal, since it makes no sense: 1 entry." in said


@pytest.mark.parametrize("what", ["zeros", "removed", "spoilt"])
def test_a_gap_file_that_was_lost_does_not_stop_the_recording(session: Path, what: str) -> None:
    gaps = session / "recording" / "gaps.csv"
    gaps.unlink() if what == "removed" else gaps.write_bytes(bytes(512) if what == "zeros" else b"frim,to,channel\n")
    actions, frames, said = gone_on_with(session)
    assert (actions, frames) == (N_ACTIONS, 400)
    assert "gaps.csv" in said
    assert "which gaps it told of is not known" in said


def test_an_emptied_map_and_a_lost_database_are_said(session: Path) -> None:
    (session / "machine.toml").write_bytes(b"")
    (session / "databases" / DATABASE.name).unlink()
    kept = read_session(session)
    assert kept.databases == ()
    assert any("machine.toml in the folder is empty" in text for text in kept.notes)
    assert any(DATABASE.name in text for text in kept.notes)


def test_an_emptied_map_is_replaced_by_one_that_is_given(session: Path) -> None:
    (session / "machine.toml").write_bytes(b"")
    folder = SessionFolder(session, machine_file=SWEEPER / "machine.toml")
    folder.close()
    assert (session / "machine.toml").read_bytes() == (SWEEPER / "machine.toml").read_bytes()
    assert "takes its place" in " ".join(folder.notes)


@pytest.mark.parametrize("seed", range(40))
def test_whatever_bytes_are_spoilt_it_opens_with_what_is_good_or_says_why_not(
    session: Path, seed: int, tmp_path: Path
) -> None:
    source = random.Random(seed)
    names = ["session.sqlite", "recording/gaps.csv", *(f"recording/{p.name}" for p in session.glob("recording/*.gz"))]
    for name in source.sample(names, source.randint(1, len(names))):
        content = bytearray((session / name).read_bytes())
        match source.randrange(3):
            case 0:
                for _ in range(source.randint(1, 20)):
                    content[source.randrange(len(content))] = source.randrange(256)
            case 1:
                del content[source.randrange(len(content)) :]
            case 2:
                start = source.randrange(len(content))
                content[start : start + 512] = bytes(len(content[start : start + 512]))
        (session / name).write_bytes(content)
    refused = []
    for work in (lambda: postmortem([session]), lambda: gone_on_with(session)):
        try:
            work()
        except InputError as error:
            refused.append(str(error))
    assert all(str(tmp_path) in text for text in refused)


def test_nothing_is_logged_into_a_folder_that_is_gone(session: Path) -> None:
    folder = SessionFolder(session)
    log = Logbook(folder.store, lambda: 0)
    shutil.rmtree(session)
    with pytest.raises(InputError, match=r"Nothing was logged. Put it back"):
        log.act(ActionKind.PLUG, "harness-A", None, time_ns=1, uncertainty_ns=1, origin=Origin.JOURNAL)
    assert len(log.actions) == N_ACTIONS
    session.mkdir()
    SessionStore(session / "session.sqlite").close()  # another one in its place is not it
    with pytest.raises(InputError, match="it gone, or another in its place"):
        log.act(ActionKind.PLUG, "harness-A", None, time_ns=1, uncertainty_ns=1)
    folder.close()
